package analysis

import (
	"math"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
)

// Tiers of settling.
const (
	tierSteady  = "steady"
	tierSettled = "settled"
	tierRising  = "rising"
)

// settle follows how fast one probe still rises. It gathers the rise over the
// low-passed room into minutes of the load and fits a slope over the newest window
// at the end of each minute. O(1) per second: the work per minute is bounded by the
// window.
type settle struct {
	window, apart int // minutes

	minute  int64
	vals    []float64
	xs, ys  []float64 // minutes of the window that have a value
	slopes  []float64 // newest last; absent where the window had too few minutes
	scratch []float64
	history []float64 // slope of every minute, if kept
	keep    bool
}

func newSettle(c constants.Set, keep bool) settle {
	return settle{window: int(c.SlopeWindowS / 60), apart: int(c.SlopeApartS / 60), keep: keep}
}

// push adds the rise of a second counted from the load's start.
func (s *settle) push(second int64, rise float64) {
	s.upTo(second / 60)
	s.vals = append(s.vals, rise)
}

// upTo closes all minutes before one.
func (s *settle) upTo(minute int64) {
	for s.minute < minute {
		s.close()
	}
}

func (s *settle) close() {
	if len(s.vals) > 0 {
		s.xs = append(s.xs, float64(s.minute))
		s.ys = append(s.ys, series.MedianInPlace(s.vals))
		s.vals = s.vals[:0]
	}
	oldest := float64(s.minute) - float64(s.window) + 1
	drop := 0
	for drop < len(s.xs) && s.xs[drop] < oldest {
		drop++
	}
	if drop > 0 {
		s.xs = s.xs[:copy(s.xs, s.xs[drop:])]
		s.ys = s.ys[:copy(s.ys, s.ys[drop:])]
	}
	slope := series.Absent()
	if s.minute+1 >= int64(s.window) && len(s.xs)*5 >= s.window*3 {
		if cap(s.scratch) == 0 {
			s.scratch = make([]float64, 0, s.window*(s.window-1)/2)
		}
		slope = series.TheilSen(s.xs, s.ys, s.scratch) * 60
	}
	if len(s.slopes) > s.apart {
		s.slopes = s.slopes[:copy(s.slopes, s.slopes[1:])]
	}
	s.slopes = append(s.slopes, slope)
	if s.keep {
		s.history = append(s.history, slope)
	}
	s.minute++
}

// slope is the newest slope in K/h and the one a while before; absent where there
// is none.
func (s *settle) slope() (now, before float64) {
	now, before = series.Absent(), series.Absent()
	if n := len(s.slopes); n > 0 {
		now = s.slopes[n-1]
		if n > s.apart {
			before = s.slopes[0]
		}
	}
	return now, before
}

// se is the standard error of the newest slope in K/h.
func (s *settle) se() float64 { return series.SlopeError(s.xs, s.ys) * 60 }

// tierOf names the tier of a slope and the one before it; empty without a slope.
func tierOf(c constants.Set, now, before float64) string {
	switch {
	case !series.Known(now):
		return ""
	case math.Abs(now) <= c.SteadyKPerH && series.Known(before) && math.Abs(before) <= c.SteadyKPerH:
		return tierSteady
	case math.Abs(now) <= c.SettledKPerH:
		return tierSettled
	}
	return tierRising
}

// timeConstant estimates the time constant from two slopes a while apart; absent when they
// do not decay.
func timeConstant(c constants.Set, now, before float64) float64 {
	if !series.Known(now) || !series.Known(before) || now <= 0 || before < 1.05*now {
		return series.Absent()
	}
	return c.SlopeApartS / math.Log(before/now)
}
