package journal

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// cutModes are the ways in which a device may lose what was written since its last
// flush.
var cutModes = []string{
	"nothing kept",            // the cache is gone
	"everything kept",         // all of it had reached the medium
	"some requests kept",      // any of them
	"some sectors kept",       // any of their 512-byte sectors
	"block in flight garbage", // some requests, and blocks of the last one are neither old nor new
}

// lose builds the image that a power cut behind ops[:cut] leaves.
func (l *cardLog) lose(cut int, mode string, rng *rand.Rand) []byte {
	image := append([]byte(nil), l.base...)
	flushed := 0
	for i, op := range l.ops[:cut] {
		if op.kind == logFlush {
			flushed = i
		}
	}
	for _, op := range l.ops[:flushed] {
		if op.kind == logWrite {
			copy(image[op.off:], op.data)
		}
	}
	last := -1
	for i := flushed; i < cut; i++ {
		if l.ops[i].kind == logWrite {
			last = i
		}
	}
	for i := flushed; i < cut; i++ {
		op := l.ops[i]
		if op.kind != logWrite {
			continue
		}
		switch {
		case mode == "everything kept":
			copy(image[op.off:], op.data)
		case mode == "block in flight garbage" && i == last:
			garble(image[op.off:], op.data, rng)
		case (mode == "some requests kept" || mode == "block in flight garbage") && rng.IntN(2) == 0:
			copy(image[op.off:], op.data)
		case mode == "some sectors kept":
			for s := 0; s < len(op.data); s += 512 {
				if rng.IntN(2) == 0 {
					copy(image[op.off+uint64(s):], op.data[s:s+512])
				}
			}
		}
	}
	return image
}

// garble leaves each 4 KiB block of a request old, new or random.
func garble(to, data []byte, rng *rand.Rand) {
	for b := 0; b < len(data); b += 4096 {
		block := data[b:min(b+4096, len(data))]
		switch rng.IntN(3) {
		case 0:
			copy(to[b:], block)
		case 1:
			for i := range block {
				to[b+i] = byte(rng.Uint32())
			}
		}
	}
}

// acknowledged is what had been promised and shown when the first cut ops were done.
func (l *cardLog) acknowledged(cut int) (durable, streamed uint64) {
	for _, op := range l.ops[:cut] {
		if op.kind == logMark {
			durable, streamed = max(durable, op.off), max(streamed, op.streamed)
		}
	}
	return durable, streamed
}

// recordOnCard runs a journal on the card and marks what it acknowledges.
func recordOnCard(t *testing.T, c *cardRig) (cardLog, *ledger) {
	logs := t.TempDir()
	dir := filepath.Join(c.dir, "journal")
	opts := small(dir)
	opts.tune.reserve = 5000
	j := open(t, opts)
	c.must("log %s", logs)
	l := newLedger()
	rng := seeded(t)
	for l.next < 9000 {
		for range 1 + rng.IntN(60) {
			seq, _ := appendN(t, j, l.next, 1)
			if err := l.streamed(seq, l.next); err != nil {
				t.Fatal(err)
			}
			// Shown to readers before anything of it is on the card.
			if rng.IntN(20) == 0 {
				c.must("mark %d %d", j.State().DurableThrough, l.highest)
			}
		}
		c.must("mark %d %d", j.State().DurableThrough, l.highest)
		commit(t, j)
		c.must("mark %d %d", j.State().DurableThrough, l.highest)
		if rng.IntN(40) == 0 {
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			j = open(t, opts)
		}
	}
	c.must("end")
	j.Close()
	log, err := readCardLog(logs)
	if err != nil {
		t.Fatal(err)
	}
	return log, l
}

// TestPowerCut cuts the power at random points of what a card saw, mounts what is
// left, opens the journal and checks every entry against what had been
// acknowledged by then.
func TestPowerCut(t *testing.T) {
	c := newCard(t, 48<<20)
	log, l := recordOnCard(t, c)
	rng := seeded(t)
	type tally struct{ trials, noMount, entries int }
	sums := make(map[string]*tally)
	for trial := range *cuts {
		mode := cutModes[trial%len(cutModes)]
		if sums[mode] == nil {
			sums[mode] = &tally{}
		}
		s := sums[mode]
		s.trials++
		cut := 1 + rng.IntN(len(log.ops))
		found, err := tryCut(t, log.lose(cut, mode, rng), l, log, cut)
		if errors.Is(err, errNoMount) {
			s.noMount++
			continue
		}
		if err != nil {
			t.Fatalf("%s, cut behind operation %d of %d: %v", mode, cut, len(log.ops), err)
		}
		s.entries += found
	}
	for _, mode := range cutModes {
		if s := sums[mode]; s != nil {
			t.Logf("%s: %d cuts, %d acknowledged entries: 0 lost, 0 wrong values; %d file systems did not mount", mode, s.trials, s.entries, s.noMount)
		}
	}
}

var errNoMount = errors.New("the file system does not mount")

// tryCut mounts an image and judges the journal on it.
func tryCut(t *testing.T, image []byte, l *ledger, log cardLog, cut int) (found int, err error) {
	tmp := t.TempDir()
	file, dir := filepath.Join(tmp, "image"), filepath.Join(tmp, "fs")
	if err := errors.Join(os.WriteFile(file, image, 0o600), os.Mkdir(dir, 0o700)); err != nil {
		return 0, err
	}
	defer os.Remove(file)
	dev, err := loopDevice(file)
	if err != nil {
		return 0, err
	}
	defer command("losetup", "-d", dev)
	if err := command("mount", "-t", "ext4", dev, dir); err != nil {
		return 0, errNoMount
	}
	defer unmount(dir)
	durable, streamed := log.acknowledged(cut)
	then := newLedger()
	then.durable, then.highest = durable, streamed
	for seq, k := range l.fresh {
		if seq <= durable {
			then.acked[seq] = k
		} else {
			then.maybe[seq] = k
		}
	}
	j, err := Open(small(filepath.Join(dir, "journal")))
	if err != nil {
		return 0, err
	}
	defer j.Close()
	if err := then.check(t.Context(), j); err != nil {
		return 0, err
	}
	seq, err := j.Append(entryFor(l.next))
	if err == nil && seq <= streamed {
		err = fmt.Errorf("number %d was streamed before", seq)
	}
	if err == nil {
		j.Commit()
		err = j.WaitDurable(t.Context(), seq)
	}
	return len(then.acked), err
}

// TestSlowFlushes holds that neither appending nor reading waits for a slow card.
func TestSlowFlushes(t *testing.T) {
	c := newCard(t, 32<<20)
	for _, slow := range []time.Duration{10 * time.Millisecond, 2 * time.Second} {
		t.Run(slow.String(), func(t *testing.T) {
			opts := Options{Dir: filepath.Join(c.dir, slow.String()), Sync: 20 * time.Millisecond, Ballast: -1}
			j := open(t, opts)
			defer j.Close()
			c.must("slow %s", slow)
			defer c.must("slow 0s")
			r := j.NewReader(1)
			appended := uint64(0)
			began := time.Now()
			for j.State().Flushes < 1 && time.Since(began) < 10*slow+time.Second {
				appended++
				at, body := entryFor(appended)
				if _, err := j.Append(at, body); err != nil {
					t.Fatal(err)
				}
				if e, err := r.Next(t.Context()); err != nil || e.Seq != appended {
					t.Fatalf("entry %d: %v", e.Seq, err)
				}
				<-time.After(time.Millisecond)
			}
			if slow > time.Second && appended < 20 {
				t.Errorf("%d entries were appended and read while one flush lasted", appended)
			}
			if s := j.State(); s.Flushes == 0 || !s.Durable || s.CommitP50 < slow {
				t.Errorf("state %+v", s)
			}
			if err := j.WaitDurable(t.Context(), appended); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestFailingCard: a flush or a write fails below the file system. Readers go on,
// nothing more is acknowledged, and what was acknowledged is there afterwards.
func TestFailingCard(t *testing.T) {
	for _, what := range []string{"flush", "write"} {
		t.Run(what, func(t *testing.T) {
			c := newCard(t, 32<<20)
			opts := small(filepath.Join(c.dir, "journal"))
			opts.RingBytes = 1 << 20
			j := open(t, opts)
			appendN(t, j, 1, 500)
			commit(t, j)
			c.must("fail %s", what)
			appendN(t, j, 501, 100)
			j.Commit()
			for j.State().Failures == 0 {
				waitState(t, j)
			}
			s := j.State()
			if s.Durable || s.DurableThrough != 500 || s.Text == "" {
				t.Fatalf("state %+v", s)
			}
			t.Logf("final %v: %s", s.Final, s.Text)
			if n, gaps := readTo(t, j.NewReader(1), 600, identity); n != 600 || gaps != nil {
				t.Errorf("%d entries, gaps %v", n, gaps)
			}
			appendN(t, j, 601, 100)
			streamed := j.State().Head
			if err := j.Close(); err == nil {
				t.Error("closing said that all is durable")
			}
			c.must("fail nothing")
			dev := deviceOf(t, c.dir)
			unmount(c.dir)
			if err := command("mount", "-t", "ext4", dev, c.dir); err != nil {
				t.Fatal(err)
			}
			j = open(t, opts)
			defer j.Close()
			if n, gaps := readTo(t, j.NewReader(1), 500, identity); n != 500 || gaps != nil {
				t.Errorf("after the restart: %d entries, gaps %v", n, gaps)
			}
			if first, _ := appendN(t, j, 801, 1); first <= streamed {
				t.Errorf("number %d was streamed before", first)
			}
		})
	}
}

func deviceOf(t testing.TB, dir string) string {
	t.Helper()
	p, err := os.ReadFile("/proc/self/mounts")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(p)) {
		if f := strings.Fields(line); len(f) > 1 && f[1] == dir {
			return f[0]
		}
	}
	t.Fatalf("%s is not mounted", dir)
	return ""
}

// TestFullFileSystem fills a small file system: the ballast buys time, then commits
// stop and readers go on; when room is made they go on without a restart.
func TestFullFileSystem(t *testing.T) {
	needLoop(t)
	tmp := t.TempDir()
	file, fs := filepath.Join(tmp, "image"), filepath.Join(tmp, "fs")
	if err := errors.Join(os.WriteFile(file, make([]byte, 24<<20), 0o600), os.Mkdir(fs, 0o700)); err != nil {
		t.Fatal(err)
	}
	mountExt4(t, file, fs, true)
	opts := small(filepath.Join(fs, "journal"))
	opts.Ballast = 1 << 20
	j := open(t, opts)
	defer j.Close()
	j.measure()
	j.restoreBallast()
	if _, err := os.Stat(j.ballastPath()); err != nil {
		t.Fatal("no ballast", err)
	}
	appendN(t, j, 1, 100)
	commit(t, j)
	filler := filepath.Join(fs, "filler")
	fill := func() {
		f, err := os.OpenFile(filler, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		for size := 256 << 10; size >= 512; size /= 2 {
			for {
				if _, err := f.Write(make([]byte, size)); err != nil {
					break
				}
			}
		}
		f.Close()
	}
	fill()
	serials := make(map[uint64]uint64)
	k := uint64(101)
	for ; j.State().Failures < 20; k++ {
		seq, _ := appendN(t, j, k, 1)
		serials[seq] = k
		if k%20 == 0 {
			j.Commit()
			waitState(t, j)
		}
		if k%400 == 0 {
			fill()
		}
	}
	s := j.State()
	if s.Durable || s.Final || !strings.Contains(s.Text, "full") {
		t.Fatalf("state %+v", s)
	}
	if _, err := os.Stat(j.ballastPath()); !errors.Is(err, os.ErrNotExist) {
		t.Error("the ballast was kept")
	}
	r := j.NewReader(s.Head)
	if _, err := r.Next(t.Context()); err != nil {
		t.Errorf("reader at the head: %v", err)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	commit(t, j)
	if s := j.State(); !s.Durable {
		t.Errorf("with room again: %+v", s)
	}
	for seq := range uint64(100) {
		serials[seq+1] = seq + 1
	}
	n, gaps := readTo(t, j.NewReader(1), j.State().Head, func(seq uint64) (uint64, bool) { k, ok := serials[seq]; return k, ok })
	t.Logf("%d entries while the file system was full, %d read back, gaps %v", k-101, n, gaps)
	for _, g := range gaps {
		if g.Cause != CauseNotStored {
			t.Errorf("gap %+v", g)
		}
	}
}

// TestDeviceBytes counts what reaches the device for each commit of 10 scans of 10
// channels, in the steady state, beside a plain growing file.
func TestDeviceBytes(t *testing.T) {
	const commits = 1500
	c := newCard(t, 96<<20)
	j := open(t, Options{Dir: filepath.Join(c.dir, "journal"), Sync: time.Hour, Ballast: -1})
	defer j.Close()
	k := uint64(0)
	step := func() {
		for range scansPerCommit {
			at, s := scan(k)
			k++
			if _, err := j.Append(at, s); err != nil {
				t.Fatal(err)
			}
		}
		commit(t, j)
	}
	for range 900 { // the log has wrapped and blocks have been sealed
		step()
	}
	_, b0, f0 := c.count()
	for range commits {
		step()
	}
	_, b1, f1 := c.count()
	bytes, flushes := float64(b1-b0)/commits, float64(f1-f0)/commits
	plain, err := os.Create(filepath.Join(c.dir, "plain"))
	if err != nil {
		t.Fatal(err)
	}
	defer plain.Close()
	for range 300 {
		if _, err := plain.Write(make([]byte, 1170)); err != nil {
			t.Fatal(err)
		}
		if err := fdatasync(plain); err != nil {
			t.Fatal(err)
		}
	}
	_, b2, f2 := c.count()
	t.Logf("journal: %.0f bytes and %.2f flushes a commit; plain append file: %.0f bytes and %.2f flushes", bytes, flushes, float64(b2-b1)/300, float64(f2-f1)/300)
	if bytes > 10_000 || flushes > 1.1 {
		t.Errorf("%.0f bytes and %.2f flushes a commit, at most 10000 and 1.1", bytes, flushes)
	}
}
