package simrig

import (
	"math"
	"time"
)

// Step is the model's time step. Whatever changes (a load, a fault) takes effect
// with the step it falls into.
const Step = 250 * time.Millisecond

const (
	stepS     = 0.25
	maxStages = 16
	refC      = 25.0 // where loss and wall power are stated
)

// What a limiter may look at beside one stage.
const (
	sensesHottest = -1
	sensesDie     = -2
)

// nodes are the temperatures of the network, or their rates of change.
type nodes struct {
	stage          [maxStages]float64
	sink, die, box float64
}

// unit is what is mounted. Its methods run under the rig's lock.
type unit struct {
	o     UnitOpts
	n     int // stages
	share [maxStages]float64
	gOut  [maxStages]float64 // W/K, stage to sink
	perC  [maxStages]float64 // K/J: 1 / heat capacity
	gSink, gDie, gBox,
	perSink, perDie, perBox float64
	idleP, loadP float64 // W delivered to the processor
	senses       int     // what the limiter looks at: a stage's index, or one of the two below

	t         nodes
	level     float64 // what the load script asks for
	loadSince float64 // s, last start of the load; NaN: not loaded
	firstLoad float64 // s; +Inf: never loaded
	crashed   bool    // the one crash of this mounting is over
	off       bool    // switched off, until offUntil
	offUntil  float64 // s
	lim       limiter
	out       flows
	peak      [maxStages]float64
	limitedS  float64
}

// flows are the powers of the last step, W, its middle.
type flows struct {
	processor, loss, dc, wall, toRoom float64
}

func newUnit(o UnitOpts, roomC float64) *unit {
	u := &unit{o: o, n: len(o.Stages), loadSince: math.NaN(), firstLoad: math.Inf(1), lim: limiter{o: o.Limiter, held: 1}}
	switch i, kind := parsePlace(o.Limiter.Sense); {
	case o.Limiter.Sense == "die":
		u.senses = sensesDie
	case kind == placeStage:
		u.senses = i
	default:
		u.senses = sensesHottest
	}
	sum := 0.0
	for _, s := range o.Stages {
		sum += s.Share
	}
	for i, s := range o.Stages {
		u.share[i] = s.Share / sum
		u.gOut[i] = 1 / s.KPerW
		u.perC[i] = s.KPerW / o.StageTime.Seconds()
		u.t.stage[i] = roomC
		u.peak[i] = roomC
	}
	lump := func(m Mass) (g, per float64) { return 1 / m.KPerW, m.KPerW / m.Time.Seconds() }
	u.gSink, u.perSink = lump(o.Sink)
	u.gDie, u.perDie = lump(o.Die)
	u.gBox, u.perBox = lump(o.Box)
	u.t.sink, u.t.die, u.t.box = roomC, roomC, roomC
	u.idleP = o.processorW(o.Supply.dcW(o.IdleWallW))
	u.loadP = o.processorW(o.Supply.dcW(o.LoadWallW))
	return u
}

// wallW is the power drawn from the wall for dcW of direct current.
func (s Supply) wallW(dcW float64) float64 {
	return dcW + s.FixedW + dcW*(s.Linear+dcW*s.Quadratic)
}

// dcW is the inverse of wallW; negative when the supply's fixed loss is more than
// wallW.
func (s Supply) dcW(wallW float64) float64 {
	return positiveRoot(s.Quadratic, 1+s.Linear, s.FixedW-wallW)
}

// processorW is the power delivered by the stages when the board takes dcW with
// its stages at 25 degC; negative: dcW does not even feed the rest.
func (o *UnitOpts) processorW(dcW float64) float64 {
	return positiveRoot(o.Loss.Quadratic, 1+o.Loss.Linear, o.Loss.FixedW+o.RestW-dcW)
}

// positiveRoot solves a x^2 + b x + c = 0 for the root that is -c/b when a is 0;
// a >= 0, b > 0.
func positiveRoot(a, b, c float64) float64 {
	return -2 * c / (b + math.Sqrt(max(0, b*b-4*a*c)))
}

// lossW is the loss of all stages at 25 degC for p watts delivered.
func (l Loss) lossW(p float64) float64 { return l.FixedW + p*(l.Linear+p*l.Quadratic) }

// script changes what the load script asks for, from the step that begins at t.
func (u *unit) script(level, t float64) {
	if level > 0 && u.level <= 0 {
		u.loadSince = t
		u.lim.reset()
		u.firstLoad = min(u.firstLoad, t)
	}
	if level <= 0 {
		u.loadSince = math.NaN()
	}
	u.level = level
}

// switchOff takes the power away until t; +Inf: for good. The load dies with it.
func (u *unit) switchOff(until float64) {
	u.off, u.offUntil = true, until
	u.level, u.loadSince = 0, math.NaN()
}

// events brings crash and restart about, at the step that begins at t.
func (u *unit) events(t float64) {
	if u.off && t >= u.offUntil {
		u.off = false
	}
	c := u.o.Crash
	if u.crashed || c.After <= 0 || t < u.firstLoad+c.After.Seconds() {
		return
	}
	u.crashed = true
	switch c.To {
	case "off":
		u.switchOff(math.Inf(1))
	case "restart":
		u.switchOff(t + c.Down.Seconds())
	default:
		u.level, u.loadSince = 0, math.NaN()
	}
}

// demand is the processor's power for the step that begins at t, with noise of
// standard deviation 1 in jitter.
func (u *unit) demand(t, jitter float64) float64 {
	level := u.level
	if level > 0 {
		since := t - u.loadSince
		if e := u.o.Loop.Every.Seconds(); e > 0 && math.Mod(since, e) >= e-u.o.Loop.Gap.Seconds() {
			level *= u.o.Loop.Level
		}
		if since < u.o.Boost.For.Seconds() {
			level *= u.o.Boost.Factor
		}
		level *= u.lim.held * (1 + u.o.Jitter*jitter)
	}
	return u.idleP + max(0, level)*(u.loadP-u.idleP)
}

// step advances by one Step that begins at t. roomC is the room's temperature in
// its middle, sinkFactor multiplies the heatsink's resistance.
func (u *unit) step(t, roomC, sinkFactor, jitter float64) {
	u.events(t)
	u.lim.step(u.sensed())
	var fixed, rest, p float64
	if !u.off {
		p = u.demand(t, jitter)
		rest, fixed = u.o.RestW, u.o.Loss.lossW(p)
	}
	gSink := u.gSink / sinkFactor
	var rate nodes
	u.rates(&u.t, &rate, fixed, rest, p, roomC, gSink)
	mid := u.t
	mid.add(&rate, stepS/2, u.n)
	u.rates(&mid, &rate, fixed, rest, p, roomC, gSink)
	u.t.add(&rate, stepS, u.n)
	for i := range u.n {
		u.peak[i] = max(u.peak[i], u.t.stage[i])
	}
	if u.off {
		u.out.wall = u.o.StandbyW
	} else {
		u.out.wall = u.o.Supply.wallW(u.out.dc)
		if u.lim.limited() {
			u.limitedS += stepS
		}
	}
}

// rates finds the rates of change at t and leaves the powers in u.out. fixed is
// the loss at 25 degC.
func (u *unit) rates(t, rate *nodes, fixed, rest, p, roomC, gSink float64) {
	toSink, lossW := 0.0, 0.0
	for i := range u.n {
		w := fixed * u.share[i] * (1 + u.o.Loss.TempCo*(t.stage[i]-refC))
		q := (t.stage[i] - t.sink) * u.gOut[i]
		lossW += w
		toSink += q
		rate.stage[i] = (w - q) * u.perC[i]
	}
	fromSink := (t.sink - t.box) * gSink
	fromDie := (t.die - t.box) * u.gDie
	toRoom := (t.box - roomC) * u.gBox
	rate.sink = (toSink - fromSink) * u.perSink
	rate.die = (p - fromDie) * u.perDie
	rate.box = (fromSink + fromDie + rest - toRoom) * u.perBox
	u.out = flows{processor: p, loss: lossW, dc: p + rest + lossW, toRoom: toRoom}
}

func (t *nodes) add(rate *nodes, s float64, n int) {
	for i := range n {
		t.stage[i] += rate.stage[i] * s
	}
	t.sink += rate.sink * s
	t.die += rate.die * s
	t.box += rate.box * s
}

// storedJ is the heat in the unit above refC everywhere.
func (u *unit) storedJ() float64 {
	j := (u.t.sink-refC)/u.perSink + (u.t.die-refC)/u.perDie + (u.t.box-refC)/u.perBox
	for i := range u.n {
		j += (u.t.stage[i] - refC) / u.perC[i]
	}
	return j
}

// sensed is the temperature that the limiter looks at.
func (u *unit) sensed() float64 {
	switch {
	case u.o.Limiter.Kind == limitNone:
		return math.Inf(-1)
	case u.senses == sensesDie:
		return u.t.die
	case u.senses >= 0:
		return u.t.stage[u.senses]
	}
	hot := u.t.stage[0]
	for i := 1; i < u.n; i++ {
		hot = max(hot, u.t.stage[i])
	}
	return hot
}
