package simrig

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"soakrig/drivers/bus"
)

// Rig is a simulated rig. It is a bus.Ports. Its methods may be called
// concurrently.
type Rig struct {
	opts  Opts
	now   func() time.Duration
	wait  func(context.Context, time.Duration) error // nil: real time
	dice  dice
	room  room
	kBead float64 // per step, bonded bead
	kAir  float64 // per step, bead in air

	mu       sync.Mutex // guards everything below
	closed   bool
	server   *server
	n        int64 // steps taken
	unit     *unit
	mounts   uint64
	nextLoad int // in opts.Load
	wallJ    float64
	hist     history
	meter    meter
	faults   []*fault
	fans     []*fault            // those of faults that concern the fan
	loose    [maxStages][]*fault // those of faults that detach a bead
	contact  [maxStages]float64  // part of the rise that a bonded bead follows
	draught  [maxStages]float64  // K, the air's restlessness around a loose bead
	chips    []chip
	slots    map[string]*slot
	wires    map[string]*wire
	pins     map[string]*pin
	cut      bool // the interlock holds the unit off
	cutUnit  bool // and it was on before
}

var _ bus.Ports = (*Rig)(nil)

// New makes a rig from o, whose rig time is what now returns. It holds nothing
// that needs closing until the meter is dialled.
func New(o Opts, now func() time.Duration) (*Rig, error) {
	if o.Start.IsZero() {
		o.Start = defaultStart()
	}
	if err := o.Check(); err != nil {
		return nil, fmt.Errorf("simulated rig: %w", err)
	}
	r := &Rig{
		opts: o, now: now, dice: dice(mix(o.Seed)),
		slots: map[string]*slot{}, wires: map[string]*wire{}, pins: map[string]*pin{},
	}
	r.room = room{o: o.Room, phase: 2 * math.Pi * r.dice.uniform(stream("room"), 0)}
	r.kBead = 1 - math.Exp(-stepS/o.Errors.BeadS)
	r.kAir = 1 - math.Exp(-stepS/(4*o.Errors.BeadS))
	r.meter = newMeter(o.Meter, r.dice)
	r.plug()
	r.mount(o.Unit)
	at := r.air(r.room.at(0))
	for i := range maxStages {
		at[i] = at[atRoom]
	}
	r.hist.fill(&at)
	r.meter.tick(r.dice, 0, o.Unit.IdleWallW, 0)
	return r, nil
}

// Close stops the meter's listener and every connection to it, and waits for them.
// More than once is fine. Ports that are still open answer with bus.ErrClosed.
func (r *Rig) Close() error {
	r.mu.Lock()
	r.closed = true
	s := r.server
	r.server = nil
	r.mu.Unlock()
	if s != nil {
		return s.close()
	}
	return nil
}

// Now is the simulated wall clock: Opts.Start plus rig time.
func (r *Rig) Now() time.Time { return r.opts.Start.Add(r.now()) }

// Mount takes the unit away and mounts another one, cold and idle, with fresh
// contacts. Its faults count from now. The probes need some seconds to follow.
func (r *Rig) Mount(u UnitOpts) error {
	if err := u.check(r.opts.Chips); err != nil {
		return fmt.Errorf("simulated rig: mount %s: %w", u.Name, err)
	}
	defer r.enter()()
	r.mount(u)
	return nil
}

// SetLoad starts or stops the full load, as a load script would.
func (r *Rig) SetLoad(on bool) {
	level := 0.0
	if on {
		level = 1
	}
	defer r.enter()()
	r.script(level)
}

// SetLevel sets the load to a part of the full one, 0..1.5; 0 stops it.
func (r *Rig) SetLevel(level float64) error {
	if !(level >= 0 && level <= 1.5) {
		return fmt.Errorf("simulated rig: load level %g is out of range: 0 to 1.5", level)
	}
	defer r.enter()()
	r.script(level)
	return nil
}

// SetPower switches the unit off (any load ends) or on (idle, also after a crash
// that switched it off). It can't override the interlock.
func (r *Rig) SetPower(on bool) {
	defer r.enter()()
	switch {
	case r.cut:
		r.cutUnit = on
	case !on:
		r.unit.switchOff(math.Inf(1))
	default:
		r.unit.off = false
	}
}

// Truth is what the rig knows and no probe tells.
type Truth struct {
	At          time.Duration // rig time of the last step
	RoomC       float64
	IntakeC     float64
	StageC      []float64 // the places themselves, not the beads
	PeakC       []float64 // each place's highest since it was mounted
	SinkC       float64
	DieC        float64
	BoxC        float64       // air in the enclosure
	WallW       float64       // before the meter's errors
	LossW       float64       // of all stages
	WallJ       float64       // since the rig's start
	Level       float64       // what the load script asks for
	Held        float64       // part of the load that the limiter allows
	Limited     time.Duration // how long it allowed less than all, since mounting
	SwitchedOff bool
}

// Truth says how things are now. For tests and demonstrations.
func (r *Rig) Truth() Truth {
	defer r.enter()()
	u := r.unit
	t := Truth{
		At: time.Duration(r.n) * Step, RoomC: r.room.at(float64(r.n) * stepS),
		SinkC: u.t.sink, DieC: u.t.die, BoxC: u.t.box,
		WallW: u.out.wall, LossW: u.out.loss, WallJ: r.wallJ,
		Level: u.level, Held: u.lim.held, SwitchedOff: u.off,
		Limited: time.Duration(u.limitedS * float64(time.Second)),
	}
	t.IntakeC = t.RoomC + r.opts.Room.Recirculation*(t.BoxC-t.RoomC)
	t.StageC = append(t.StageC, u.t.stage[:u.n]...)
	t.PeakC = append(t.PeakC, u.peak[:u.n]...)
	return t
}

// enter locks the rig, brings it up to date and returns what leaves it:
// defer r.enter()().
func (r *Rig) enter() (leave func()) {
	t := r.now()
	r.mu.Lock()
	r.advance(t)
	return r.mu.Unlock
}

// errClosed is what a closed rig answers.
func errClosed(what string) error { return fmt.Errorf("simulated rig: %s: %w", what, bus.ErrClosed) }

func (r *Rig) mount(o UnitOpts) {
	o.Stages = append([]Stage(nil), o.Stages...)
	t := float64(r.n) * stepS
	r.unit = newUnit(o, r.room.at(t))
	r.mounts++
	r.draught = [maxStages]float64{}
	s := stream("contact")
	for i := range maxStages {
		r.contact[i] = 1 - math.Abs(o.ContactErr*r.dice.gauss(s, r.mounts*maxStages+uint64(i)))
	}
	r.wireFaults(o.Faults)
	for _, f := range r.faults {
		f.anchor(fromMount, t)
	}
	if r.cut || o.Off {
		r.unit.switchOff(math.Inf(1))
		r.cutUnit = !o.Off
	}
}

// interlock follows the interlock's pin: low takes the unit's power away, high
// gives it back, idle.
func (r *Rig) interlock(low bool) {
	if low && !r.cut {
		r.cutUnit = !r.unit.off
		r.unit.switchOff(math.Inf(1))
	}
	if !low && r.cut && r.cutUnit {
		r.unit.off = false
	}
	r.cut = low
}

// wireFaults replaces the former unit's faults with its own and tells every chip
// which ones concern it. Those of the rig that count from a load wait for the next.
func (r *Rig) wireFaults(own []Fault) {
	var all []*fault
	for i, o := range r.opts.Faults {
		if r.mounts == 1 {
			all = append(all, newFault(o, false, i))
		} else {
			all = append(all, r.faults[i])
			if f := all[i]; f.from == fromLoad {
				f.begin, f.end = math.Inf(1), math.Inf(1)
			}
		}
	}
	for i, o := range own {
		all = append(all, newFault(o, true, i))
	}
	r.faults, r.fans, r.loose = all, nil, [maxStages][]*fault{}
	for _, f := range all {
		switch f.kind {
		case faultFanStop:
			r.fans = append(r.fans, f)
		case faultDetached:
			r.loose[f.place] = append(r.loose[f.place], f)
		}
	}
	for i := range r.chips {
		places := []int{r.chips[i].common().place}
		if o := r.opts.Chips[i]; o.Place23 != "" {
			second, _ := parsePlace(o.Place23)
			places = append(places, second)
		}
		r.chips[i].common().link(all, places...)
	}
	r.meter.link(all)
}

// script passes a load level on, from the step now in progress.
func (r *Rig) script(level float64) {
	t := float64(r.n) * stepS
	first := math.IsInf(r.unit.firstLoad, 1)
	if r.unit.off {
		return // no script runs on a unit without power
	}
	r.unit.script(level, t)
	if first && !math.IsInf(r.unit.firstLoad, 1) {
		for _, f := range r.faults {
			f.anchor(fromLoad, t)
		}
	}
}

// advance takes every step that is complete at rig time now. A clock that went
// back changes nothing.
func (r *Rig) advance(now time.Duration) {
	for to := int64(now / Step); r.n < to; {
		r.step()
	}
}

func (r *Rig) step() {
	t := float64(r.n) * stepS
	for ; r.nextLoad < len(r.opts.Load) && r.opts.Load[r.nextLoad].At.Seconds() <= t; r.nextLoad++ {
		r.script(r.opts.Load[r.nextLoad].Level)
	}
	fan := 1.0
	for _, f := range r.fans {
		if f.active(t) {
			fan *= f.value
		}
	}
	roomC := r.room.at(t + stepS/2)
	r.unit.step(t, roomC, fan, r.dice.gauss(jitterStream, uint64(r.n/stepsPerSecond)))
	r.n++
	r.wallJ += r.unit.out.wall * stepS
	r.beads(t, roomC)
	r.meter.add(r.unit.out.wall)
	if r.n%stepsPerSecond == 0 {
		r.meter.update(r.dice, r.n/stepsPerSecond)
	}
}

const (
	stepsPerSecond = int64(time.Second / Step)
	jitterStream   = 0x6a09e667f3bcc909
	draughtStream  = 0xbb67ae8584caa73b
)

// The air around a bead that let go: how much of the stage's warmth reaches it,
// and how restless it is.
const (
	nearAir   = 0.12
	draughtK  = 0.4
	draughtAR = 0.9 // per step
)

// beads lets every bead follow its place for one step.
func (r *Rig) beads(t, roomC float64) {
	u, h := r.unit, r.hist.push()
	for i := range u.n {
		at, k := u.t.box+r.contact[i]*(u.t.stage[i]-u.t.box), r.kBead
		if left, loose := r.contactLeft(i, t); loose {
			g := r.dice.gauss(draughtStream+uint64(i), uint64(r.n))
			r.draught[i] = draughtAR*r.draught[i] + math.Sqrt(1-draughtAR*draughtAR)*draughtK*g
			air := u.t.box + nearAir*(u.t.stage[i]-u.t.box) + r.draught[i]
			at, k = air+left*(at-air), r.kAir
		}
		h[i] += k * (at - h[i])
	}
	now := r.air(roomC)
	for i := atRoom; i < atElectronics; i++ {
		h[i] += r.kAir * (now[i] - h[i])
	}
	h[atElectronics] += (now[atElectronics] - h[atElectronics]) * stepS / electronicsS
	h[atLoaded] = now[atLoaded]
}

// electronicsS is the time constant of the converters' board, s.
const electronicsS = 60.0

// contactLeft says whether the bead on stage i let go, and how much of its contact
// is left.
func (r *Rig) contactLeft(i int, t float64) (left float64, loose bool) {
	left = 1
	for _, f := range r.loose[i] {
		if f.active(t) {
			left, loose = min(left, f.value), true
		}
	}
	return left, loose
}

// air is what probes in air, the converters' board and the load flag tend to.
func (r *Rig) air(roomC float64) (v [places]float64) {
	v[atRoom] = roomC
	v[atIntake] = roomC + r.opts.Room.Recirculation*(r.unit.t.box-roomC)
	v[atExhaust] = r.unit.t.box
	v[atElectronics] = roomC + r.opts.Errors.SelfHeatK
	if r.unit.level > 0 {
		v[atLoaded] = 1
	}
	return v
}

// errNoSerial is what Serial answers.
var errNoSerial = errors.New("a simulated rig has no serial lines: use the meter over TCP, port: meter")
