package simrig

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"soakrig/drivers/its90"
)

// problems collects everything that is wrong with Opts, each with its key.
type problems []error

func (p *problems) add(key, format string, args ...any) {
	*p = append(*p, fmt.Errorf("%s: %s", key, fmt.Sprintf(format, args...)))
}

// within refuses a number outside lo..hi, and not-a-number.
func (p *problems) within(key string, v, lo, hi float64, unit string) {
	if !(v >= lo && v <= hi) {
		p.add(key, "%g%s is out of range: %g to %g%s", v, unit, lo, hi, unit)
	}
}

// lasts refuses a duration that is not above 0 and below a month.
func (p *problems) lasts(key string, d time.Duration) {
	if d <= 0 || d > 31*24*time.Hour {
		p.add(key, "%v is out of range: above 0, at most 744h", d)
	}
}

func (p *problems) oneOf(key, v string, words ...string) {
	if !slices.Contains(words, v) {
		p.add(key, "%q is not one of %s", v, strings.Join(words, ", "))
	}
}

// Check reports everything that is wrong, each with its key under simulated:, or
// nil.
func (o *Opts) Check() error {
	var p problems
	p.oneOf("miso", o.MISO, "low", "high")
	if o.Interlock != "" && !validPin(o.Interlock) {
		p.add("interlock", "%q is no pin of a simulated rig: GPIO0 to GPIO27", o.Interlock)
	}
	p.room(&o.Room)
	p.errors(&o.Errors)
	p.meter(&o.Meter)
	p.chips(o.Chips)
	last := time.Duration(0)
	for i, l := range o.Load {
		key := fmt.Sprintf("load[%d]", i)
		p.within(key+".level", l.Level, 0, 1.5, "")
		if l.At < last {
			p.add(key+".at", "%v comes before the step above it: put the steps in order of time, none before 0s", l.At)
		}
		last = l.At
	}
	for i := range o.Faults {
		p.fault(fmt.Sprintf("faults[%d]", i), &o.Faults[i], false, o.Chips)
	}
	p.unit("unit.", &o.Unit, o.Chips)
	return errors.Join(p...)
}

// check is Check for a unit that is to be mounted on a rig with these chips.
func (u *UnitOpts) check(chips []Chip) error {
	var p problems
	p.unit("", u, chips)
	return errors.Join(p...)
}

func (p *problems) room(r *Room) {
	p.within("room.mean", r.Mean, -20, 60, " degC")
	p.within("room.swing", r.Swing, 0, 10, " K")
	if r.Swing != 0 {
		p.lasts("room.period", r.Period)
	}
	p.within("room.recirculation", r.Recirculation, 0, 1, "")
	for i, s := range r.Setbacks {
		key := fmt.Sprintf("room.setbacks[%d]", i)
		p.within(key+".by", s.By, -30, 30, " K")
		if s.At < 0 || s.For < 0 || s.Within < 0 {
			p.add(key, "at, for and within can't be negative")
		}
	}
}

func (p *problems) errors(e *Errors) {
	p.within("errors.offset", e.OffsetK, 0, 10, " K")
	p.within("errors.wire_gain", e.WireGain, 0, 0.1, "")
	p.within("errors.cold", e.ColdK, 0, 10, " K")
	p.within("errors.noise", e.NoiseK, 0, 10, " K")
	p.within("errors.self_heat", e.SelfHeatK, 0, 40, " K")
	p.within("errors.self_spread", e.SelfSpreadK, 0, 10, " K")
	p.within("errors.bead", e.BeadS, 0, 60, " s")
}

func (p *problems) meter(m *Meter) {
	p.within("meter.gain_error", m.GainError, 0, 0.1, "")
	p.within("meter.noise", m.Noise, 0, 0.1, "")
	p.within("meter.power_step", m.PowerStepW, 0, 100, " W")
	p.within("meter.energy_step", m.EnergyStep, 0, 10, " kWh")
	p.within("meter.counter", m.CounterKWh, 0, 99999, " kWh")
	p.within("meter.voltage", m.VoltageV, 80, 300, " V")
	p.within("meter.mains", m.MainsHz, 40, 70, " Hz")
}

func (p *problems) chips(chips []Chip) {
	seen := map[string]int{}
	for i := range chips {
		c, key := &chips[i], fmt.Sprintf("chips[%d]", i)
		model, ok := models()[c.Model]
		if !ok {
			p.add(key+".model", "%q is not emulated: use one of %s", c.Model, strings.Join(modelNames(), ", "))
			continue
		}
		port := strings.ToUpper(c.Port)
		if model.i2c != strings.HasPrefix(port, "I2C") || !strings.HasPrefix(port, "SPI") && !model.i2c {
			p.add(key+".port", "%q does not fit %s, which sits on %s", c.Port, c.Model, model.bus())
		}
		if model.i2c && (c.Address < model.low || c.Address > model.high) {
			p.add(key+".address", "%#x is not an address of %s: %#x to %#x", c.Address, c.Model, model.low, model.high)
		}
		if !model.i2c && c.Address != 0 {
			p.add(key+".address", "%s sits on SPI and has no address", c.Model)
		}
		if c.Select != "" && (model.i2c || !validPin(c.Select)) {
			p.add(key+".select", "%q: only SPI chips have a select, GPIO0 to GPIO27", c.Select)
		}
		p.couple(key+".couple", c)
		if _, kind := parsePlace(c.Place); kind == placeNone {
			p.add(key+".place", "%q is no place: use \"stage 1\" to \"stage %d\", room, intake, exhaust or electronics", c.Place, maxStages)
		}
		if _, kind := parsePlace(c.Place23); c.Place23 != "" && (kind == placeNone || c.Model != "ads1118") {
			p.add(key+".place23", "%q: only an ads1118 has inputs 2 and 3, and they need a place", c.Place23)
		}
		if other, dup := seen[c.id()]; dup {
			p.add(key, "%s is taken by chips[%d]", c.id(), other)
		}
		seen[c.id()] = i
	}
}

func (p *problems) couple(key string, c *Chip) {
	if c.Couple == "" {
		return
	}
	if c.Model == "mcp9808" {
		p.add(key, "an mcp9808 has no thermocouple: leave the key out")
		return
	}
	ty, err := its90.ParseType(c.Couple)
	if err != nil {
		p.add(key, "%v", err)
		return
	}
	if c.Model == "max31855" && slopeOf(ty) == 0 {
		p.add(key, "there is no max31855 for type %s: K, J, N, S, T, E or R", c.Couple)
	}
	if known := types56(); c.Model != "ads1118" && !slices.Contains(known[:], ty) { // the MCP960x knows the same eight
		p.add(key, "a %s does not know type %s: B, E, J, K, N, R, S or T", c.Model, c.Couple)
	}
}

func (p *problems) fault(key string, f *Fault, ofUnit bool, chips []Chip) {
	spec, ok := faultSpecs()[f.Kind]
	if !ok {
		p.add(key+".kind", "%q is no fault: %s", f.Kind, strings.Join(FaultKinds(), "; "))
		return
	}
	if f.Chip != "" && f.Place != "" {
		p.add(key, "give either chip or place")
	}
	if ofUnit && f.Chip != "" {
		p.add(key+".chip", "a unit does not know the rig's chips: give a place")
	}
	_, kind := parsePlace(f.Place)
	if f.Place != "" && kind == placeNone {
		p.add(key+".place", "%q is no place", f.Place)
	}
	isMeter := f.Chip == meterName
	known := f.Chip == "" || isMeter ||
		slices.ContainsFunc(chips, func(c Chip) bool { return c.id() == canonicalChip(f.Chip) })
	switch {
	case !known:
		p.add(key+".chip", "there is no chip %s on this rig", f.Chip)
	case spec.target == "stage" && kind != placeStage:
		p.add(key+".place", "%s needs a stage, for instance \"stage 3\"", f.Kind)
	case spec.target == "meter" && !isMeter:
		p.add(key+".chip", "%s is a fault of the meter: write chip: %s", f.Kind, meterName)
	case isMeter && spec.target != "meter" && spec.target != "both":
		p.add(key+".kind", "a meter can't be %s", f.Kind)
	case spec.target == "unit" && (f.Chip != "" || f.Place != ""):
		p.add(key, "%s concerns the whole unit: give neither chip nor place", f.Kind)
	}
	p.oneOf(key+".from", f.from(ofUnit), fromStart, fromMount, fromLoad)
	if f.At < 0 || f.For < 0 || f.Every < 0 {
		p.add(key, "at, for and every can't be negative")
	}
	switch spec.kind {
	case faultDetached:
		p.within(key+".value", f.Value, 0, 1, "")
	case faultFanStop, faultNoisy:
		p.within(key+".value", f.Value, 0.01, 100, "")
	case faultSpikes:
		if f.Every < 4*time.Second {
			p.add(key+".every", "%v: spikes need a mean time between them, at least 4s", f.Every)
		}
		fallthrough
	case faultPickup:
		p.within(key+".value", f.Value, -200, 200, " K")
	}
}

func (p *problems) unit(at string, u *UnitOpts, chips []Chip) {
	if n := len(u.Stages); n < 1 || n > maxStages {
		p.add(at+"stages", "%d stages: give 1 to %d", n, maxStages)
	}
	total := 0.0
	for i, s := range u.Stages {
		key := fmt.Sprintf("%sstages[%d].", at, i)
		p.within(key+"k_per_w", s.KPerW, 1e-3, 1000, " K/W")
		p.within(key+"share", s.Share, 0, 1e6, "")
		total += s.Share
	}
	if len(u.Stages) > 0 && !(total > 0) {
		p.add(at+"stages", "no stage has a share of the loss")
	}
	if u.StageTime < time.Second || u.StageTime > time.Hour {
		p.add(at+"stage_time", "%v is out of range: 1s to 1h", u.StageTime)
	}
	p.mass(at+"sink", u.Sink)
	p.mass(at+"die", u.Die)
	p.mass(at+"box", u.Box)
	p.tooFast(at, u)
	p.power(at, u)
	p.limits(at, u)
	for i := range u.Faults {
		p.fault(fmt.Sprintf("%sfaults[%d]", at, i), &u.Faults[i], true, nil)
	}
	for i := range chips {
		for _, name := range []string{chips[i].Place, chips[i].Place23} {
			if n, kind := parsePlace(name); kind == placeStage && n >= len(u.Stages) {
				p.add(at+"stages", "chip %s sits on %s, but the unit has %d stages", chips[i].id(), name, len(u.Stages))
			}
		}
	}
}

func (p *problems) mass(key string, m Mass) {
	p.within(key+".k_per_w", m.KPerW, 1e-4, 100, " K/W")
	if m.Time < time.Second || m.Time > 24*time.Hour {
		p.add(key+".time", "%v is out of range: 1s to 24h", m.Time)
	}
}

// tooFast refuses networks whose sink or enclosure follows its neighbours faster
// than the fixed step can.
func (p *problems) tooFast(at string, u *UnitOpts) {
	toStages := 0.0
	for _, s := range u.Stages {
		toStages += 1 / s.KPerW
	}
	rate := func(m Mass, others float64) float64 { return (1/m.KPerW + others) * m.KPerW / m.Time.Seconds() }
	if r := rate(u.Sink, toStages); r > 1 {
		p.add(at+"sink", "the stages pull at it with a time constant of %.2g s, below 1s: raise its time or lower its k_per_w", 1/r)
	}
	if r := rate(u.Box, 1/u.Sink.KPerW+1/u.Die.KPerW); r > 1 {
		p.add(at+"box", "sink and die pull at it with a time constant of %.2g s, below 1s: raise its time or lower its k_per_w", 1/r)
	}
}

func (p *problems) supply(key string, s Supply) {
	p.within(key+".fixed", s.FixedW, 0, 1e4, " W")
	p.within(key+".linear", s.Linear, 0, 10, " W/W")
	p.within(key+".quadratic", s.Quadratic, 0, 1, " 1/W")
}

func (p *problems) power(at string, u *UnitOpts) {
	p.within(at+"idle_wall", u.IdleWallW, 0, 1e5, " W")
	p.within(at+"load_wall", u.LoadWallW, u.IdleWallW, 1e5, " W")
	p.within(at+"rest", u.RestW, 0, 1e5, " W")
	p.within(at+"standby", u.StandbyW, 0, 1e3, " W")
	p.within(at+"jitter", u.Jitter, 0, 0.2, "")
	p.within(at+"contact_err", u.ContactErr, 0, 0.5, "")
	p.supply(at+"loss", Supply{u.Loss.FixedW, u.Loss.Linear, u.Loss.Quadratic})
	p.supply(at+"supply", u.Supply)
	p.within(at+"loss.tempco", u.Loss.TempCo, 0, 0.02, " 1/K")
	if dc := u.Supply.dcW(u.IdleWallW); u.processorW(dc) < 0 || math.IsNaN(dc) {
		p.add(at+"idle_wall", "%g W at the wall is %.1f W of direct current, less than rest (%g W) and the stages' fixed loss (%g W): lower rest or raise idle_wall",
			u.IdleWallW, dc, u.RestW, u.Loss.FixedW)
	}
}

func (p *problems) limits(at string, u *UnitOpts) {
	l := &u.Limiter
	p.oneOf(at+"limiter.kind", l.Kind, limitNone, limitHold, limitTrip)
	if n, kind := parsePlace(l.Sense); l.Sense != "hottest" && l.Sense != "die" && (kind != placeStage || n >= len(u.Stages)) {
		p.add(at+"limiter.sense", "%q is not hottest, die or a stage of this unit", l.Sense)
	}
	p.within(at+"limiter.at", l.AtC, 20, 250, " degC")
	p.within(at+"limiter.hysteresis", l.Hysteresis, 0, 50, " K")
	p.within(at+"limiter.cut", l.Cut, 0, 1, "")
	p.within(at+"boost.factor", u.Boost.Factor, 0, 5, "")
	p.within(at+"loop.level", u.Loop.Level, 0, 1, "")
	if u.Loop.Every != 0 && (u.Loop.Gap <= 0 || u.Loop.Gap >= u.Loop.Every) {
		p.add(at+"loop.gap", "%v is out of range: above 0 and below every (%v)", u.Loop.Gap, u.Loop.Every)
	}
	if u.Boost.For < 0 || u.Loop.Every < 0 || u.Crash.After < 0 || u.Crash.Down < 0 {
		p.add(at+"boost.for, loop.every, crash.after, crash.down", "can't be negative")
	}
	p.oneOf(at+"crash.to", u.Crash.To, "idle", "off", "restart")
}
