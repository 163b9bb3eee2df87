package journal

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/daemon/record"
)

// entryFor is the content that tests store under a serial number k: everything
// about it can be made again from k.
func entryFor(k uint64) (record.Stamp, record.Body) {
	at := record.Stamp{
		Boot:   record.BootID{byte(k / 5000), 1},
		BootNS: int64(k)*100_000_000 + int64(mix(k)%50_000),
		WallNS: 1_780_000_000_000_000_000 + int64(k)*100_000_000,
		Synced: k%1000 > 20,
	}
	if k%97 == 0 {
		return at, &record.Mark{Text: fmt.Sprintf("mark %d", k), Author: "bench"}
	}
	s := &record.Sample{Layout: 1, Source: uint16(k % 3), Raw: make([]record.Raw, 10)}
	for i := range s.Raw {
		r := &s.Raw[i]
		*r = record.Raw{Has: record.HasCode | record.HasCold, AgeUS: int32(i * 100), Code: int64(k), Cold: 400 + int64(k/5000)}
		r.Code = int64(5000+100*i) + int64(k/50) + int64(mix(k*16+uint64(i))%9)
		if mix(k*16+uint64(i))%1000 == 7 {
			*r = record.Raw{Faults: record.Open}
		}
	}
	return at, s
}

func mix(x uint64) uint64 {
	x ^= x >> 33
	x *= 0xff51afd7ed558ccd
	x ^= x >> 33
	x *= 0xc4ceb9fe1a85ec53
	return x ^ x>>33
}

func sameBody(a, b record.Body) bool { return reflect.DeepEqual(a, b) }

// crashes holds, for each journal that open has opened, the switch that crash throws.
var crashes sync.Map

func open(t testing.TB, opts Options) *Journal {
	t.Helper()
	crashed, inner := new(atomic.Bool), opts.tune.fault
	opts.tune.fault = func(op string) error {
		switch {
		case crashed.Load():
			return errors.New("crashed")
		case inner != nil:
			return inner(op)
		}
		return nil
	}
	j, err := Open(opts)
	if err != nil {
		t.Fatal(err)
	}
	crashes.Store(j, crashed)
	return j
}

func appendN(t testing.TB, j *Journal, from, n uint64) (first, last uint64) {
	t.Helper()
	for k := from; k < from+n; k++ {
		at, body := entryFor(k)
		seq, err := j.Append(at, body)
		if err != nil {
			t.Fatalf("append %d: %v", k, err)
		}
		if first == 0 {
			first = seq
		}
		last = seq
	}
	return first, last
}

func commit(t testing.TB, j *Journal) {
	t.Helper()
	j.Commit()
	if err := j.WaitDurable(t.Context(), j.State().Head); err != nil {
		t.Fatal(err)
	}
}

// readTo reads up to a number and checks that entry seq holds what serial(seq)
// generates; serial gives false for entries of the journal's own.
func readTo(t testing.TB, r *Reader, to uint64, serial func(seq uint64) (uint64, bool)) (entries int, gaps []record.Gap) {
	t.Helper()
	for r.Seq() <= to {
		want := r.Seq()
		e, err := r.Next(t.Context())
		var gap *GapError
		if errors.As(err, &gap) {
			if gap.Gap.From != want || gap.Gap.To < want || r.Seq() != gap.Gap.To+1 {
				t.Fatalf("gap %+v at %d, then %d", gap.Gap, want, r.Seq())
			}
			gaps = append(gaps, gap.Gap)
			continue
		}
		if err != nil {
			t.Fatalf("entry %d: %v", want, err)
		}
		if e.Seq != want {
			t.Fatalf("entry %d, want %d", e.Seq, want)
		}
		entries++
		k, ok := serial(e.Seq)
		if !ok {
			continue
		}
		at, body := entryFor(k)
		if e.At != at || !sameBody(e.Body, body) {
			t.Fatalf("entry %d holds %+v %+v, want %+v %+v", e.Seq, e.At, e.Body, at, body)
		}
	}
	return entries, gaps
}

func identity(seq uint64) (uint64, bool) { return seq, true }

func TestAppendIsSeenAtOnceAndDurableAfterCommit(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		j := open(t, Options{Dir: dir})
		defer j.Close()
		r := j.NewReader(0)
		if r.Buffered() {
			t.Error("an empty journal has something to read")
		}
		appendN(t, j, 1, 5)
		s := j.State()
		if s.Head != 5 || s.DurableThrough != 0 || s.Oldest != 1 || !s.Durable {
			t.Errorf("before the commit: %+v", s)
		}
		if n, gaps := readTo(t, r, 5, identity); n != 5 || gaps != nil {
			t.Errorf("%d entries, gaps %v", n, gaps)
		}
		began := time.Now()
		if err := j.WaitDurable(t.Context(), 5); err != nil {
			t.Fatal(err)
		}
		if waited := time.Since(began); waited > time.Second {
			t.Errorf("durable after %v, want at most one sync interval", waited)
		}
		if s := j.State(); s.DurableThrough != 5 || s.Flushes != 1 {
			t.Errorf("after the commit: %+v", s)
		}
	})
}

func TestReaderWaitsAtTheHead(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		j := open(t, Options{Dir: dir})
		r := j.NewReader(1)
		got := make(chan error, 1)
		go func() {
			for want := uint64(1); want <= 3; want++ {
				e, err := r.Next(t.Context())
				if err == nil && e.Seq != want {
					err = fmt.Errorf("entry %d, want %d", e.Seq, want)
				}
				if err != nil {
					got <- err
					return
				}
			}
			_, err := r.Next(t.Context())
			got <- err
		}()
		synctest.Wait()
		appendN(t, j, 1, 3)
		synctest.Wait()
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if err := <-got; !errors.Is(err, ErrClosed) {
			t.Errorf("after close: %v, want ErrClosed", err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := j.Append(record.Stamp{}, &record.Mark{}); !errors.Is(err, ErrClosed) {
			t.Errorf("append after close: %v", err)
		}
		if err := j.WaitDurable(ctx, 99); !errors.Is(err, ErrClosed) {
			t.Errorf("wait after close: %v", err)
		}
	})
}

func TestCleanCloseContinuesTheNumbers(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	id := j.ID()
	appendN(t, j, 1, 1000)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, Options{Dir: dir})
	defer j.Close()
	if s := j.State(); s.ID != id || s.Head != 1000 || s.DurableThrough != 1000 || s.Oldest != 1 || s.Gaps != 0 {
		t.Fatalf("after a clean restart: %+v", s)
	}
	if first, _ := appendN(t, j, 1001, 10); first != 1001 {
		t.Errorf("first number %d, want 1001", first)
	}
	if n, gaps := readTo(t, j.NewReader(1), 1010, identity); n != 1010 || gaps != nil {
		t.Errorf("%d entries, gaps %v", n, gaps)
	}
}

// crash leaves a journal as a killed process does: nothing is committed or marked.
func crash(j *Journal) {
	j.mu.Lock()
	j.closed = true
	j.mu.Unlock()
	crashed, ok := crashes.LoadAndDelete(j)
	if !ok {
		panic("crash wants a journal that open has opened")
	}
	crashed.(*atomic.Bool).Store(true)
	close(j.stop)
	<-j.done
	j.cancel()
	j.workers.Wait()
	for _, f := range j.files {
		f.shut()
	}
	j.w.abandon()
	if j.records.conn != nil {
		_ = keepLog(j.records.conn)
	}
	j.records.close()
	j.lock.Close()
}

func TestUncleanStopJumpsAndSaysSo(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, Sync: time.Hour})
	appendN(t, j, 1, 100)
	commit(t, j)
	_, streamed := appendN(t, j, 101, 50) // seen by readers, never committed
	ceiling := j.State().Reserved
	crash(j)

	j = open(t, Options{Dir: dir})
	defer j.Close()
	if s := j.State(); s.Head != 100 || s.DurableThrough != 100 {
		t.Fatalf("after the crash: %+v", s)
	}
	at, body := entryFor(7)
	seq, err := j.Append(at, body)
	if err != nil {
		t.Fatal(err)
	}
	if seq <= streamed || seq != ceiling+2 {
		t.Errorf("number %d, want %d: behind the reserve and the gap entry", seq, ceiling+2)
	}
	r := j.NewReader(1)
	n, gaps := readTo(t, r, 100, identity)
	if n != 100 || gaps != nil {
		t.Errorf("%d entries, gaps %v", n, gaps)
	}
	_, err = r.Next(t.Context())
	var gap *GapError
	if !errors.As(err, &gap) || gap.Gap.From != 101 || gap.Gap.To != ceiling || gap.Gap.Cause != CauseUncleanStop {
		t.Fatalf("behind entry 100: %v, want the gap to %d", err, ceiling)
	}
	e, err := r.Next(t.Context())
	g, ok := e.Body.(*record.Gap)
	if err != nil || !ok || g.From != 101 || g.To != ceiling || g.Cause != CauseUncleanStop {
		t.Fatalf("entry behind the gap: %+v, %v", e.Body, err)
	}
	if e, err = r.Next(t.Context()); err != nil || !sameBody(e.Body, body) {
		t.Fatalf("entry behind the gap entry: %+v, %v", e.Body, err)
	}
}

func small(dir string) Options {
	return Options{Dir: dir, Sync: time.Hour, RingBytes: 64 << 10, Ballast: -1, tune: tuning{maintain: time.Hour, sealRows: 8, rotateBytes: 100 << 10, reserve: 1 << 20}}
}

func TestSealRotateAndReadFromDisk(t *testing.T) {
	dir := t.TempDir()
	j := open(t, small(dir))
	for k := uint64(1); k <= 40_000; k += 250 {
		appendN(t, j, k, 250)
		commit(t, j)
	}
	s := j.State()
	if n, gaps := readTo(t, j.NewReader(1), s.Head, identity); n != 40_000 || gaps != nil {
		t.Fatalf("%d entries, gaps %v", n, gaps)
	}
	if n, _ := readTo(t, j.NewReader(12_345), 12_400, identity); n != 56 {
		t.Errorf("%d entries from the middle", n)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, small(dir))
	defer j.Close()
	if len(j.files) < 3 {
		t.Errorf("%d files, want several", len(j.files))
	}
	if n, gaps := readTo(t, j.NewReader(0), s.Head, identity); n != 40_000 || gaps != nil {
		t.Fatalf("after a restart: %d entries, gaps %v", n, gaps)
	}
	for i, f := range j.files[:len(j.files)-1] {
		f.mu.RLock()
		if !f.finished {
			t.Errorf("file %d is not finished", i)
		}
		f.mu.RUnlock()
	}
}
