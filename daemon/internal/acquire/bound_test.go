package acquire

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/daemon/internal/config"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
	"soakrig/drivers"
)

// TestBounded: reads that share a deadline have between a period and one second and a
// period and two; one that has passed or a context that has ended is not used again.
func TestBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		s := &source{every: int64(100 * time.Millisecond)}
		whole := readTimeout(s.every)
		seen := map[time.Time]bool{}
		for range 50 { // 5 s
			bound := s.bounded(ctx)
			at, ok := bound.Deadline()
			left := time.Until(at)
			if !ok || left > whole || left <= whole-shareBound {
				t.Fatalf("a read has %v, want at most %v and no less than a second below", left, whole)
			}
			seen[at] = true
			time.Sleep(100 * time.Millisecond)
		}
		if len(seen) != 5 {
			t.Errorf("%d deadlines in 5 s, want one a second", len(seen))
		}
		time.Sleep(time.Minute) // a read that hung
		if s.bounded(ctx).Err() != nil {
			t.Error("a deadline that has passed is used again")
		}
		s.unbind()
		if s.bounded(ctx).Err() != nil {
			t.Error("a context that has ended is used again")
		}
		cancel()
		if s.bounded(ctx).Err() == nil {
			t.Error("a read outlives the stop")
		}
	})
}

// TestReadDoesNotAllocate: a read that changes nothing about its source.
func TestReadDoesNotAllocate(t *testing.T) {
	s := &script{read: good}
	known := []*drivers.Driver{s.driver()}
	c, err := config.Parse("t.yaml", []byte(twoBuses), known)
	if err != nil {
		t.Fatal(err)
	}
	a, err := New(t.Context(), Options{Config: c, Drivers: known, Clock: rigtime.NewElapsed(record.BootID{}), Journal: discard{}})
	if err != nil {
		t.Fatal(err)
	}
	g := a.groups()[1]
	if n := testing.AllocsPerRun(200, func() {
		if err := g.read(t.Context(), g.members[0]); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("a read allocates %v times", n)
	}
}

// TestAdvance: the next deadline after a read of a source with a period of 100, in
// parts of a period: when the read began and ended, counted from its own deadline.
func TestAdvance(t *testing.T) {
	for _, c := range []struct {
		began, ended, next int64
		late               uint64
	}{
		{0, 1, 100, 0},
		{0, 60, 100, 0},    // a slow bus keeps its period
		{0, 120, 100, 0},   // read again at once: 120 after the last
		{0, 151, 200, 1},   // missed by more than half a period
		{40, 45, 100, 0},   // woken late: the next comes 60 after
		{60, 65, 200, 1},   // would come 40 after
		{98, 99, 200, 1},   // would come at once
		{130, 140, 200, 1}, // a deadline was missed in the waiting
		{160, 161, 300, 2}, // and the next comes too soon
		{1000, 1001, 1100, 10},
	} {
		m := &member{source: &source{every: 100}}
		m.advance(c.began, c.ended)
		if m.next != c.next || m.source.state.Late != c.late {
			t.Errorf("read from %d to %d: next %d, %d skipped; want %d, %d", c.began, c.ended, m.next, m.source.state.Late, c.next, c.late)
		}
	}
}
