package simrig

// Kinds of limiter.
const (
	limitNone = "none"
	limitHold = "hold"
	limitTrip = "trip"
)

// The holding limiter's regulator: settles within about a minute without hunting
// for stages of 5 to 15 s.
const (
	holdPerK  = 0.02  // part of the load per kelvin above the set point
	holdPerKS = 0.002 // part of the load per kelvin and second
)

// limiter takes load away from a unit that is too hot.
type limiter struct {
	o        Limiter
	held     float64 // part of the load that it allows
	integral float64 // hold: part of the load taken away by the regulator's memory
	tripped  bool
}

func (l *limiter) reset() { l.held, l.integral, l.tripped = 1, 0, false }

func (l *limiter) limited() bool { return l.held < 1 }

// step looks at the sensed temperature once per Step.
func (l *limiter) step(sensedC float64) {
	over := sensedC - l.o.AtC
	switch l.o.Kind {
	case limitHold:
		most := 1 - l.o.Cut
		l.integral = min(most, max(0, l.integral+holdPerKS*over*stepS))
		l.held = 1 - min(most, max(0, l.integral+holdPerK*over))
	case limitTrip:
		if over >= 0 {
			l.tripped = true
		} else if over <= -l.o.Hysteresis {
			l.tripped = false
		}
		l.held = 1
		if l.tripped {
			l.held = l.o.Cut
		}
	}
}
