package simrig

import (
	"math"
	"time"
)

// setbackTime is the time constant of a room when none is given.
const setbackTime = 20 * time.Minute

// room is the air's temperature as a function of rig time.
type room struct {
	o     Room
	phase float64 // of the swing, rad
}

func (r *room) at(tS float64) float64 {
	c := r.o.Mean
	if r.o.Swing != 0 {
		c += r.o.Swing * math.Sin(2*math.Pi*tS/r.o.Period.Seconds()+r.phase)
	}
	for i := range r.o.Setbacks {
		c += r.o.Setbacks[i].at(tS)
	}
	return c
}

func (s *Setback) at(tS float64) float64 {
	since := tS - s.At.Seconds()
	if since <= 0 {
		return 0
	}
	tau := s.Within.Seconds()
	if tau <= 0 {
		tau = setbackTime.Seconds()
	}
	k := s.By * (1 - math.Exp(-since/tau))
	if over := since - s.For.Seconds(); s.For > 0 && over > 0 {
		k -= s.By * (1 - math.Exp(-over/tau))
	}
	return k
}
