package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/daemon/record"
)

// codeError is an error with an SQLite result code, as the driver gives them.
type codeError int

func (e codeError) Error() string { return fmt.Sprintf("injected result code %d", int(e)) }
func (e codeError) Code() int     { return int(e) }

// faults injects errors by the name of the step.
type faults struct {
	mu sync.Mutex
	at map[string]error // guarded by mu
}

func (f *faults) set(op string, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.at == nil {
		f.at = make(map[string]error)
	}
	f.at[op] = err
}

func (f *faults) hook(op string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.at[op]
}

// events lists the journal's own source events up to the head.
func events(t testing.TB, j *Journal, from uint64) (states []string, texts string) {
	t.Helper()
	r := j.NewReader(from)
	for r.Seq() <= j.State().Head {
		e, err := r.Next(t.Context())
		if gap := (*GapError)(nil); errors.As(err, &gap) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if s, ok := e.Body.(*record.SourceEvent); ok && s.Source == "journal" {
			states = append(states, s.State)
			texts += s.Text + "\n"
		}
	}
	return states, texts
}

// TestCommitsRefusedAndTakenAgain is a disk that is full, read-only, locked or
// returns write errors for a while.
func TestCommitsRefusedAndTakenAgain(t *testing.T) {
	for _, c := range []struct {
		name string
		err  error
		text string
	}{
		{"full", codeError(sqliteFull), "disk is full"},
		{"write error", codeError(sqliteIOErr | 3<<8), "input/output error"},
		{"read-only", codeError(sqliteReadonly), "read-only"},
		{"locked", codeError(sqliteBusy), "locked"},
		{"something else", errors.New("no idea"), "no idea"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				var f faults
				opts := Options{Dir: dir, Ballast: 1 << 20}
				opts.tune.fault = f.hook
				j := open(t, opts)
				defer j.Close()
				j.restoreBallast()
				appendN(t, j, 1, 10)
				if err := j.WaitDurable(t.Context(), 10); err != nil {
					t.Fatal(err)
				}
				f.set("commit", c.err)
				appendN(t, j, 11, 10)
				time.Sleep(3 * time.Second) // the bubble's clock
				synctest.Wait()
				s := j.State()
				if s.Durable || s.Final || !strings.Contains(s.Text, c.text) || s.DurableThrough != 10 || s.Failures < 2 {
					t.Fatalf("while commits fail: %+v", s)
				}
				_, ballast := os.Stat(j.ballastPath())
				if dropped := errors.Is(ballast, os.ErrNotExist); dropped != (troubleOf(c.err) == troubleFull) {
					t.Errorf("ballast given up: %v", dropped)
				}
				if n, gaps := readTo(t, j.NewReader(1), 20, identity); n != 20 || gaps != nil {
					t.Errorf("readers get %d entries, gaps %v", n, gaps)
				}
				f.set("commit", nil)
				if err := j.WaitDurable(t.Context(), s.Head); err != nil {
					t.Fatal(err)
				}
				synctest.Wait()
				if s := j.State(); !s.Durable || s.Text != "" {
					t.Errorf("after recovery: %+v", s)
				}
				if states, texts := events(t, j, 1); fmt.Sprint(states) != "[failed recovered]" || !strings.Contains(texts, c.text) {
					t.Errorf("events %v: %s", states, texts)
				}
			})
		})
	}
}

// TestFailedSyncIsFinal: nothing after a failed sync is acknowledged, readers go
// on, and a restart begins behind every number that was streamed.
func TestFailedSyncIsFinal(t *testing.T) {
	dir := t.TempDir()
	var streamed uint64
	synctest.Test(t, func(t *testing.T) {
		var f faults
		opts := Options{Dir: dir, Ballast: -1}
		opts.tune.fault = f.hook
		j := open(t, opts)
		appendN(t, j, 1, 10)
		if err := j.WaitDurable(t.Context(), 10); err != nil {
			t.Fatal(err)
		}
		f.set("commit", codeError(sqliteIOErrFsync))
		appendN(t, j, 11, 10)
		if err := j.WaitDurable(t.Context(), 20); !errors.Is(err, ErrNotDurable) {
			t.Fatalf("waiting for a failed sync: %v", err)
		}
		f.set("commit", nil)
		appendN(t, j, 21, 10)
		time.Sleep(time.Minute) // the bubble's clock
		s := j.State()
		if s.Durable || !s.Final || s.DurableThrough != 10 || !strings.Contains(s.Text, "start soakd again") {
			t.Fatalf("after a failed sync: %+v", s)
		}
		r := j.NewReader(1)
		for r.Seq() <= s.Head {
			if _, err := r.Next(t.Context()); err != nil {
				t.Fatalf("reader at %d: %v", r.Seq(), err)
			}
		}
		streamed = s.Head
		if err := j.Close(); !errors.Is(err, ErrNotDurable) {
			t.Errorf("close: %v, want ErrNotDurable", err)
		}
	})
	j := open(t, Options{Dir: dir, Ballast: -1})
	defer j.Close()
	if s := j.State(); s.DurableThrough != 10 {
		t.Errorf("durable through %d after the restart, want 10", s.DurableThrough)
	}
	first, _ := appendN(t, j, 31, 1)
	if first <= streamed {
		t.Errorf("number %d was streamed before", first)
	}
}

// TestMemoryIsBoundedWhileTheDiskRefuses: what leaves memory before it is stored is
// a gap, for readers at once and in the journal after recovery.
func TestMemoryIsBoundedWhileTheDiskRefuses(t *testing.T) {
	var f faults
	opts := small(t.TempDir())
	opts.tune.fault = f.hook
	j := open(t, opts)
	defer j.Close()
	appendN(t, j, 1, 100)
	commit(t, j)
	f.set("commit", codeError(sqliteFull))
	slow := j.NewReader(101)
	serials := make(map[uint64]uint64) // the journal's own entries come in between
	for k := uint64(1); k <= 5100; k++ {
		if k <= 100 {
			serials[k] = k
			continue
		}
		seq, _ := appendN(t, j, k, 1)
		serials[seq] = k
	}
	last := j.State().Head
	j.Commit()
	for j.State().Failures == 0 {
		waitState(t, j)
	}
	s := j.State()
	if s.RingBytes > opts.RingBytes+largestChunk {
		t.Errorf("%d bytes in memory, limit %d", s.RingBytes, opts.RingBytes)
	}
	_, err := slow.Next(t.Context())
	var gap *GapError
	if !errors.As(err, &gap) || gap.Gap.From != 101 || gap.Gap.Cause != CauseNotStored {
		t.Fatalf("reader behind memory: %v", err)
	}
	f.set("commit", nil)
	commit(t, j)
	n, gaps := readTo(t, j.NewReader(1), last, func(seq uint64) (uint64, bool) { k, ok := serials[seq]; return k, ok })
	gone := 0 // in more than one gap, if a commit held a batch while memory moved on
	for _, g := range gaps {
		gone += int(g.To - g.From + 1)
		if g.Cause != CauseNotStored {
			t.Errorf("gap %+v", g)
		}
	}
	if len(gaps) == 0 || gaps[0].From != 101 || n+gone != int(last) {
		t.Errorf("%d entries, gaps %+v", n, gaps)
	}
	if got := j.State().Gaps; got != uint64(len(gaps)) {
		t.Errorf("%d gaps counted, %d seen", got, len(gaps))
	}
}

// waitState waits until the commit goroutine has had a turn.
func waitState(t testing.TB, j *Journal) {
	t.Helper()
	select {
	case <-time.After(time.Millisecond):
	case <-t.Context().Done():
		t.Fatal("test ended")
	}
}

func TestNumbersRunOut(t *testing.T) {
	var f faults
	opts := small(t.TempDir())
	opts.tune.fault = f.hook
	opts.tune.reserve = 100
	j := open(t, opts)
	defer j.Close()
	f.set("commit", codeError(sqliteFull))
	f.set("reserve", codeError(sqliteFull))
	appendN(t, j, 1, 100)
	if _, err := j.Append(entryFor(101)); !errors.Is(err, ErrNoSequence) {
		t.Fatalf("number 101: %v, want ErrNoSequence", err)
	}
	f.set("commit", nil)
	f.set("reserve", nil)
	commit(t, j)
	if _, err := j.Append(entryFor(101)); err != nil {
		t.Errorf("after recovery: %v", err)
	}
}

// TestSealThatReadsBackWrong: live rows stay when the block that replaces them is
// not what was packed.
func TestSealThatReadsBackWrong(t *testing.T) {
	opts := small(t.TempDir())
	opts.tune.spoil = func(blocks []sealBlock) { blocks[0].digest[0] ^= 1 }
	j := open(t, opts)
	defer j.Close()
	for k := uint64(1); k <= 3000; k += 100 {
		appendN(t, j, k, 100)
		commit(t, j)
	}
	said := func() bool {
		states, texts := events(t, j, 1)
		return len(states) > 0 && strings.Contains(texts, "differ")
	}
	for !said() {
		waitState(t, j)
	}
	if n, gaps := readTo(t, j.NewReader(1), 3000, func(seq uint64) (uint64, bool) { return seq, false }); n != 3000 || gaps != nil {
		t.Fatalf("%d entries, gaps %v", n, gaps)
	}
}

func TestOneProcessAtATime(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	if _, err := Open(Options{Dir: dir}); !errors.Is(err, ErrInUse) {
		t.Errorf("second open: %v, want ErrInUse", err)
	}
	j.Close()
	open(t, Options{Dir: dir}).Close()
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(Options{Dir: file}); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("folder that is a file: %v", err)
	}
	if _, err := Open(Options{}); err == nil {
		t.Error("no folder was accepted")
	}
}

// TestClockSteps: a board without a battery clock wakes days in the past, is
// synchronised, then stepped 90 s back. No entry is lost or reordered.
func TestClockSteps(t *testing.T) {
	opts := small(t.TempDir())
	j := open(t, opts)
	day := int64(24 * time.Hour)
	wall := int64(1_780_000_000_000_000_000)
	stamps := make(map[uint64]record.Stamp)
	offset, synced := -3*day, false
	for i := range int64(3000) {
		at := record.Stamp{Boot: record.BootID{9}, BootNS: i * 1e8, WallNS: wall + offset + i*1e8, Synced: synced}
		var body record.Body = &record.Sample{Layout: 1, Raw: []record.Raw{{Has: record.HasCode, Code: i}}}
		if i == 1000 || i == 2000 {
			step := 3 * day
			if i == 2000 {
				step = -90e9
			}
			offset, synced = offset+step, true
			at.WallNS, at.Synced = at.WallNS+step, true
			body = &record.ClockStep{StepNS: step, Synced: true}
		}
		seq, err := j.Append(at, body)
		if err != nil {
			t.Fatal(err)
		}
		stamps[seq] = at
		if i%50 == 49 {
			commit(t, j)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, opts)
	defer j.Close()
	r := j.NewReader(1)
	var first record.Stamp
	for seq := uint64(1); seq <= 3000; seq++ {
		e, err := r.Next(t.Context())
		if err != nil || e.Seq != seq || e.At != stamps[seq] {
			t.Fatalf("entry %d: %+v, %v", seq, e, err)
		}
		if seq == 1 {
			first = e.At
		}
		if d, ok := e.At.Sub(first); !ok || d != time.Duration(seq-1)*100*time.Millisecond {
			t.Fatalf("entry %d is %v after the first", seq, d)
		}
	}
}

// workersIdle waits until every file but the active one is finished.
func (j *Journal) workersIdle() {
	for {
		busy := false
		j.filesMu.Lock()
		for _, f := range j.files[:len(j.files)-1] {
			f.mu.RLock()
			busy = busy || !f.finished
			f.mu.RUnlock()
		}
		j.filesMu.Unlock()
		if !busy {
			return
		}
		runtime.Gosched()
	}
}
