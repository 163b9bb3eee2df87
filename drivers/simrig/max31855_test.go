package simrig

import (
	"errors"
	"math"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/bus"
	"soakrig/drivers/its90"
)

// The layout, by hand from the memory map of data sheet 19-5793 rev 5 (tables 3 to
// 5): each row is a frame written out bit by bit.
func TestMAX31855Frames(t *testing.T) {
	c := &max31855{slope: 41.276e-6}
	for _, x := range []struct {
		hotK, coldC         float64 // hot junction above cold by the chip's law
		open, ground, suppl bool
		want                uint32
	}{
		{hotK: 75, coldC: 25, want: 0x06401900},                        // 100.00, 25.0000
		{hotK: 0.1875, coldC: 100.5625, want: 0x064C6490},              // 100.75, 100.5625
		{hotK: -25, coldC: 25, want: 0x00001900},                       // 0.00
		{hotK: -25.25, coldC: 25, want: 0xFFFC1900},                    // -0.25
		{hotK: 0, coldC: -1, want: 0xFFF0FF00},                         // -1.00, -1.0000
		{hotK: 0, coldC: -20, want: 0xFEC0EC00},                        // -20.00, -20.0000
		{hotK: 975, coldC: 25, want: 0x3E801900},                       // 1000.00
		{hotK: 5000, coldC: 25, want: 0x7FFC1900},                      // stops at the end of 14 bits
		{hotK: 30, coldC: 25, open: true, want: 0x7FFD1901},            // D16 and D0
		{hotK: 30, coldC: 25, ground: true, want: 0x01911902},          // D16 and D1, looks like the terminal
		{hotK: 30, coldC: 25, suppl: true, want: 0x01911904},           // D16 and D2
		{coldC: 25, open: true, ground: true, want: 0x7FFD1903},        // both
		{coldC: 127.9375, ground: true, suppl: true, want: 0x08017FF6}, // 128.00, 127.9375, D16, D2, D1
	} {
		s := sensed{volts: x.hotK * 41.276e-6, coldC: x.coldC, open: x.open, ground: x.ground, supply: x.suppl}
		got := c.word(s)
		if got != x.want {
			t.Errorf("%+v: frame %08X, want %08X", x, got, x.want)
		}
	}
}

// The chip adds degrees to degrees by one slope. Its error for type K with the cold
// junction at 25 degC follows from the reference function.
func TestMAX31855FixedSlopeErrors(t *testing.T) {
	c := &max31855{slope: slopeOf(its90.K)}
	e25, err := its90.K.EMFVolts(25)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ hotC, errK float64 }{
		{40, -0.18}, {60, -0.20}, {80, -0.09}, {100, 0.01}, {120, -0.04}, {130, -0.14}, {150, -0.5}, {200, -2.1}, {300, -3.5},
	} {
		e, err := its90.K.EMFVolts(x.hotC)
		if err != nil {
			t.Fatal(err)
		}
		chip, _ := decode(c.word(sensed{volts: e - e25, coldC: 25}))
		near(t, "chip's error", chip-x.hotC, x.errK, 0.125+0.06)
	}
}

// On a rig: a stage at 200 degC is shown 2 K low, and 200 once linearised.
func TestMAX31855OnAHotStage(t *testing.T) {
	o := quiet()
	o.Errors.SelfHeatK = 2
	r, c := newRig(t, o)
	for i := range r.unit.t.stage {
		r.unit.t.stage[i] = 200
	}
	r.unit.perC = [maxStages]float64{} // and stays there
	c.t = 10 * time.Second
	w := word(t, open(t, r, "SPI0.0", spi.Mode0))
	chip, cold := decode(w)
	near(t, "cold junction", cold, 25, 0.04)
	near(t, "chip's own number", chip, 197.9, 0.2)
	near(t, "linearised", linearised(t, w), 200, 0.2)
}

func TestMAX31855Letters(t *testing.T) {
	for ty, uV := range map[string]float64{"K": 41.276, "J": 57.953, "N": 36.256, "S": 9.587, "T": 52.18, "E": 76.373, "R": 10.506} {
		o := quiet()
		o.Chips = []Chip{{Port: "SPI0.0", Model: "max31855", Couple: ty, Place: "stage 5"}}
		r, c := newRig(t, o)
		r.SetLoad(true)
		c.t = 3 * time.Hour
		chip, cold := decode(word(t, open(t, r, "SPI0.0", spi.Mode0)))
		letter, err := its90.ParseType(ty)
		if err != nil {
			t.Fatal(err)
		}
		e, _ := letter.EMFVolts(cold)
		got, err := letter.TempC(e + (chip-cold)*uV*1e-6)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "type "+ty, got, r.Truth().StageC[4], 0.4)
	}
	if slopeOf(its90.B) != 0 {
		t.Error("there is no type B part")
	}
}

// One conversion each 70 to 100 ms of rig time, whoever reads how often.
func TestMAX31855ConvertsFreely(t *testing.T) {
	o := quiet()
	o.Errors.NoiseK = 3 // so that two conversions hardly ever agree
	r, c := newRig(t, o)
	for _, port := range []string{"SPI0.0", "SPI0.4", "SPI0.8"} {
		conn, changes, last := open(t, r, port, spi.Mode0), 0, uint32(0)
		end := c.t + 20*time.Second
		for ; c.t < end; c.t += 5 * time.Millisecond {
			if w := word(t, conn); w != last {
				changes, last = changes+1, w
			}
		}
		if changes < 195 || changes > 290 {
			t.Errorf("%s: %d conversions in 20 s", port, changes)
		}
		a, b := word(t, conn), word(t, conn)
		if a != b {
			t.Errorf("%s: time stood still, but %08X became %08X", port, a, b)
		}
	}
}

// Data are latched only while chip select is high, and a select held low goes on
// shifting.
func TestMAX31855HeldLowFreezes(t *testing.T) {
	o := quiet()
	o.Errors.NoiseK = 3
	o.Chips = append(o.Chips, Chip{Port: "SPI0.9", Select: "GPIO22", Model: "max31855", Place: "room"})
	r, c := newRig(t, o)
	conn := open(t, r, "SPI0.9", spi.Mode0)
	p, err := r.Pin("GPIO22")
	if err != nil {
		t.Fatal(err)
	}
	c.t = 10 * time.Second
	if w := word(t, conn); w != 0 {
		t.Errorf("nobody selected, but %08X", w)
	}
	read := func() uint32 {
		if err := errors.Join(p.Out(gpio.Low)); err != nil {
			t.Fatal(err)
		}
		w := word(t, conn)
		if rest := word(t, conn); rest != 0 {
			t.Errorf("bits 33 to 64: %08X", rest)
		}
		if err := p.Out(gpio.High); err != nil {
			t.Fatal(err)
		}
		return w
	}
	first := read()
	if err := p.Out(gpio.Low); err != nil {
		t.Fatal(err)
	}
	c.t += 5 * time.Second
	if w := word(t, conn); w != first {
		t.Errorf("held low for 5 s: %08X became %08X", first, w)
	}
	if err := p.Out(gpio.High); err != nil {
		t.Fatal(err)
	}
	if w := read(); w == first || w == 0 {
		t.Errorf("released: still %08X", w)
	}
	if err := p.In(gpio.PullUp, gpio.NoEdge); err != nil || p.Read() != gpio.High {
		t.Errorf("as an input: %v, %v", p.Read(), err)
	}
}

// Two chips on one line pull each other low.
func TestTwoChipsAtOnce(t *testing.T) {
	o := quiet()
	o.Chips = []Chip{
		{Port: "SPI0.0", Model: "max31855", Place: "room"},
		{Port: "SPI0.0", Select: "GPIO5", Model: "max31855", Place: "stage 1"},
	}
	o.Faults = []Fault{{Kind: "short_to_supply", Chip: "spi0.0/gpio5", At: time.Hour}}
	r, c := newRig(t, o)
	r.SetLoad(true)
	c.t = time.Hour
	r.unit.t.stage[0] = 100
	r.hist.newest()[0] = 100
	c.t += time.Second
	conn := open(t, r, "SPI0.0", spi.Mode0)
	alone := word(t, conn)
	p, err := r.Pin("gpio5")
	if err != nil {
		t.Fatal(err)
	}
	port, err := r.SPI("SPI0.0")
	if err != nil {
		t.Fatal(err)
	}
	bare, err := port.Connect(physic.MegaHertz, spi.Mode0|spi.NoCS, 8)
	if err != nil {
		t.Fatal(err)
	}
	selected := func(conn spi.Conn) uint32 {
		if err := p.Out(gpio.Low); err != nil {
			t.Fatal(err)
		}
		defer p.Out(gpio.High)
		return word(t, conn)
	}
	other := selected(bare)
	if other&0x10007 != 0x10004 {
		t.Errorf("without the port's own select: %08X, want the shorted one", other)
	}
	if w := selected(conn); w != alone&other || w == other {
		t.Errorf("both: %08X, alone %08X and %08X", w, alone, other)
	}
}

// A mode or a clock that the part does not have shifts the frame by a bit.
func TestWrongModeAndClock(t *testing.T) {
	o := quiet()
	r, c := newRig(t, o)
	c.t = time.Second
	good := word(t, open(t, r, "SPI0.0", spi.Mode0))
	if w := word(t, open(t, r, "SPI0.0", spi.Mode1)); w != good<<1 {
		t.Errorf("mode 1: %08X, want %08X", w, good<<1)
	}
	p, _ := r.SPI("SPI0.0")
	fast, err := p.Connect(8*physic.MegaHertz, spi.Mode0, 8)
	if err != nil {
		t.Fatal(err)
	}
	if w := word(t, fast); w == good {
		t.Errorf("8 MHz: %08X as at 1 MHz", w)
	}
	if err := p.LimitSpeed(5 * physic.MegaHertz); err != nil {
		t.Fatal(err)
	}
	if w := word(t, fast); w != good {
		t.Errorf("limited to 5 MHz: %08X, want %08X", w, good)
	}
}

// probeFault runs one fault on stage 3 (SPI0.2) from second 60 for 60 s and returns
// the frame before, during and after it.
func probeFault(t *testing.T, f Fault) (before, during, after uint32, r *Rig, c *clock) {
	t.Helper()
	f.At, f.For = time.Minute, time.Minute
	o := quiet()
	o.Errors.SelfHeatK = 4
	o.Load = []LoadAt{{0, 1}}
	o.Faults = []Fault{f}
	r, c = newRig(t, o)
	conn := open(t, r, "SPI0.2", spi.Mode0)
	c.t = 59 * time.Second
	before = word(t, conn)
	c.t = 119 * time.Second
	during = word(t, conn)
	c.t = 150 * time.Second
	return before, during, word(t, conn), r, c
}

func TestProbeFaults(t *testing.T) {
	for _, x := range []struct {
		f      Fault
		during func(w uint32, truthC float64) bool
	}{
		{Fault{Kind: "open", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w>>16 == 0x7FFD && w&7 == 1 && w&0xfff0 != 0 }},
		{Fault{Kind: "open", Place: "stage 3"}, func(w uint32, _ float64) bool { return w>>16 == 0x7FFD && w&7 == 1 }},
		{Fault{Kind: "open"}, func(w uint32, _ float64) bool { return w>>16 == 0x7FFD && w&7 == 1 }},
		{Fault{Kind: "short_to_ground", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w&0x10007 == 0x10002 }},
		{Fault{Kind: "short_to_supply", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w&0x10007 == 0x10004 }},
		{Fault{Kind: "short", Chip: "SPI0.2"}, func(w uint32, _ float64) bool {
			chip, cold := decode(w)
			return w&0x10007 == 0 && math.Abs(chip-cold) < 0.3
		}},
		{Fault{Kind: "reversed", Chip: "SPI0.2"}, func(w uint32, hot float64) bool {
			chip, cold := decode(w)
			return w&0x10007 == 0 && math.Abs(chip-cold+(hot-cold)) < 3 && chip < 10
		}},
		{Fault{Kind: "pickup", Chip: "SPI0.2", Value: 6}, func(w uint32, hot float64) bool {
			chip, _ := decode(w)
			return math.Abs(chip-hot-6) < 2
		}},
		{Fault{Kind: "no_chip", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w == 0 }},
		{Fault{Kind: "brown_out", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w == 0 }},
		{Fault{Kind: "detached", Place: "stage 3"}, func(w uint32, hot float64) bool {
			chip, _ := decode(w)
			return chip < hot-8 && chip > 22
		}},
		{Fault{Kind: "detached", Place: "stage 3", Value: 0.5}, func(w uint32, hot float64) bool {
			chip, _ := decode(w)
			return chip < hot-4 && chip > 26
		}},
	} {
		before, during, after, r, _ := probeFault(t, x.f)
		if before&0x1000f != 0 || after&0x1000f != 0 {
			t.Errorf("%s: frames %08X before and %08X after it", x.f.Kind, before, after)
		}
		hot := r.Truth().StageC[2]
		near(t, x.f.Kind+": after", linearised(t, after), hot, 1)
		if !x.during(during, hot-1.5) {
			chip, cold := decode(during)
			t.Errorf("%+v: frame %08X (%.2f, cold %.2f) while the stage is near %.1f", x.f, during, chip, cold, hot)
		}
	}
}

// A bead in the air is restless.
func TestDetachedProbeIsNoisier(t *testing.T) {
	o := quiet()
	o.Faults = []Fault{{Kind: "detached", Place: "stage 3", At: time.Hour}}
	r, c := newRig(t, o)
	spread := func() float64 {
		lo, hi := math.Inf(1), math.Inf(-1)
		for range 400 {
			c.t += Step
			r.Truth()
			v := r.hist.newest()[2]
			lo, hi = min(lo, v), max(hi, v)
		}
		return hi - lo
	}
	c.t = 50 * time.Minute
	r.Truth()
	if s := spread(); s > 0.05 {
		t.Errorf("bonded: wanders by %.3f K", s)
	}
	c.t = 70 * time.Minute
	r.Truth()
	if s := spread(); s < 0.3 || s > 3 {
		t.Errorf("in the air: wanders by %.3f K", s)
	}
}

func TestFloatingHigh(t *testing.T) {
	o := quiet()
	o.MISO = "high"
	o.Faults = []Fault{{Kind: "no_chip", Chip: "SPI0.0"}}
	r, _ := newRig(t, o)
	for _, port := range []string{"SPI0.0", "SPI0.9"} {
		if w := word(t, open(t, r, port, spi.Mode0)); w != math.MaxUint32 {
			t.Errorf("%s: %08X", port, w)
		}
	}
}

func TestFrozenNoisyBusError(t *testing.T) {
	o := quiet()
	o.Errors.NoiseK = 0.5
	o.Faults = []Fault{
		{Kind: "frozen", Chip: "SPI0.0", At: time.Minute, For: time.Minute},
		{Kind: "noisy", Chip: "SPI0.1", Value: 8, At: time.Minute},
		{Kind: "bus_error", Chip: "SPI0.2", At: time.Minute, For: time.Minute},
	}
	r, c := newRig(t, o)
	still, loud, dead := open(t, r, "SPI0.0", spi.Mode0), open(t, r, "SPI0.1", spi.Mode0), open(t, r, "SPI0.2", spi.Mode0)
	spread := func(conn spi.Conn) float64 {
		lo, hi := math.Inf(1), math.Inf(-1)
		for range 100 {
			c.t += 100 * time.Millisecond
			chip, _ := decode(word(t, conn))
			lo, hi = min(lo, chip), max(hi, chip)
		}
		return hi - lo
	}
	calm := spread(loud)
	if spread(still) == 0 {
		t.Error("frozen before its time")
	}
	c.t = 61 * time.Second
	if s := spread(still); s != 0 {
		t.Errorf("frozen, but wanders by %g K", s)
	}
	if s := spread(loud); s < 3*calm {
		t.Errorf("noise %.2f K, %.2f K before", s, calm)
	}
	if err := dead.Tx(nil, make([]byte, 4)); !errors.Is(err, syscall.EIO) {
		t.Errorf("bus error: %v", err)
	}
	c.t = 121 * time.Second
	if spread(still) == 0 {
		t.Error("frozen after its time")
	}
	word(t, dead)
}

// A dip leaves 200 ms of doubtful data behind: all zero here.
func TestBrownOut(t *testing.T) {
	o := quiet()
	o.Faults = []Fault{{Kind: "brown_out", Chip: "SPI0.0", At: time.Minute, For: 100 * time.Millisecond}}
	r, c := newRig(t, o)
	conn := open(t, r, "SPI0.0", spi.Mode0)
	c.t = time.Minute - time.Millisecond
	if word(t, conn) == 0 {
		t.Error("zero before the dip")
	}
	for _, ms := range []int{0, 99, 150, 290} {
		c.t = time.Minute + time.Duration(ms)*time.Millisecond
		if w := word(t, conn); w != 0 {
			t.Errorf("%d ms after the dip began: %08X", ms, w)
		}
	}
	c.t = time.Minute + 500*time.Millisecond
	if word(t, conn) == 0 {
		t.Error("still zero 400 ms after the dip's end")
	}
}

func TestSpikes(t *testing.T) {
	o := quiet()
	o.Faults = []Fault{{Kind: "spikes", Chip: "SPI0.8", Value: 8, Every: 20 * time.Second}}
	r, c := newRig(t, o)
	conn := open(t, r, "SPI0.8", spi.Mode0)
	bursts, in, longest, length := 0, false, 0, 0
	for c.t < time.Hour {
		c.t += 100 * time.Millisecond
		chip, _ := decode(word(t, conn))
		hit := math.Abs(chip-23) > 1.5
		switch {
		case hit && !in:
			bursts, length = bursts+1, 1
		case hit:
			length++
		}
		in = hit
		longest = max(longest, length)
	}
	if bursts < 90 || bursts > 220 {
		t.Errorf("%d bursts in an hour with one each 20 s on average", bursts)
	}
	if longest < 18 || longest > 60 {
		t.Errorf("longest burst %d conversions", longest)
	}
}

func TestPickupOnlyWhileLoaded(t *testing.T) {
	o := quiet()
	o.Faults = []Fault{{Kind: "pickup", Place: "intake", Value: 5}}
	r, c := newRig(t, o)
	conn := open(t, r, "SPI0.8", spi.Mode0)
	c.t = 10 * time.Second
	near(t, "idle", linearised(t, word(t, conn)), 23, 0.4)
	r.SetLoad(true)
	c.t = 12 * time.Second
	near(t, "loaded", linearised(t, word(t, conn)), 28, 0.4)
	r.SetLoad(false)
	c.t = 14 * time.Second
	near(t, "idle again", linearised(t, word(t, conn)), 23, 0.4)
}

// A unit's faults go with it; those that count from the load wait for it.
func TestFaultsOfAUnit(t *testing.T) {
	o := quiet()
	o.Unit.Faults = []Fault{
		{Kind: "open", Place: "stage 1", At: time.Minute},
		{Kind: "open", Place: "stage 2", At: time.Minute, From: "mount"},
		{Kind: "open", Place: "stage 3", At: time.Minute, From: "start"},
	}
	o.Faults = []Fault{{Kind: "open", Chip: "SPI0.3", At: time.Minute, From: "load"}}
	r, c := newRig(t, o)
	state := func() (s string) {
		for _, port := range []string{"SPI0.0", "SPI0.1", "SPI0.2", "SPI0.3"} {
			if word(t, open(t, r, port, spi.Mode0))&1 != 0 {
				s += "x"
			} else {
				s += "-"
			}
		}
		return s
	}
	want := func(what, s string) {
		t.Helper()
		if got := state(); got != s {
			t.Errorf("%s: %s, want %s", what, got, s)
		}
	}
	c.t = 50 * time.Second
	want("at first", "----")
	c.t = 70 * time.Second
	want("a minute after start and mounting", "-xx-")
	r.SetLoad(true)
	c.t += 62 * time.Second
	want("a minute of load", "xxxx")
	if err := r.Mount(quiet().Unit); err != nil {
		t.Fatal(err)
	}
	c.t += 5 * time.Minute
	want("another unit", "----")
	r.SetLoad(true)
	c.t += 62 * time.Second
	want("another unit, loaded", "---x")
	if err := r.Mount(o.Unit); err != nil {
		t.Fatal(err)
	}
	c.t += time.Second
	want("first unit again", "--x-")
}

func TestFanStop(t *testing.T) {
	o := quiet()
	o.Load = []LoadAt{{0, 1}}
	o.Faults = []Fault{{Kind: "fan_stop", Value: 1.5, At: 3 * time.Hour}}
	r, c := newRig(t, o)
	c.t = 3 * time.Hour
	before := r.Truth()
	c.t = 3*time.Hour + 30*time.Minute
	after := r.Truth()
	near(t, "sink over enclosure", after.SinkC-after.BoxC, 1.5*(before.SinkC-before.BoxC), 1)
}

func TestSPIRefusals(t *testing.T) {
	r, _ := newRig(t, quiet())
	_, err := r.SPI("SPI3.0")
	wantError(t, err, `no SPI port "SPI3.0": there are SPI0.0, SPI0.1`)
	p, err := r.SPI("SPI0.0")
	if err != nil {
		t.Fatal(err)
	}
	wantError(t, p.LimitSpeed(0), "no limit")
	_, err = p.Connect(0, spi.Mode0, 8)
	wantError(t, err, "invalid speed")
	_, err = p.Connect(physic.MegaHertz, spi.Mode0, 16)
	wantError(t, err, "16 bits per word")
	_, err = p.Connect(physic.MegaHertz, spi.Mode0|spi.HalfDuplex, 8)
	wantError(t, err, "is not simulated")
	c, err := p.Connect(physic.MegaHertz, spi.Mode0, 8)
	if err != nil {
		t.Fatal(err)
	}
	_, err = p.Connect(physic.MegaHertz, spi.Mode0, 8)
	wantError(t, err, "only be called once")
	wantError(t, c.Tx(nil, nil), "0 bytes")
	wantError(t, c.Tx(make([]byte, 2), make([]byte, 3)), "both need one length")
	wantError(t, c.Tx(nil, make([]byte, 5000)), "5000 bytes")
	wantError(t, c.TxPackets(nil), "not simulated")
	if err := c.Tx([]byte{1, 2}, nil); err != nil {
		t.Errorf("writing only: %v", err)
	}
	if c.Duplex().String() != "Full" || c.(interface{ MaxTxSize() int }).MaxTxSize() != 4096 || c.String() != "SPI0.0" || p.String() != "SPI0.0" {
		t.Error("limits and names")
	}
	for range 2 {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	}
	if err := c.Tx(nil, make([]byte, 4)); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	if _, err = p.Connect(physic.MegaHertz, spi.Mode0, 8); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("Connect after Close: %v", err)
	}
}
