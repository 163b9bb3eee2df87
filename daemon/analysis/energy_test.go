package analysis

import "testing"

// TestCounterThatStoodStill: a counter that the recorder keeps has missed what came
// while nothing was recorded. Its total goes on without a fall, and yet the energy must
// not be taken from it; a meter's own counter went on, so its energy holds.
func TestCounterThatStoodStill(t *testing.T) {
	for _, c := range []struct {
		name string
		here bool
		gapS int64
		by   string
		want float64 // J in 600 s at 100 W
	}{
		{"kept here, no gap", true, 1, "counter", 60000},
		{"kept here, a gap as long as reads may be late", true, 3, "counter", 60000},
		{"kept here, a restart", true, 60, "integral", 54000},
		{"the meter's own, a restart", false, 60, "counter", 60000},
	} {
		e := energy{gapPeriods: 3, countedHere: c.here}
		j := 0.0
		for s := int64(0); s < 600; s++ {
			if s >= 300 && s < 300+c.gapS-1 {
				if !c.here {
					j += 100
				}
				continue
			}
			e.power(s, 100, 1)
			e.counter(s, j, 1)
			j += 100
		}
		got, by, _ := e.total(600)
		if by != c.by || got < 0.97*c.want || got > 1.01*c.want {
			t.Errorf("%s: %.0f J by %s, want %.0f by %s", c.name, got, by, c.want, c.by)
		}
	}
}
