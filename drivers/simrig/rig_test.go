package simrig

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/its90"
)

// clock is rig time that a test moves by hand.
type clock struct{ t time.Duration }

func (c *clock) now() time.Duration { return c.t }

// quiet is the default rig without imperfections and with a still room.
func quiet() Opts {
	o := DefaultOpts()
	o.Room = Room{Mean: 23, Period: time.Minute}
	o.Errors = Errors{}
	o.Meter.GainError, o.Meter.Noise, o.Meter.PowerStepW, o.Meter.EnergyStep = 0, 0, 0, 0
	o.Unit.Jitter, o.Unit.ContactErr = 0, 0
	return o
}

func newRig(t testing.TB, o Opts) (*Rig, *clock) {
	t.Helper()
	c := &clock{}
	r, err := New(o, c.now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
	return r, c
}

// open connects a port in the mode that suits a MAX31855.
func open(t testing.TB, r *Rig, name string, mode spi.Mode) spi.Conn {
	t.Helper()
	p, err := r.SPI(name)
	if err != nil {
		t.Fatal(err)
	}
	c, err := p.Connect(physic.MegaHertz, mode, 8)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// word reads four bytes.
func word(t testing.TB, c spi.Conn) uint32 {
	t.Helper()
	var b [4]byte
	if err := c.Tx(nil, b[:]); err != nil {
		t.Fatal(err)
	}
	return binary.BigEndian.Uint32(b[:])
}

// decode takes a MAX31855 frame apart by the data sheet's memory map: D31..18
// thermocouple in 0.25 degC, D15..4 cold junction in 0.0625 degC.
func decode(w uint32) (chipC, coldC float64) {
	return float64(int32(w)>>18) * 0.25, float64(int16(w)>>4) * 0.0625
}

// linearised undoes the fixed slope.
func linearised(t testing.TB, w uint32) float64 {
	t.Helper()
	chip, cold := decode(w)
	e, err := its90.K.EMFVolts(cold)
	if err != nil {
		t.Fatal(err)
	}
	c, err := its90.K.TempC(e + (chip-cold)*41.276e-6)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %.6g, want %.6g +- %.2g", what, got, want, within)
	}
}

// A default rig, cold: every probe reads the room.
func TestColdRigReadsRoom(t *testing.T) {
	o := quiet()
	o.Unit.Off = true
	r, c := newRig(t, o)
	c.t = time.Minute
	for _, port := range []string{"SPI0.0", "SPI0.3", "SPI0.7", "SPI0.8", "/dev/spidev0.8"} {
		near(t, port, linearised(t, word(t, open(t, r, port, spi.Mode0))), 23, 0.2)
	}
	near(t, "wall power when off", r.Truth().WallW, o.Unit.StandbyW, 0)
}

// Loaded for long, the emulated chips read what the model says, to the chip's
// resolution, after linearising.
func TestLoadedProbesReadTheirPlaces(t *testing.T) {
	o := quiet()
	o.Errors.SelfHeatK = 4
	r, c := newRig(t, o)
	r.SetLoad(true)
	c.t = 4 * time.Hour
	truth := r.Truth()
	for i, want := range truth.StageC {
		w := word(t, open(t, r, o.Chips[i].Port, spi.Mode0))
		if w&0x1000f != 0 || w&(1<<17|1<<3) != 0 {
			t.Errorf("%s: frame %08X carries fault or reserved bits", o.Chips[i].Port, w)
		}
		_, cold := decode(w)
		near(t, "cold junction", cold, 27, 0.04)
		near(t, o.Chips[i].Place, linearised(t, w), want, 0.2)
	}
	near(t, "hottest default stage", truth.StageC[4], 80, 2)
}

func TestSameSeedSameFrames(t *testing.T) {
	run := func(seed uint64, every time.Duration) map[time.Duration]uint32 {
		o := DefaultOpts()
		o.Seed = seed
		o.Faults = []Fault{{Kind: "spikes", Place: "stage 2", Value: 10, Every: 30 * time.Second}}
		o.Load = []LoadAt{{At: 20 * time.Second, Level: 1}}
		r, c := newRig(t, o)
		conn := open(t, r, "SPI0.1", spi.Mode0)
		got := map[time.Duration]uint32{}
		for c.t < 5*time.Minute {
			c.t += every
			if w := word(t, conn); c.t%(6*time.Second) == 0 {
				got[c.t] = w
			}
		}
		return got
	}
	a, b := run(7, 100*time.Millisecond), run(7, 2*time.Second)
	if len(a) < 50 || len(b) < 50 {
		t.Fatalf("%d and %d frames", len(a), len(b))
	}
	for at, w := range b {
		if a[at] != w {
			t.Errorf("at %v: %08X when polled at 10 Hz, %08X at 0.5 Hz", at, a[at], w)
		}
	}
	other, same := run(8, 2*time.Second), 0
	for at, w := range other {
		if a[at] == w {
			same++
		}
	}
	if same > len(a)/2 {
		t.Errorf("another seed gave %d of %d frames again", same, len(a))
	}
}

func TestClockThatGoesBackChangesNothing(t *testing.T) {
	r, c := newRig(t, quiet())
	r.SetLoad(true)
	c.t = 10 * time.Minute
	before := r.Truth()
	c.t = time.Minute
	if after := r.Truth(); after.At != before.At || after.WallJ != before.WallJ {
		t.Errorf("went from %v to %v", before.At, after.At)
	}
}

func TestNowIsStartPlusRigTime(t *testing.T) {
	r, c := newRig(t, quiet())
	c.t = 90 * time.Second
	want := time.Date(2026, 1, 5, 8, 1, 30, 0, time.UTC)
	if got := r.Now(); !got.Equal(want) {
		t.Errorf("Now() = %v, want %v", got, want)
	}
}

func TestMountBringsAColdUnit(t *testing.T) {
	r, c := newRig(t, quiet())
	r.SetLoad(true)
	c.t = time.Hour
	if hot := r.Truth().StageC[4]; hot < 60 {
		t.Fatalf("stage 5 at %.1f degC after an hour of load", hot)
	}
	next := quiet().Unit
	next.Name, next.LoadWallW, next.Off = "second", 250, true
	if err := r.Mount(next); err != nil {
		t.Fatal(err)
	}
	truth := r.Truth()
	near(t, "stage 5 after mounting", truth.StageC[4], 23, 1e-9)
	if truth.Level != 0 {
		t.Errorf("mounted at load level %g", truth.Level)
	}
	c.t += 30 * time.Second
	near(t, "its probe", linearised(t, word(t, open(t, r, "SPI0.4", spi.Mode0))), 23, 0.2)
	r.SetLoad(true)
	if r.Truth().Level != 0 {
		t.Error("a load script runs on a unit that is switched off")
	}
	r.SetPower(true)
	r.SetLoad(true)
	c.t += time.Second
	near(t, "wall power", r.Truth().WallW, 250, 1)
}

func TestMountRefusesWhatDoesNotFit(t *testing.T) {
	r, _ := newRig(t, quiet())
	u := quiet().Unit
	u.Stages = u.Stages[:6]
	err := r.Mount(u)
	wantError(t, err, "chip SPI0.7 sits on stage 8, but the unit has 6 stages")
	near(t, "former unit's stages", float64(len(r.Truth().StageC)), 8, 0)
}

func TestScheduleAndScript(t *testing.T) {
	o := quiet()
	o.Load = []LoadAt{{10 * time.Second, 1}, {20 * time.Second, 0.5}, {30 * time.Second, 0}}
	r, c := newRig(t, o)
	levels := map[time.Duration]float64{9 * time.Second: 0, 11 * time.Second: 1, 21 * time.Second: 0.5, 31 * time.Second: 0}
	for _, at := range []time.Duration{9, 11, 21, 31} {
		c.t = at * time.Second
		near(t, "level", r.Truth().Level, levels[c.t], 0)
	}
	if err := r.SetLevel(0.25); err != nil {
		t.Fatal(err)
	}
	near(t, "level by script", r.Truth().Level, 0.25, 0)
	for _, bad := range []float64{-0.1, 1.6, math.NaN()} {
		if err := r.SetLevel(bad); err == nil {
			t.Errorf("SetLevel(%g) was accepted", bad)
		}
	}
}

func TestSetPower(t *testing.T) {
	r, c := newRig(t, quiet())
	r.SetLoad(true)
	c.t = time.Minute
	r.SetPower(true)
	near(t, "switched on again while loaded", r.Truth().Level, 1, 0)
	r.SetPower(false)
	c.t += time.Second
	truth := r.Truth()
	if !truth.SwitchedOff || truth.Level != 0 || truth.WallW != quiet().Unit.StandbyW {
		t.Errorf("switched off: %+v", truth)
	}
	r.SetPower(true)
	c.t += time.Second
	near(t, "idle again", r.Truth().WallW, 60, 0.5)
}

func TestRoom(t *testing.T) {
	rm := room{o: Room{Mean: 22, Swing: 0.5, Period: 10 * time.Minute, Setbacks: []Setback{
		{At: time.Hour, For: 2 * time.Hour, By: -3, Within: 10 * time.Minute},
	}}}
	lo, hi := math.Inf(1), math.Inf(-1)
	for s := 0.0; s < 600; s++ {
		lo, hi = min(lo, rm.at(s)), max(hi, rm.at(s))
	}
	near(t, "coolest of a cycle", lo, 21.5, 0.001)
	near(t, "warmest of a cycle", hi, 22.5, 0.001)
	near(t, "one time constant into the night", rm.at(4200), 22-3*(1-math.Exp(-1)), 1e-9)
	near(t, "end of the night", rm.at(10800), 19, 0.01)
	near(t, "next day", rm.at(10800+6000), 22, 0.01)
	forGood := Setback{At: 0, By: 5}
	near(t, "no end, default time constant", forGood.at(1200), 5*(1-math.Exp(-1)), 1e-9)
	near(t, "before it begins", (&Setback{At: time.Hour, By: 5}).at(10), 0, 0)
}

func TestDiceAreFair(t *testing.T) {
	d, n := dice(mix(3)), 200000
	var sum, sq, exp float64
	for i := range n {
		g := d.gauss(5, uint64(i))
		sum += g
		sq += g * g
		exp += d.exponential(6, uint64(i))
	}
	near(t, "mean", sum/float64(n), 0, 0.01)
	near(t, "variance", sq/float64(n), 1, 0.02)
	near(t, "exponential mean", exp/float64(n), 1, 0.02)
}
