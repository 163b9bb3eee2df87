package journal

import (
	"errors"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"soakrig/daemon/record"
)

func TestRetentionBySizeAndPins(t *testing.T) {
	opts := small(t.TempDir())
	opts.MaxBytes = 400 << 10
	var low atomic.Bool
	opts.tune.disk = func(string) (disk, error) {
		if low.Load() {
			return disk{total: 100 << 20, free: 9 << 20}, nil
		}
		return disk{total: 100 << 20, free: 50 << 20}, nil
	}
	j := open(t, opts)
	defer j.Close()
	write := func(from, to uint64) {
		for k := from; k <= to; k += 250 {
			appendN(t, j, k, 250)
			commit(t, j)
			sealedUp(t, j)
		}
	}
	write(1, 20_000)
	j.workersIdle()
	j.measure()
	first, all := j.files[0].bytes.Load(), j.State().Bytes
	j.opts.PinBytes = (first + all) / 2 // how large a file becomes is up to the machine
	if err := j.Pin("run-1", 1, 500); err != nil {
		t.Fatal(err)
	}
	if err := j.Pin("all", 1, 0); !errors.Is(err, ErrPinCap) {
		t.Errorf("a pin of everything: %v, want ErrPinCap", err)
	}
	write(20_001, 40_000)
	j.workersIdle()
	j.measure()
	j.retain()
	s := j.State()
	if s.Bytes > opts.MaxBytes && s.Files > 2 { // the pinned file and the active one with its log
		t.Errorf("%d bytes in %d files, limit %d", s.Bytes, s.Files, opts.MaxBytes)
	}
	if err := j.retire(j.files[0], "chosen before it was pinned", false); err != nil {
		t.Error(err)
	}
	serial := func(seq uint64) (uint64, bool) { return 0, false }
	n, gaps := readTo(t, j.NewReader(1), 500, serial)
	if n != 500 || gaps != nil {
		t.Errorf("the pinned range has %d entries, gaps %v", n, gaps)
	}
	_, gaps = readTo(t, j.NewReader(1), s.Head, serial)
	if len(gaps) == 0 || gaps[0].Cause != CauseRetention {
		t.Errorf("gaps %v, want retention", gaps)
	}
	if err := j.Unpin("run-1"); err != nil {
		t.Fatal(err)
	}
	low.Store(true)
	j.measure()
	j.retain()
	if got := j.State().Oldest; got <= 500 {
		t.Errorf("oldest %d after unpinning", got)
	}
	if j.NewReader(0).Seq() != j.State().Oldest {
		t.Error("a reader from 0 does not start at the oldest")
	}
	left, err := filepath.Glob(filepath.Join(opts.Dir, "samples-*"))
	if err != nil || len(left) > 3*j.State().Files {
		t.Errorf("files left: %v %v", left, err)
	}
}

func TestRetentionByRoomNeverTakesTheActiveFile(t *testing.T) {
	opts := small(t.TempDir())
	room := disk{total: 100 << 20, free: 50 << 20}
	var mu sync.Mutex
	opts.tune.disk = func(string) (disk, error) {
		mu.Lock()
		defer mu.Unlock()
		return room, nil
	}
	j := open(t, opts)
	defer j.Close()
	for k := uint64(1); k <= 20_000; k += 250 {
		appendN(t, j, k, 250)
		commit(t, j)
		sealedUp(t, j)
	}
	j.measure()
	j.retain()
	if s := j.State(); s.Oldest != 1 || s.RefuseRuns {
		t.Errorf("with room: %+v", s)
	}
	mu.Lock()
	room.free = 4 << 20
	mu.Unlock()
	j.measure()
	j.retain()
	s := j.State()
	if s.Files != 1 || !s.RefuseRuns {
		t.Errorf("without room: %d files, refuse %v", s.Files, s.RefuseRuns)
	}
	appendN(t, j, 20_001, 10)
	commit(t, j)
}

func TestRetentionByAgeTrustsOnlyASynchronisedClock(t *testing.T) {
	opts := small(t.TempDir())
	opts.Keep = time.Hour
	j := open(t, opts)
	defer j.Close()
	for k := uint64(1); k <= 20_000; k += 230 { // none of the ends is an entry whose clock is not synchronised
		appendN(t, j, k, 230)
		commit(t, j)
		sealedUp(t, j)
	}
	j.workersIdle()
	at, body := entryFor(1)
	at.WallNS += int64(1000 * time.Hour)
	at.Synced = false
	if _, err := j.Append(at, body); err != nil {
		t.Fatal(err)
	}
	j.retain()
	if s := j.State(); s.Oldest != 1 {
		t.Errorf("oldest %d: a clock that is not synchronised retired files", s.Oldest)
	}
	at.Synced = true
	if _, err := j.Append(at, body); err != nil {
		t.Fatal(err)
	}
	j.retain()
	if s := j.State(); s.Oldest == 1 {
		t.Error("old files stay")
	}
}

// TestRetentionKeepsWhatAWrongClockCallsOld: a board wakes in 1970, fills files, and is
// told the time: its samples are of this morning, and stay until something synchronised
// behind them has reached its age.
func TestRetentionKeepsWhatAWrongClockCallsOld(t *testing.T) {
	opts := small(t.TempDir())
	opts.Keep = time.Hour
	j := open(t, opts)
	defer j.Close()
	const wall = int64(1_780_000_000_000_000_000)
	serial := int64(0)
	fill := func(n int, offset int64, synced bool) {
		for range n / 250 {
			for range 250 {
				serial++
				_, body := entryFor(uint64(serial))
				at := record.Stamp{Boot: record.BootID{9}, BootNS: serial * 1e8, WallNS: offset + serial*1e8, Synced: synced}
				if _, err := j.Append(at, body); err != nil {
					t.Fatal(err)
				}
			}
			commit(t, j)
			sealedUp(t, j)
		}
		j.workersIdle()
	}
	fill(20_000, 0, false)
	j.measure()
	unsynced := j.State()
	fill(250, wall, true)
	j.measure()
	j.retain()
	if s := j.State(); s.Oldest != 1 || unsynced.Files < 3 {
		t.Fatalf("oldest %d of %d files: samples of this morning were retired as if of 1970", s.Oldest, unsynced.Files)
	}
	fill(20_000, wall, true)
	fill(250, wall+int64(20*time.Minute), true)
	j.retain()
	if s := j.State(); s.Oldest != 1 {
		t.Errorf("oldest %d: retired before its age", s.Oldest)
	}
	fill(250, wall+int64(2*time.Hour), true)
	j.retain()
	if s := j.State(); s.Oldest < 20_000 {
		t.Errorf("oldest %d: what lies before entries beyond their age stays", s.Oldest)
	}
}
