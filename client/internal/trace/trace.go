// Package trace thins the readings of a run for a screen or a page. What it keeps of a
// step of time is the lowest and the highest reading, where the curve breaks and which
// faults were seen; it averages nothing, draws nothing and gives no name to anything.
package trace

import (
	"math"
	"slices"
	"strings"

	"soakrig/daemon/record"
)

// Trace is one channel thinned for a screen: in each step of time the lowest and the
// highest reading, in the order in which they came.
type Trace struct {
	Channel record.Channel
	// Values has two places for each step: NaN where the curve breaks (a gap or a
	// fault), +Inf where nothing is said (the channel is read more slowly).
	Values []float64
}

// FaultSpan is a stretch in which a channel gave faults and no value.
type FaultSpan struct {
	Channel    int
	FromS, ToS float64
	Faults     record.Faults
	Count      int
}

// Set is the traces of one run. StepS is the time that one step covers: no reading
// outside lowest and highest of its step is lost, its time is kept to half a step.
type Set struct {
	FromS, StepS float64
	Steps        int
	Channels     []Trace
	Faults       []FaultSpan
	Readings     int // how many went in
}

// maxSteps bounds a chart: 8 h are 5,760 steps of 5 s.
const maxSteps = 6000

// maxSpans bounds the fault spans of one channel; later ones are joined.
const maxSpans = 300

// Builder thins readings on the way. Memory does not grow with the run. It is for one
// goroutine.
type Builder struct {
	t  Set
	ch []thinning
}

// thinning is the state of one channel.
type thinning struct {
	step            int
	low, high       float64
	lowAt, highAt   float64
	n               int
	lastS, periodS  float64 // of good readings
	seen            bool
	broken          bool // a fault came since the last good reading
	span, spanCount int  // index of the newest span + 1, spans of this channel
}

// New thins a run that lasts from fromS to toS; readings outside are
// left out.
func New(channels []record.Channel, fromS, toS float64) *Builder {
	step := 0.5
	for _, s := range []float64{1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 1800, 3600, 7200, 14400, 86400} {
		if (toS-fromS)/step <= maxSteps {
			break
		}
		step = s
	}
	b := &Builder{t: Set{FromS: fromS, StepS: step, Steps: min(int(math.Floor((toS-fromS)/step))+1, 2*maxSteps)}, ch: make([]thinning, len(channels))}
	for _, c := range channels {
		v := make([]float64, 2*b.t.Steps)
		for i := range v {
			v[i] = math.Inf(1)
		}
		b.t.Channels = append(b.t.Channels, Trace{Channel: c, Values: v})
	}
	return b
}

// Add takes one reading; those of a channel come in order of time.
func (b *Builder) Add(channel int, atS, value float64, faults record.Faults) {
	step := int(math.Floor((atS - b.t.FromS) / b.t.StepS))
	if step < 0 || step >= b.t.Steps {
		return
	}
	b.t.Readings++
	c := &b.ch[channel]
	if faults != 0 {
		b.fault(channel, atS, faults)
		return
	}
	if c.seen && step != c.step {
		b.close(channel)
	}
	if gap := atS - c.lastS; c.seen {
		if c.broken || c.periodS > 0 && gap > 3*c.periodS && gap > 2*b.t.StepS {
			b.breakAfter(channel, step)
		} else if c.periodS == 0 {
			c.periodS = gap
		} else {
			c.periodS += (gap - c.periodS) / 8
		}
	}
	if !c.seen || step != c.step {
		c.step, c.n = step, 0
	}
	if c.n == 0 || value < c.low {
		c.low, c.lowAt = value, atS
	}
	if c.n == 0 || value > c.high {
		c.high, c.highAt = value, atS
	}
	c.n++
	c.seen, c.lastS, c.broken, c.span = true, atS, false, 0
}

// close writes the step at hand.
func (b *Builder) close(channel int) {
	c, v := &b.ch[channel], b.t.Channels[channel].Values
	if c.n == 0 {
		return
	}
	v[2*c.step] = c.low
	if c.n > 1 && c.low != c.high {
		v[2*c.step+1] = c.high
		if c.highAt < c.lowAt {
			v[2*c.step], v[2*c.step+1] = c.high, c.low
		}
	}
	c.n = 0
}

// breakAfter breaks the curve between the newest value and step.
func (b *Builder) breakAfter(channel, step int) {
	b.close(channel)
	v := b.t.Channels[channel].Values
	for i := 2 * b.ch[channel].step; i < 2*step; i++ {
		if math.IsInf(v[i], 1) {
			v[i] = math.NaN()
			return
		}
	}
}

func (b *Builder) fault(channel int, atS float64, faults record.Faults) {
	c := &b.ch[channel]
	c.broken = true
	if c.span > 0 && (b.t.Faults[c.span-1].Faults == faults || c.spanCount >= maxSpans) {
		s := &b.t.Faults[c.span-1]
		s.ToS, s.Count, s.Faults = atS, s.Count+1, s.Faults|faults
		return
	}
	b.t.Faults = append(b.t.Faults, FaultSpan{channel, atS, atS, faults, 1})
	c.span = len(b.t.Faults)
	c.spanCount++
}

// Finish gives the traces; the builder is done.
func (b *Builder) Finish() *Set {
	for i := range b.ch {
		b.close(i)
	}
	slices.SortStableFunc(b.t.Faults, func(x, y FaultSpan) int {
		return int(math.Copysign(1, x.FromS-y.FromS))
	})
	return &b.t
}

// AtS is the time of a place in Trace.Values.
func (t *Set) AtS(place int) float64 { return t.FromS + (float64(place)/2+0.25)*t.StepS }

// Packed is a trace for a page: the differences of values times 10^digits, as the digits
// of packDigits, five bits each with the lowest first and the sign before them; "." where
// nothing is said, "!" at a break.
func (t *Trace) Packed(digits int) string {
	var b strings.Builder
	scale, last := math.Pow10(digits), int64(0)
	for _, v := range t.Values {
		switch {
		case math.IsNaN(v):
			b.WriteByte('!')
		case math.IsInf(v, 1):
			b.WriteByte('.')
		default:
			now := int64(math.Round(v * scale))
			u := uint64(now-last)<<1 ^ uint64((now-last)>>63)
			for last = now; u > 31; u >>= 5 {
				b.WriteByte(packDigits[u&31|32])
			}
			b.WriteByte(packDigits[u])
		}
	}
	return b.String()
}

// packDigits are 64 signs that JSON and HTML leave as they are.
const packDigits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"

// ForPeople gives energies as Wh since the run began: a meter's counter stands at
// anything.
func (t *Set) ForPeople() *Set {
	out := *t
	out.Channels = slices.Clone(t.Channels)
	for i := range out.Channels {
		c := &out.Channels[i]
		if c.Channel.Unit != "J" {
			continue
		}
		c.Channel.Unit, c.Values = "Wh", slices.Clone(c.Values)
		first := math.NaN()
		for j, v := range c.Values {
			if math.IsNaN(v) || math.IsInf(v, 1) {
				continue
			}
			if math.IsNaN(first) {
				first = v
			}
			c.Values[j] = (v - first) / 3600
		}
	}
	return &out
}

// Digits is how many decimals a channel's readings deserve on a page.
func Digits(kind record.Kind) int {
	switch kind {
	case record.Temperature:
		return 2
	case record.Power, record.Frequency, record.Energy:
		return 1
	}
	return 3
}

// Span is lowest and highest of the places from..to; ok is false without any value.
func (t *Trace) Span(from, to int) (low, high float64, ok bool) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range t.Values[max(from, 0):min(to, len(t.Values))] {
		if !math.IsNaN(v) && !math.IsInf(v, 1) {
			low, high, ok = min(low, v), max(high, v), true
		}
	}
	return low, high, ok
}
