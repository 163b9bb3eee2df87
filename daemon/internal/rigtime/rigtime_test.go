package rigtime

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/daemon/record"
)

func TestParseBootID(t *testing.T) {
	b, err := ParseBootID("3f2504e0-4f89-11d3-9a0c-0305e82c3301")
	if err != nil || b.String() != "3f2504e04f8911d39a0c0305e82c3301" {
		t.Errorf("%v, %v", b, err)
	}
	for _, bad := range []string{"", "3f", "3f2504e0-4f89-11d3-9a0c-0305e82c330g", "3f2504e04f8911d39a0c0305e82c330101"} {
		if b, err := ParseBootID(bad); err == nil {
			t.Errorf("%q: accepted as %v", bad, b)
		}
	}
}

func TestBoard(t *testing.T) {
	c, err := NewBoard()
	if err != nil {
		t.Fatal(err)
	}
	a, b := c.Now(), c.Now()
	if d, same := b.Sub(a); !same || d < 0 {
		t.Errorf("time runs back: %v, same boot %v", d, same)
	}
	if a.Boot == (record.BootID{}) {
		t.Error("no boot identity")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := c.Tick(ctx, a.BootNS+int64(time.Hour)); err == nil {
		t.Error("a cancelled wait returns no error")
	}
	if err := c.SleepUntil(t.Context(), a.BootNS); err != nil {
		t.Errorf("deadline in the past: %v", err)
	}
}

func TestSyncMark(t *testing.T) {
	mark := filepath.Join(t.TempDir(), "synchronized")
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	if syncMarked(mark, now) {
		t.Error("no mark counts as synchronised")
	}
	if err := os.WriteFile(mark, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for age, want := range map[time.Duration]bool{0: true, time.Minute: true, 8 * time.Hour: true, 9 * time.Hour: false, 48 * time.Hour: false, -time.Minute: true} {
		if err := os.Chtimes(mark, now.Add(-age), now.Add(-age)); err != nil {
			t.Fatal(err)
		}
		if got := syncMarked(mark, now); got != want {
			t.Errorf("synchronised %v ago: %v, want %v", age, got, want)
		}
	}
}

// TestTogether: a process that is put aside between its looks at two clocks for most of
// a second does not see the one jump against the other.
func TestTogether(t *testing.T) {
	const apart = int64(1e18)
	for _, pauses := range [][]int64{
		{0}, {100e3, 100e3}, {700e6, 0}, {0, 700e6, 0}, {400e6, 500e6, 20e3, 10e3},
		{700e6, 700e6, 2e6, 2e6, 700e6, 700e6, 700e6, 700e6, 700e6, 700e6, 700e6, 700e6, 700e6, 700e6, 700e6, 700e6, 700e6},
	} {
		now, looks := int64(5e9), 0
		pass := func() {
			if looks < len(pauses) {
				now += pauses[looks]
			}
			looks++
		}
		boot := func() int64 { at := now; pass(); return at }
		wall := func() time.Time { at := now; pass(); return time.Unix(0, apart+at) }
		b, w := together(boot, wall)
		if off := w - b - apart; off > 3e6 || off < -3e6 {
			t.Errorf("pauses %v: the clocks seem %v off", pauses, time.Duration(off))
		}
	}
}

// TestSetWall: the wall clock steps, rig time does not.
func TestSetWall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPaced(1, record.BootID{1}, time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC))
		defer c.Close()
		a := c.Now()
		c.SetWall(-time.Hour, false)
		b := c.Now()
		c.SetWall(25*365*24*time.Hour, true)
		d := c.Now()
		if !a.Synced || b.Synced || !d.Synced || b.BootNS != a.BootNS || d.BootNS != a.BootNS ||
			b.WallNS != a.WallNS-int64(time.Hour) || d.WallNS != b.WallNS+int64(25*365*24*time.Hour) {
			t.Errorf("%+v\n%+v\n%+v", a, b, d)
		}
	})
}

// TestPacedHolds checks that a held clock stands still and that deadlines are met
// exactly and in order, whatever the readers take.
func TestPacedHolds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPaced(100, record.BootID{1}, time.Date(2030, 1, 2, 0, 0, 0, 0, time.UTC))
		defer c.Close()
		const n = 50
		var wg sync.WaitGroup
		for _, period := range []time.Duration{500 * time.Millisecond, 700 * time.Millisecond} {
			wg.Go(func() {
				for i := range n {
					at := int64(i+1) * int64(period)
					done, err := c.Tick(t.Context(), at)
					if err != nil {
						t.Error(err)
						return
					}
					before := c.Now().BootNS
					time.Sleep(3 * time.Millisecond) // a slow read: 0.3 s of rig time if the clock ran
					if now := c.Now().BootNS; now != before || now != at {
						t.Errorf("tick at %d: read began at %d and ended at %d", at, before, now)
					}
					done()
				}
			})
		}
		wg.Wait()
	})
}

// TestPacedRetick: on a machine that can't keep up, the clock has no time to wait in, and
// whoever goes from one tick to the next is still never late.
func TestPacedRetick(t *testing.T) {
	c := NewPaced(1e15, record.BootID{1}, time.Unix(0, 0))
	defer c.Close()
	const n = 2000
	periods := []time.Duration{20 * time.Millisecond, 50 * time.Millisecond, 7 * time.Millisecond}
	held := make([]func(), len(periods))
	for i := range periods {
		done, err := c.Tick(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		held[i] = done
	}
	var wg sync.WaitGroup
	for i, period := range periods {
		wg.Go(func() {
			defer held[i]()
			for k := range int64(n) {
				at := (k + 1) * int64(period)
				if err := c.Retick(t.Context(), at); err != nil {
					t.Error(err)
					return
				}
				if k%3 == 0 {
					at += 1e6
					if err := c.Pause(t.Context(), time.Millisecond); err != nil {
						t.Error(err)
						return
					}
				}
				if now := c.Now().BootNS; now != at {
					t.Errorf("tick %d of %v at %d, want %d", k, period, now, at)
					return
				}
			}
		})
	}
	wg.Wait()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	done, err := c.Tick(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	_ = done // a Retick that fails has let go
	if err := c.Retick(ctx, c.Now().BootNS+1); err == nil {
		t.Error("a cancelled tick returns no error")
	}
	if err := c.SleepUntil(t.Context(), c.Now().BootNS+1e9); err != nil {
		t.Error(err)
	}
}

// TestPacedSpeed checks the pace when nobody holds the clock for long.
func TestPacedSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPaced(60, record.BootID{1}, time.Unix(0, 0))
		defer c.Close()
		start := time.Now()
		if err := c.SleepUntil(t.Context(), int64(time.Hour)); err != nil {
			t.Fatal(err)
		}
		if real := time.Since(start); real != time.Minute {
			t.Errorf("an hour at 60x took %v", real)
		}
		if c.Elapsed() != time.Hour || c.Speed() != 60 {
			t.Errorf("elapsed %v at %g", c.Elapsed(), c.Speed())
		}
	})
}

// TestPacedCancel checks that a cancelled sleeper leaves nothing behind that holds
// the clock.
func TestPacedCancel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPaced(10, record.BootID{1}, time.Unix(0, 0))
		defer c.Close()
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		defer cancel()
		if done, err := c.Tick(ctx, int64(time.Hour)); err == nil || done != nil {
			t.Fatalf("not cancelled: %v", err)
		}
		if err := c.SleepUntil(t.Context(), int64(2*time.Second)); err != nil {
			t.Fatal(err)
		}
		if c.Elapsed() != 2*time.Second {
			t.Errorf("elapsed %v", c.Elapsed())
		}
	})
}

// TestPacedPause lets a driver wait for a conversion in the middle of a read.
func TestPacedPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPaced(10, record.BootID{1}, time.Unix(0, 0))
		defer c.Close()
		done, err := c.Tick(t.Context(), int64(time.Second))
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Pause(t.Context(), 180*time.Millisecond); err != nil || c.Elapsed() != 1180*time.Millisecond {
			t.Errorf("after the pause: %v, %v", c.Elapsed(), err)
		}
		time.Sleep(time.Minute)
		if c.Elapsed() != 1180*time.Millisecond {
			t.Errorf("the clock is no longer held: %v", c.Elapsed())
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := c.Pause(ctx, time.Hour); err == nil {
			t.Error("a cancelled pause returns no error")
		}
		done()
		if err := c.SleepUntil(t.Context(), int64(3*time.Second)); err != nil || c.Elapsed() != 3*time.Second {
			t.Errorf("the clock is still held: %v, %v", c.Elapsed(), err)
		}
	})
}

func TestElapsed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewElapsed(record.BootID{7})
		done, err := c.Tick(t.Context(), int64(90*time.Second))
		if err != nil {
			t.Fatal(err)
		}
		done()
		if now := c.Now(); now.BootNS != int64(90*time.Second) || now.Boot != (record.BootID{7}) {
			t.Errorf("%+v", now)
		}
	})
}

// TestSyncedIsAskedOnceASecond: within a second of an answer the kernel is not asked
// again, after it it is.
func TestSyncedIsAskedOnceASecond(t *testing.T) {
	var c Board
	now := boottime()
	is := c.syncedAt(now)
	if is != synced() {
		t.Fatalf("the first answer is %v", is)
	}
	c.synced.Store(!is) // an answer that the kernel would not give
	if c.syncedAt(now+int64(askEvery)-1) == is {
		t.Error("the kernel was asked within a second")
	}
	if c.syncedAt(now+int64(askEvery)) != is {
		t.Error("the kernel was not asked after a second")
	}
}
