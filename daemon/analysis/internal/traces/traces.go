// Package traces makes the records of imagined soaks with a known truth: a board
// with fast, slow and very slow thermal parts, a load program, a limiter, a room, a
// meter and faults. It is used to measure how often the analysis sees what is there
// and what is not; it draws nothing and judges nothing.
//
// A trace is a pure function of its options. The physics is deliberately simple
// (first-order lags, independent noise); what is found on traces ranks methods and
// sizes thresholds, and does not replace trials on a rig.
package traces

import (
	"math"
	"math/rand/v2"

	"soakrig/daemon/record"
)

// Load is what the load program and the unit's limiter do.
type Load string

// The loads.
const (
	Constant   Load = "constant"
	RenderLoop Load = "render loop"
	Boost      Load = "boost"
	Levels     Load = "phase levels"
	Trip       Load = "trip cycling"
	FlatTop    Load = "flat-top"
	LoopTrip   Load = "render loop + trip cycling"
	LoopFlat   Load = "render loop + flat-top"
	SlowFall   Load = "slow power fall"
	CrashIdle  Load = "crash to idle"
	CrashOff   Load = "crash to off"
	Restart    Load = "crash and restart"
	FanFail    Load = "fan failure"
	RoomStep   Load = "room +5 K"
)

// Fault is what happens to a probe.
type Fault string

// The faults. The probe they befall is Truth.Probe.
const (
	Healthy         Fault = ""
	Detached        Fault = "detached"
	HalfDetached    Fault = "half detached"
	QuarterDetached Fault = "quarter detached"
	NeverAttached   Fault = "never attached"
	Reversed        Fault = "reversed"
	PickupUp        Fault = "pickup +2 K"
	PickupDown      Fault = "pickup -2 K"
	Stuck           Fault = "stuck"
	Drift           Fault = "drift"
	OpenCircuit     Fault = "open circuit"
)

// Options choose a trace.
type Options struct {
	Seed      uint64
	Load      Load
	Fault     Fault
	BaselineS float64 // zero: 300
	LoadS     float64 // zero: 3600
	AfterS    float64 // zero: 300
	PeriodS   float64 // zero: 0.5; power comes each second at most
	Probes    int     // zero: 8
	NoiseK    float64 // zero: 0.08
	SpikesPer float64 // mean seconds between spikes per probe; zero: none
	StepK     float64 // resolution; zero: 0.0625
	MeterW    float64 // resolution and noise of the meter; zero: 0.1
	Missing   float64 // share of readings that are missing
	NoRoom    bool
	NoPower   bool
	Counter   bool // the meter has an energy counter
}

// Truth is what really happened.
type Truth struct {
	StartS, EndS float64
	CrashS       float64 // zero: none
	Loss         float64 // share of the load step lost by limiting or other causes, last third against minutes 0.5..15
	Dips         int
	HotSpot      int       // index among the probes, by the true held-10 s peak
	PeakC        []float64 // true peak held 10 s of every probe's place
	FinalC       []float64 // where every probe's place would end at full load for ever
	Probe        int       // that the fault befalls; -1: none
	FaultS       float64
	EnergyJ      float64
	Thermal      bool    // a limiter acted
	RoomEndC     float64 // mean of the last 15 minutes on load
}

// Channel is a channel of a trace.
type Channel struct {
	Name string
	Kind record.Kind
	Unit string
	Role record.Role
}

// Reading is one value of a trace.
type Reading struct {
	AtS     float64
	Channel int
	Value   float64
	Faults  record.Faults
}

// Trace is a record with its truth.
type Trace struct {
	Channels []Channel // probes first
	Readings []Reading // in order of time
	EndS     float64
	Truth    Truth
}

func (o *Options) defaults() {
	set := func(p *float64, v float64) {
		if *p == 0 {
			*p = v
		}
	}
	set(&o.BaselineS, 300)
	set(&o.LoadS, 3600)
	set(&o.AfterS, 300)
	set(&o.PeriodS, 0.5)
	set(&o.NoiseK, 0.08)
	set(&o.StepK, 0.0625)
	set(&o.MeterW, 0.1)
	if o.Probes == 0 {
		o.Probes = 8
	}
}

// board is the thermal part: every probe's rise is a weighted sum of three lags.
type board struct {
	tau   [3]float64
	state [3]float64
	fast  []float64    // state of every probe's own fast lag
	react []float64    // its time constant
	gain  [][3]float64 // K at full load per probe and lag
	fan   float64      // factor on the slow lags
}

func newBoard(r *rand.Rand, probes int) *board {
	b := &board{tau: [3]float64{span(r, 5, 15), span(r, 150, 350), span(r, 900, 2100)}, fan: 1}
	chassis := span(r, 0.12, 0.32)
	hottest := span(r, 45, 75)
	for range probes {
		rise := hottest * span(r, 0.45, 1)
		fast := span(r, 0.1, 0.25)
		b.fast, b.react = append(b.fast, 0), append(b.react, b.tau[0]*span(r, 0.7, 1.4))
		b.gain = append(b.gain, [3]float64{rise * fast, rise * (1 - fast - chassis), rise * chassis})
	}
	return b
}

func span(r *rand.Rand, a, b float64) float64 { return a + (b-a)*r.Float64() }

func (b *board) step(p, dt float64) {
	for k := range b.state {
		b.state[k] += (p - b.state[k]) * (1 - math.Exp(-dt/b.tau[k]))
	}
	for i := range b.fast {
		b.fast[i] += (p - b.fast[i]) * (1 - math.Exp(-dt/b.react[i]))
	}
}

func (b *board) rise(i int) float64 {
	g := b.gain[i]
	return g[0]*b.fast[i] + b.fan*(g[1]*b.state[1]+g[2]*b.state[2])
}

func (b *board) final(i int) float64 { return b.gain[i][0] + b.gain[i][1] + b.gain[i][2] }

func (b *board) hottest() int {
	at := 0
	for i := range b.gain {
		if b.final(i) > b.final(at) {
			at = i
		}
	}
	return at
}

// Make simulates a trace.
func Make(o Options) Trace {
	o.defaults()
	s := newSoak(o)
	const dt = 0.25
	next, nextW := 0.0, 0.0
	total := o.BaselineS + o.LoadS + o.AfterS
	for t := 0.0; t < total; t += dt {
		s.step(t, dt)
		if t >= next-1e-9 {
			s.readProbes(t)
			next += o.PeriodS
		}
		if t >= nextW-1e-9 {
			s.readMeter(t)
			nextW += max(1, o.PeriodS)
		}
	}
	s.trace.EndS = total
	s.finish()
	return s.trace
}
