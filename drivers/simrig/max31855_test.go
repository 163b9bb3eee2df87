package simrig

import (
	"errors"
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
