package remotewrite

import (
	"testing"
	"testing/synctest"
	"time"
)

// Wall time that jumps in the middle, back and forth, and loses its synchronisation: every
// sample arrives with the time that the journal has for it, and live readings stay live.
func TestClockSteps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := &stepClock{start: time.Now()}
		clock.synced.Store(true)
		b := &bench{t: t, dir: quickDir(t), clock: clock, layout: benchLayout()}
		b.open()
		b.add(b.layout)
		r := &receiver{}
		b.send(r, nil)
		step := func(by time.Duration) {
			clock.stepNS.Add(int64(by))
			b.lastNS = 0 // the bench waits for no clock
		}
		for _, by := range []time.Duration{0, -90*time.Second - 500*time.Millisecond, 3*time.Hour + 7*time.Millisecond, -3 * time.Hour, 200 * time.Millisecond} {
			step(by)
			clock.synced.Store(by != 0 && by < time.Second) // as a clock that was just set is not, at first
			b.write(2*time.Second, 3*time.Minute)
			clock.synced.Store(true)
			b.write(2*time.Second, 3*time.Minute)
			if st := b.s.Stats(); st.Behind > 20 || st.Backlog > 0 || !st.Up {
				t.Errorf("after a step of %v: %+v", by, st)
			}
		}
		b.settled(time.Minute)
		total := 2 * 2 * 180 * 5
		if n := len(r.all()); n != total {
			t.Errorf("%d samples are stored, want %d: each once", n, total)
		}
		b.wantNothingGivenUp()
		b.close()
	})
}
