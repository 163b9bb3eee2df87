package drivers

import (
	"fmt"
	"math"
	"time"
)

// Steps judges whether the change from one sample of a probe to the next is
// possible. A wire that touches a live rail, a shifted frame or a short that the
// chip does not see jumps faster than any copper mass can follow. Such samples are
// marked, never averaged away. The zero value lets everything pass.
//
// A real new level (a probe that was moved) is accepted once Agree samples in a row
// lie within the limit of one another; a return to the old level is accepted at once.
type Steps struct {
	MaxK  float64       // the largest step within Per; zero or less: no limit
	Per   time.Duration // one conversion, > 0
	Agree int           // how many samples in a row prove a new level; zero means 3

	have     bool
	last     float64 // the last accepted value
	lastAt   time.Time
	newLevel float64 // the last value that was refused
	newAt    time.Time
	run      int // how many in a row agree with newLevel
}

// Check judges valueC, the probe's temperature in degC as near as the driver knows
// it, taken at an instant. The error words the step; nil accepts the sample.
func (s *Steps) Check(valueC float64, at time.Time) error {
	if s.MaxK <= 0 {
		return nil
	}
	if !s.have || math.Abs(valueC-s.last) <= s.limit(at.Sub(s.lastAt)) {
		s.accept(valueC, at)
		return nil
	}
	if s.run > 0 && math.Abs(valueC-s.newLevel) <= s.limit(at.Sub(s.newAt)) {
		s.run++
	} else {
		s.run = 1
	}
	s.newLevel, s.newAt = valueC, at
	agree := s.Agree
	if agree <= 0 {
		agree = 3
	}
	if s.run >= agree {
		s.accept(valueC, at)
		return nil
	}
	gap := at.Sub(s.lastAt)
	return fmt.Errorf("step of %+.2f K in %v, more than the %.2f K that a probe can follow; sample %d of %d at the new level",
		valueC-s.last, gap.Round(time.Millisecond), s.limit(gap), s.run, agree)
}

func (s *Steps) accept(valueC float64, at time.Time) {
	s.have, s.last, s.lastAt, s.run = true, valueC, at, 0
}

// limit is the largest step in a time; never less than that of one conversion.
func (s *Steps) limit(dt time.Duration) float64 {
	return s.MaxK * max(1, dt.Seconds()/s.Per.Seconds())
}

// StepOption is the key that probe drivers share, of the source and of each input;
// an input's counts for it alone.
type StepOption struct {
	// MaxStep is the largest change in K within 100 ms that counts as possible; 0: no check.
	MaxStep float64 `yaml:"max_step"`
}

// DefaultStep is 50 K/s: what 15 W do to 1 g of copper.
func DefaultStep() StepOption { return StepOption{MaxStep: 5} }

// Options describes the key for Info.
func (StepOption) Options() []Option {
	const help = "larger changes are marked implausible until three samples in a row agree; 0 switches the check off"
	return []Option{
		{Key: "max_step", Scope: "source", Unit: "K per 100 ms", Default: "5", Help: help},
		{Key: "max_step", Scope: "input", Unit: "K per 100 ms", Default: "the source's", Help: help},
	}
}

// Steps checks the option and returns the judge; input is the index of the input.
func (o StepOption) Steps(input int) (Steps, error) {
	if o.MaxStep < 0 || math.IsNaN(o.MaxStep) {
		return Steps{}, &OptionError{Input: input, Key: "max_step", Text: fmt.Sprintf("%g K: must be above zero, or 0 for no check", o.MaxStep)}
	}
	return Steps{MaxK: o.MaxStep, Per: 100 * time.Millisecond}, nil
}
