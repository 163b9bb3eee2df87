package speed

import (
	"context"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"soakrig/daemon"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
	"soakrig/drivers"
)

// scan is one sample of so many channels as the quick driver would give it.
func scan(k, channels int, into *record.Sample) (record.Stamp, *record.Sample) {
	if into == nil {
		into = &record.Sample{Layout: 1, Raw: make([]record.Raw, channels)}
	}
	for i := range into.Raw {
		into.Raw[i] = record.Raw{Has: record.HasCode | record.HasCold, AgeUS: int32(i * 100),
			Code: 5000 + int64(100*i) + int64(k/50%3000) + int64(mix(uint64(k*16+i))%9), Cold: 400 + int64(k/5000%50)}
	}
	return stamp(int64(k)*1e8 + int64(mix(uint64(k))%50_000)), into
}

// fill makes a journal of so many scans, sealed as on a rig.
func fill(t testing.TB, dir string, scans, channels int) {
	j, err := journal.Open(journal.Options{Dir: dir, Sync: time.Hour, Ballast: -1, RingBytes: 4 << 20})
	if err != nil {
		t.Fatal(err)
	}
	_, s := scan(0, channels, nil)
	for k := range scans {
		at, s := scan(k, channels, s)
		seq, err := j.Append(at, s)
		if err != nil {
			t.Fatal(err)
		}
		if k%2560 == 2559 { // as much as 256 commits of 10 scans, which seals
			j.Commit()
			if err := j.WaitDurable(t.Context(), seq); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// committing commits 10 scans at a time, in turn with a plain file
// that grows by the same bytes and gets one fdatasync.
type committing struct {
	t            testing.TB
	channels     int
	j            *journal.Journal
	plain        *os.File
	ours, theirs []time.Duration
	written      int64 // by our commits, bytes to the device
	s            *record.Sample
	k            int
	buf          []byte
}

func newCommitting(t testing.TB, channels int) *committing {
	dir := t.TempDir()
	j, err := journal.Open(journal.Options{Dir: filepath.Join(dir, "journal"), Sync: time.Hour, Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	plain, err := os.Create(filepath.Join(dir, "plain"))
	if err != nil {
		t.Fatal(err)
	}
	return &committing{t: t, channels: channels, j: j, plain: plain}
}

func (c *committing) close() {
	c.plain.Close()
	if err := c.j.Close(); err != nil {
		c.t.Error(err)
	}
}

func (c *committing) round() {
	var seq uint64
	c.buf = c.buf[:0]
	for range 10 {
		at, s := scan(c.k, c.channels, c.s)
		c.s, c.k = s, c.k+1
		var err error
		c.buf = append(c.buf, make([]byte, 37)...) // boot, two times, synchronised: the stamp
		if c.buf, err = record.AppendBody(c.buf, s); err != nil {
			c.t.Fatal(err)
		}
		if seq, err = c.j.Append(at, s); err != nil {
			c.t.Fatal(err)
		}
	}
	began := time.Now()
	if _, err := c.plain.Write(c.buf); err != nil {
		c.t.Fatal(err)
	}
	if err := unix.Fdatasync(int(c.plain.Fd())); err != nil {
		c.t.Fatal(err)
	}
	c.theirs = append(c.theirs, time.Since(began))
	before := deviceBytes(c.t)
	began = time.Now()
	c.j.Commit()
	if err := c.j.WaitDurable(context.Background(), seq); err != nil {
		c.t.Fatal(err)
	}
	c.ours = append(c.ours, time.Since(began))
	c.written += deviceBytes(c.t) - before
}

// deviceBytes is what this process has made the kernel write.
func deviceBytes(t testing.TB) (n int64) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if _, err := fmt.Sscanf(line, "write_bytes: %d", &n); err == nil {
			return n
		}
	}
	t.Fatal("no write_bytes in /proc/self/io")
	return 0
}

func median(d []time.Duration) float64 {
	slices.Sort(d)
	return d[len(d)/2].Seconds()
}

// benchCommit takes the medians of 256 commits in each round, and of the rounds the
// best. It warms up until the log has wrapped.
func benchCommit(b *testing.B) {
	c := newCommitting(b, 10)
	defer c.close()
	for range 2500 {
		c.round()
	}
	p, commits, flushes := newPair(), 0, c.j.State().Flushes
	c.written = 0
	for b.Loop() {
		c.ours, c.theirs = c.ours[:0], c.theirs[:0]
		for range 256 {
			c.round()
		}
		commits += 256
		p.ours, p.limit = min(p.ours, median(c.ours)), min(p.limit, median(c.theirs))
	}
	perCommit := float64(c.j.State().Flushes-flushes) / float64(commits)
	kB := float64(c.written) / float64(commits) / 1e3
	put(b, row{what: "commit of 10 scans x 10 channels, p50", unit: "us", ours: p.ours * 1e6, limit: p.limit * 1e6,
		of: "append + fdatasync of the same bytes", allocs: none, budget: "ratio <= 1.3", met: p.ours/p.limit <= 1.3})
	put(b, row{key: "transactions", what: "transactions per commit, sealing included", unit: "flushes", ours: perCommit, limit: none, allocs: none, budget: "<= 1.1", met: perCommit <= 1.1})
	put(b, row{key: "written", what: "written per commit, sealing included", unit: "kB", ours: kB, limit: none, allocs: none, budget: "<= 10", met: kB <= 10})
}

// benchReplay reads a sealed journal from disk, against reading and checking its bytes.
func benchReplay(b *testing.B) {
	const scans = 300_000
	dir := b.TempDir()
	fill(b, dir, scans, 10)
	report, err := journal.Inspect(dir)
	if err != nil {
		b.Fatal(err)
	}
	j, err := journal.Open(journal.Options{Dir: dir, Ballast: -1})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	table := crc32.MakeTable(crc32.Castagnoli)
	p, allocs := newPair(), 0.0
	for b.Loop() {
		p.round(func() {
			allocs = mallocs(func() {
				r := j.NewReader(1)
				defer r.Close()
				for range scans {
					if _, err := r.Next(b.Context()); err != nil {
						b.Fatal(err)
					}
				}
			})
		}, func() { checkAll(b, dir, table) })
	}
	put(b, row{what: "replay from disk, scans of 10 channels", unit: "Mscans/s", ours: scans / p.ours / 1e6, limit: scans / p.limit / 1e6,
		of: "sequential read and CRC32C of the files", allocs: allocs / scans / 10, budget: ">= 5", met: scans/p.ours >= 5e6})
	put(b, row{key: "stored", what: "stored value once sealed", unit: "B", ours: report.BytesPerValue, limit: 8, of: "a float64", allocs: none,
		budget: "<= 1.6", met: report.BytesPerValue <= 1.6})
}

func checkAll(t testing.TB, dir string, table *crc32.Table) (sum uint32) {
	files, err := filepath.Glob(filepath.Join(dir, "samples-*.db"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, name := range files {
		p, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		sum ^= crc32.Checksum(p, table)
	}
	return sum
}

// fillBytes makes a journal of at least so many MB; its codes are noise, since time
// goes by files and entries and not by what they mean.
func fillBytes(t testing.TB, dir string, mb int) (entries uint64) {
	j, err := journal.Open(journal.Options{Dir: dir, Sync: time.Hour, Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	s := &record.Sample{Layout: 1, Raw: make([]record.Raw, 64)}
	for j.State().Bytes < int64(mb)*1e6 {
		for range 10_000 {
			entries++
			for i := range s.Raw {
				s.Raw[i] = record.Raw{Has: record.HasCode, Code: int64(mix(entries*64+uint64(i)) >> 8)}
			}
			if _, err := j.Append(stamp(int64(entries)*1e8), s); err != nil {
				t.Fatal(err)
			}
			if entries%1000 == 0 {
				j.Commit()
				if err := j.WaitDurable(t.Context(), entries); err != nil {
					t.Fatal(err)
				}
			}
		}
		if size(t, dir) >= int64(mb)*1e6 {
			break
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return entries
}

// size is the bytes of all files in a folder.
func size(t testing.TB, dir string) (n int64) {
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if info, err := f.Info(); err == nil {
			n += info.Size()
		}
	}
	return n
}

// benchStart is a daemon's start until it tells READY=1, on a large journal against
// an empty one.
func benchStart(b *testing.B) {
	big := b.TempDir()
	entries := fillBytes(b, big, *startupMB)
	mb := float64(size(b, big)) / 1e6
	p := newPair()
	for b.Loop() {
		p.ours, p.limit = min(p.ours, ready(b, big)), min(p.limit, ready(b, b.TempDir()))
	}
	put(b, row{what: fmt.Sprintf("start to READY, journal of %.0f MB in %d entries", mb, entries), unit: "ms", ours: p.ours * 1e3, limit: p.limit * 1e3,
		of: "the same with no journal yet", allocs: none})
}

// ready starts a daemon on a journal and gives the time until READY=1.
func ready(t testing.TB, dir string) float64 {
	_, known := parse(t, 1, 1, time.Second)
	text := fmt.Sprintf("rig: t\nlisten: {grpc: \"unix:%s/s\", http: \"off\"}\njournal: {dir: %q}\nsources:\n  - {name: s, driver: quick, every: 1s, inputs: [{channel: a, port: SPI0.0}]}\nchannels: {a: {couple: K}}\n", t.TempDir(), dir)
	cfg, err := daemon.ParseConfig("t.yaml", []byte(text), known)
	if err != nil {
		t.Fatal(err)
	}
	return startTime(t, cfg, known)
}

func startTime(t testing.TB, cfg *daemon.Config, known []*drivers.Driver) float64 {
	told := make(chan time.Time, 1)
	var once sync.Once
	began := time.Now()
	d, err := daemon.Start(daemon.Options{Config: cfg, Drivers: known, Version: "speed", Notify: func(state string) {
		if strings.HasPrefix(state, "READY=1") {
			once.Do(func() { told <- time.Now() })
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	at := <-told
	if err := d.Stop(); err != nil {
		t.Error(err)
	}
	return at.Sub(began).Seconds()
}
