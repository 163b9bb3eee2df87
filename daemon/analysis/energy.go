package analysis

import "soakrig/daemon/analysis/internal/series"

// energy adds up power over the seconds on load and follows the meter's own
// counter. Power is integrated by trapezoids across at most a few sample periods;
// nothing is added across longer holes.
type energy struct {
	gapPeriods float64

	joules, covered float64
	first, last     reading
	seen            bool

	counterFirst, counterLast reading
	counterJ                  float64
	counterSeen               bool
	modulus                   float64 // where the counter starts again from 0; zero: it does not
	resets                    int     // falls and jumps that are no wrap
	countedHere               bool    // the counter stands still while nothing is recorded
	missed                    int     // times when it did
}

// A counter that moves faster than mostW, by more than the coarsest step of a meter's
// counter, has jumped: no outlet gives that much.
const (
	mostW    = 50e3
	coarsest = 3.6e6 // J, 1 kWh
)

func (e *energy) power(second int64, w float64, stride uint16) {
	if e.seen {
		dt := float64(second - e.last.second)
		if dt <= max(e.gapPeriods*float64(stride), 1) {
			e.joules += float64((w + e.last.v) / 2 * dt)
			e.covered += dt
		}
	} else {
		e.first, e.seen = reading{second, w}, true
	}
	e.last = reading{second, w}
}

func (e *energy) counter(second int64, j float64, stride uint16) {
	if e.countedHere && e.counterSeen && float64(second-e.counterLast.second) > max(e.gapPeriods*float64(stride), 1) {
		e.missed++
	}
	if !e.counterSeen {
		e.counterFirst, e.counterSeen = reading{second, j}, true
	} else if d, ok := CounterStep(e.counterLast.v, j, e.modulus, coarsest+float64(mostW*float64(second-e.counterLast.second))); ok {
		e.counterJ += d
	} else {
		e.resets++
	}
	e.counterLast = reading{second, j}
}

// integral is the energy of the seconds that were measured, with their number. The
// first and last second count in full.
func (e *energy) integral() (joules, coveredS float64) {
	if !e.seen {
		return series.Absent(), 0
	}
	return e.joules + float64((e.first.v+e.last.v)/2), e.covered + 1
}

// total is the energy of a load of lengthS, by the counter where it was seen nearly
// throughout, was not reset and has missed nothing, else by integration.
func (e *energy) total(lengthS float64) (joules float64, by string, coverage float64) {
	joules, covered := e.integral()
	if lengthS > 0 {
		coverage = min(covered/lengthS, 1)
	}
	span := float64(e.counterLast.second - e.counterFirst.second)
	if e.counterSeen && e.resets == 0 && e.missed == 0 && span >= 0.9*lengthS && span > 0 {
		return e.counterJ * lengthS / span, "counter", 1
	}
	if !e.seen {
		return series.Absent(), "", 0
	}
	return joules, "integral", coverage
}
