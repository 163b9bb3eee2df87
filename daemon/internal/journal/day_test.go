package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"soakrig/daemon/record"
)

// TestDay is hours (24 in its long form) of a rig with 10 channels at 10 Hz, as fast as the machine goes,
// with a reader that follows, one that starts again and again and one that stalls:
// memory, descriptors, goroutines and files stay flat.
func TestDay(t *testing.T) {
	opts := Options{Dir: t.TempDir(), Sync: time.Hour, RingBytes: 1 << 20, MaxBytes: 1 << 20, Ballast: -1}
	opts.tune.rotateBytes = 256 << 10
	opts.tune.sealRows = 32
	j := open(t, opts)
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	var seen atomic.Uint64
	wg.Go(func() { follow(ctx, t, j.NewReader(1), func(e record.Entry) { seen.Store(e.Seq) }) })
	wg.Go(func() {
		for ctx.Err() == nil {
			r, left := j.NewReader(0), 5000
			short, stop := context.WithCancel(ctx)
			follow(short, t, r, func(record.Entry) {
				if left--; left == 0 {
					stop()
				}
			})
			stop()
		}
	})
	stalled := j.NewReader(1)
	n := uint64(*hours) * 36_000
	{
		var before flat
		for k := uint64(1); k <= n; k += 200 {
			appendN(t, j, k, 200)
			commit(t, j)
			if k%20_000 == 1 {
				j.measure()
				j.retain()
			}
			if k == n/4/200*200+1 {
				before = measureFlat(t, j)
			}
		}
		after := measureFlat(t, j)
		t.Logf("%d h: after a quarter %+v, at the end %+v, state %+v", *hours, before, after, j.State())
		if after.heap > before.heap+2<<20 || after.descriptors > before.descriptors+8 || after.goroutines > before.goroutines+10 || after.files > before.files+4 {
			t.Errorf("not flat: %+v, then %+v", before, after)
		}
		_, err := stalled.Next(t.Context())
		if gap := (*GapError)(nil); !errors.As(err, &gap) || gap.Gap.Cause != CauseRetention {
			t.Errorf("the stalled reader got %v, want a gap by retention", err)
		}
		for seen.Load() < j.State().Head {
			waitState(t, j)
		}
	}
	cancel()
	wg.Wait()
	if err := j.Close(); err != nil {
		t.Error(err)
	}
}

// follow reads until the context ends and holds that numbers only go up by one or
// by a gap.
func follow(ctx context.Context, t *testing.T, r *Reader, each func(record.Entry)) {
	want := r.Seq()
	for {
		e, err := r.Next(ctx)
		if gap := (*GapError)(nil); errors.As(err, &gap) {
			want = gap.Gap.To + 1
			continue
		}
		if err != nil {
			if ctx.Err() == nil {
				t.Error(err)
			}
			return
		}
		if e.Seq != want {
			t.Errorf("entry %d, want %d", e.Seq, want)
			return
		}
		want++
		each(e)
	}
}

type flat struct {
	heap                           uint64
	descriptors, goroutines, files int
}

// flatLooks is how often measureFlat looks. Readers and the workers that seal and
// finish files hold what they are just reading: what all looks find is what stays.
const flatLooks = 12

func measureFlat(t *testing.T, j *Journal) flat {
	t.Helper()
	var least flat
	for i := range flatLooks {
		j.workersIdle()
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		fds, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			t.Fatal(err)
		}
		files, err := os.ReadDir(j.opts.Dir)
		if err != nil {
			t.Fatal(err)
		}
		now := flat{m.HeapAlloc, len(fds), runtime.NumGoroutine(), len(files)}
		if i == 0 {
			least = now
		}
		least = flat{min(least.heap, now.heap), min(least.descriptors, now.descriptors), min(least.goroutines, now.goroutines), min(least.files, now.files)}
	}
	return least
}

// TestManyAtOnce appends from several goroutines while several readers read: every
// number once, every entry whole.
func TestManyAtOnce(t *testing.T) {
	opts := small(t.TempDir())
	opts.Sync = time.Millisecond
	opts.RingBytes = 1 << 20
	j := open(t, opts)
	const writers, each = 4, 600
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				text := fmt.Sprintf("%d/%d", w, i)
				if _, err := j.Append(record.Stamp{BootNS: int64(i)}, &record.Mark{Text: text}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for range 3 {
		wg.Go(func() {
			r := j.NewReader(1)
			var next [writers]int
			for range writers * each {
				e, err := r.Next(t.Context())
				if err != nil {
					t.Error(err)
					return
				}
				var w, i int
				if _, err := fmt.Sscanf(e.Body.(*record.Mark).Text, "%d/%d", &w, &i); err != nil || i != next[w] {
					t.Errorf("entry %d: %v, want %d", e.Seq, e.Body, next[w])
					return
				}
				next[w]++
			}
		})
	}
	wg.Wait()
	if err := j.Close(); err != nil {
		t.Error(err)
	}
}

// TestUnknownEntries is an older build that meets entries of a newer one, from
// memory and from disk, and seals them without losing their bytes.
func TestUnknownEntries(t *testing.T) {
	opts := small(t.TempDir())
	opts.tune.sealRows = 2
	j := open(t, opts)
	const n = 50
	for i := range n {
		j.mu.Lock()
		j.scratch = append(j.scratch[:0], 77, 1, byte(i))
		if _, err := j.appendEncoded(record.Stamp{BootNS: int64(i)}); err != nil {
			t.Fatal(err)
		}
		j.mu.Unlock()
		commit(t, j)
	}
	check := func(j *Journal) {
		t.Helper()
		r := j.NewReader(1)
		for i := range n {
			e, err := r.Next(t.Context())
			u, ok := e.Body.(*record.Unknown)
			if err != nil || !ok || u.Number != 77 || e.At.BootNS != int64(i) {
				t.Fatalf("entry %d: %+v %v", e.Seq, e.Body, err)
			}
		}
	}
	check(j)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, opts)
	defer j.Close()
	check(j)
	if got := j.State().Unknown; got != n {
		t.Errorf("%d unknown entries counted, want %d", got, n)
	}
	rep, err := Inspect(opts.Dir)
	if err != nil || rep.Unknown != n {
		t.Errorf("%+v %v", rep, err)
	}
}

// TestNothingIsLeftRunning closes a busy journal and looks for what stays.
func TestNothingIsLeftRunning(t *testing.T) {
	dir := t.TempDir()
	opts := small(dir)
	j := open(t, opts)
	for k := uint64(1); k <= 3000; k += 100 {
		appendN(t, j, k, 100)
		commit(t, j)
	}
	readTo(t, j.NewReader(1), 3000, identity)
	ctx, cancel := context.WithCancel(t.Context())
	r := j.NewReader(3001)
	gone := make(chan error)
	go func() { _, err := r.Next(ctx); gone <- err }()
	cancel()
	if err := <-gone; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	j.mu.Lock()
	if len(j.waiting) != 0 {
		t.Errorf("%d readers wait", len(j.waiting))
	}
	j.mu.Unlock()
	closed := j.NewReader(1)
	closed.Close()
	if _, err := closed.Next(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("a closed reader: %v", err)
	}
	if err := errors.Join(j.Close(), j.Close()); err != nil {
		t.Fatal(err)
	}
	for range 100 { // goroutines of database/sql end a moment after Close
		runtime.Gosched()
		waitState(t, j)
		buf := make([]byte, 1<<20)
		if s := string(buf[:runtime.Stack(buf, true)]); !strings.Contains(s, "soakrig/daemon/internal/journal.(*Journal)") {
			break
		}
	}
	buf := make([]byte, 1<<20)
	if s := string(buf[:runtime.Stack(buf, true)]); strings.Contains(s, "journal.(*Journal).run(") || strings.Contains(s, "journal.(*Journal).maintain(") {
		t.Errorf("goroutines are left:\n%s", s)
	}
	fds, err := filepath.Glob("/proc/self/fd/*")
	if err != nil {
		t.Fatal(err)
	}
	for _, fd := range fds {
		if to, err := os.Readlink(fd); err == nil && strings.HasPrefix(to, dir) {
			t.Errorf("descriptor left open: %s", to)
		}
	}
}
