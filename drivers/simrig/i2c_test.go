package simrig

import (
	"encoding/binary"
	"errors"
	"math"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"soakrig/drivers/bus"
)

// onWire is a rig with one I2C chip at 60h or 18h.
func onWire(t *testing.T, chip Chip, change func(*Opts)) (*Rig, *clock, i2c.BusCloser) {
	t.Helper()
	o := quiet()
	o.Errors.SelfHeatK = 4
	chip.Port = "I2C1"
	o.Chips = []Chip{chip}
	if change != nil {
		change(&o)
	}
	r, c := newRig(t, o)
	b, err := r.I2C("I2C1")
	if err != nil {
		t.Fatal(err)
	}
	return r, c, b
}

// get reads n bytes from a register.
func get(t *testing.T, b i2c.Bus, address uint16, register byte, n int) []byte {
	t.Helper()
	r := make([]byte, n)
	if err := b.Tx(address, []byte{register}, r); err != nil {
		t.Fatal(err)
	}
	return r
}

func put(t *testing.T, b i2c.Bus, address uint16, w ...byte) {
	t.Helper()
	if err := b.Tx(address, w, nil); err != nil {
		t.Fatal(err)
	}
}

// signed is a register of two bytes in 0.0625 degC.
func signed(t *testing.T, b i2c.Bus, address uint16, register byte) float64 {
	t.Helper()
	return float64(int16(binary.BigEndian.Uint16(get(t, b, address, register, 2)))) * 0.0625
}

var hot96 = Chip{Model: "mcp9600", Address: 0x60, Place: "stage 5"}

func TestMCP9600Registers(t *testing.T) {
	r, c, b := onWire(t, hot96, nil)
	r.SetLoad(true)
	c.t = time.Hour
	truth := r.Truth()
	hot, delta, cold := signed(t, b, 0x60, 0), signed(t, b, 0x60, 1), signed(t, b, 0x60, 2)
	near(t, "hot junction", hot, truth.StageC[4], 0.1)
	near(t, "cold junction", cold, 27, 0.04)
	near(t, "difference", delta, hot-cold, 0.1)
	raw := get(t, b, 0x60, 3, 3)
	uv := float64(int32(uint32(raw[0])<<24|uint32(raw[1])<<16|uint32(raw[2])<<8)>>8) * 2
	near(t, "raw, microvolts", uv, r.chips[0].common().sense(4, 3600, 0, 0).volts*1e6, 3)
	if id := get(t, b, 0x60, 0x20, 2); id[0] != 0x40 || id[1] != 0x10 {
		t.Errorf("identity % X", id)
	}
	if s := get(t, b, 0x60, 4, 1)[0]; s != 0x40 {
		t.Errorf("status %02X", s)
	}
	put(t, b, 0x60, 4, 0)
	if s := get(t, b, 0x60, 4, 1)[0]; s != 0 {
		t.Errorf("status %02X once cleared", s)
	}
	c.t += 100 * time.Millisecond
	if s := get(t, b, 0x60, 4, 1)[0]; s != 0 {
		t.Errorf("status %02X in the middle of a conversion", s)
	}
	c.t += 300 * time.Millisecond
	if s := get(t, b, 0x60, 4, 1)[0]; s != 0x40 {
		t.Errorf("status %02X after it", s)
	}
	// The pointer stays, and nothing drives the line after a register.
	put(t, b, 0x60, 2)
	tail := make([]byte, 4)
	if err := b.Tx(0x60, nil, tail); err != nil {
		t.Fatal(err)
	}
	if got := float64(int16(binary.BigEndian.Uint16(tail))) * 0.0625; math.Abs(got-27) > 0.1 || tail[2] != 0xff || tail[3] != 0xff {
		t.Errorf("with the pointer left at 2: % X", tail)
	}
}

func TestMCP9600Types(t *testing.T) {
	for kind, letter := range []string{"K", "J", "T", "N", "S", "E", "B", "R"} {
		chip := hot96
		chip.Couple = letter
		r, c, b := onWire(t, chip, nil)
		put(t, b, 0x60, 5, byte(kind)<<4)
		r.SetLoad(true)
		c.t = 2 * time.Hour
		within := 0.5
		if letter == "B" {
			within = 40
		}
		near(t, "type "+letter, signed(t, b, 0x60, 0), r.Truth().StageC[4], within)
		if got := get(t, b, 0x60, 5, 1)[0]; got != byte(kind)<<4 {
			t.Errorf("type %s: register 5 = %02X", letter, got)
		}
	}
}

func TestMCP9600Pace(t *testing.T) {
	for _, x := range []struct {
		device byte
		ms     float64
	}{{0x00, 332}, {0x20, 92}, {0x40, 32}, {0x60, 17}} {
		_, c, b := onWire(t, hot96, func(o *Opts) { o.Errors.NoiseK = 10 })
		put(t, b, 0x60, 6, x.device)
		changes, last := 0.0, 0.0
		for c.t < 20*time.Second {
			c.t += 3 * time.Millisecond
			if v := signed(t, b, 0x60, 1); v != last {
				changes, last = changes+1, v
			}
		}
		near(t, "ms per conversion", 20000/changes, x.ms, 0.06*x.ms)
	}
	_, c, b := onWire(t, hot96, func(o *Opts) { o.Errors.NoiseK = 5 })
	put(t, b, 0x60, 6, 0x01) // shut down
	old := signed(t, b, 0x60, 0)
	c.t = time.Minute
	if v := signed(t, b, 0x60, 0); v != old {
		t.Error("converts while shut down")
	}
	put(t, b, 0x60, 6, 0x0A) // burst of 4
	c.t += time.Second
	if s := get(t, b, 0x60, 4, 1)[0]; s&0x80 != 0 {
		t.Errorf("burst over after a second: %02X", s)
	}
	c.t += time.Second
	v, s := signed(t, b, 0x60, 0), get(t, b, 0x60, 4, 1)[0]
	c.t += time.Minute
	if s&0x80 == 0 || signed(t, b, 0x60, 0) != v || v == old {
		t.Errorf("after the burst: status %02X, %g then %g", s, v, signed(t, b, 0x60, 0))
	}
	put(t, b, 0x60, 6, 0x80) // cold junction in steps of 0.25
	c.t += time.Second
	if cold := signed(t, b, 0x60, 2); math.Mod(cold, 0.25) != 0 {
		t.Errorf("cold junction %g", cold)
	}
}

func TestMCP9600Filter(t *testing.T) {
	_, c, b := onWire(t, hot96, func(o *Opts) { o.Errors.NoiseK, o.Unit.Off = 1, true })
	spread := func(n byte) float64 {
		put(t, b, 0x60, 5, n)
		c.t += 5 * time.Minute // the filter has settled
		sum, sq := 0.0, 0.0
		for range 1000 {
			c.t += 332 * time.Millisecond
			v := signed(t, b, 0x60, 0) - 23
			sum, sq = sum+v, sq+v*v
		}
		return math.Sqrt(sq/1000 - sum*sum/1e6)
	}
	// An exponential filter of k = 2/(2^n+1) leaves sqrt(k/(2-k)) of white noise.
	k := 2.0 / 17
	near(t, "noise left", spread(4)/spread(0), math.Sqrt(k/(2-k)), 0.08)
}

// Out of range, hot junction and difference stand still while the cold one goes on.
func TestMCP9600Range(t *testing.T) {
	for _, x := range []struct {
		model, kind string
		status      byte
		frozen      bool
	}{
		{"mcp9600", "open", 0x10, true}, {"mcp9601", "open", 0x10, true},
		{"mcp9600", "short_to_ground", 0, false}, {"mcp9601", "short_to_ground", 0x20, false},
		{"mcp9601", "short_to_supply", 0x20, false},
	} {
		chip := hot96
		chip.Model = x.model
		r, c, b := onWire(t, chip, func(o *Opts) {
			o.Room.Setbacks = []Setback{{At: time.Minute, By: 5, Within: 10 * time.Second}}
			o.Faults = []Fault{{Kind: x.kind, Place: "stage 5", At: time.Minute, For: 10 * time.Minute}}
		})
		c.t = 59 * time.Second
		hot, cold := signed(t, b, 0x60, 0), signed(t, b, 0x60, 2)
		r.SetLoad(true)
		c.t = 9 * time.Minute
		if s := get(t, b, 0x60, 4, 1)[0]; s&0x30 != x.status {
			t.Errorf("%s %s: status %02X", x.model, x.kind, s)
		}
		if now := signed(t, b, 0x60, 0); (now == hot) != x.frozen {
			t.Errorf("%s %s: hot junction %g, %g before", x.model, x.kind, now, hot)
		}
		near(t, "cold junction goes on", signed(t, b, 0x60, 2)-cold, 5, 0.2)
		c.t = 12 * time.Minute
		if s, now := get(t, b, 0x60, 4, 1)[0], signed(t, b, 0x60, 0); s&0x30 != 0 || now < hot+20 {
			t.Errorf("%s %s: status %02X, %g degC afterwards", x.model, x.kind, s, now)
		}
	}
	if id := func() []byte {
		_, _, b := onWire(t, Chip{Model: "mcp9601", Address: 0x67, Place: "room"}, nil)
		return get(t, b, 0x67, 0x20, 2)
	}(); id[0] != 0x41 {
		t.Errorf("MCP9601 identity % X", id)
	}
}

func TestMCP9600BrownOut(t *testing.T) {
	_, c, b := onWire(t, hot96, func(o *Opts) {
		o.Faults = []Fault{{Kind: "brown_out", Chip: "i2c1/96", At: 10 * time.Second, For: 50 * time.Millisecond}}
	})
	put(t, b, 0x60, 5, 0x24)
	put(t, b, 0x60, 6, 0x20)
	c.t = 10020 * time.Millisecond
	if err := b.Tx(0x60, []byte{0}, make([]byte, 2)); !errors.Is(err, syscall.ENXIO) {
		t.Errorf("without supply: %v", err)
	}
	c.t = 10200 * time.Millisecond
	if s, d := get(t, b, 0x60, 5, 1)[0], get(t, b, 0x60, 6, 1)[0]; s != 0 || d != 0 || signed(t, b, 0x60, 0) != 0 {
		t.Errorf("after the dip: registers %02X %02X, %g degC", s, d, signed(t, b, 0x60, 0))
	}
	c.t = 11 * time.Second
	if signed(t, b, 0x60, 0) < 20 {
		t.Error("no conversion a second after the dip")
	}
}

func TestRepeatedByte(t *testing.T) {
	_, c, b := onWire(t, hot96, func(o *Opts) { o.Faults = []Fault{{Kind: "repeat_byte", Chip: "I2C1/0x60"}} })
	c.t = time.Second
	for register := range byte(3) {
		if r := get(t, b, 0x60, register, 2); r[0] != r[1] {
			t.Errorf("register %d: % X", register, r)
		}
	}
}

func TestMCP9808(t *testing.T) {
	chip := Chip{Model: "mcp9808", Address: 0x18, Place: "intake"}
	r, c, b := onWire(t, chip, func(o *Opts) { o.Room.Recirculation = 0.1 })
	c.t = time.Minute
	ta := binary.BigEndian.Uint16(get(t, b, 0x18, 5, 2))
	if ta>>13 != 6 { // limits are 0 at power-on: above critical and upper
		t.Errorf("ambient %04X", ta)
	}
	near(t, "ambient", float64(int16(ta<<3)>>3)*0.0625, r.Truth().IntakeC, 0.1)
	if m, d := get(t, b, 0x18, 6, 2), get(t, b, 0x18, 7, 2); m[1] != 0x54 || d[0] != 0x04 {
		t.Errorf("identity % X % X", m, d)
	}
	put(t, b, 0x18, 2, 0x01, 0xE0) // upper 30
	put(t, b, 0x18, 3, 0x01, 0x90) // lower 25
	put(t, b, 0x18, 4, 0x05, 0x00) // critical 80
	if ta := binary.BigEndian.Uint16(get(t, b, 0x18, 5, 2)); ta>>13 != 1 {
		t.Errorf("ambient %04X, want below lower", ta)
	}
	if up := get(t, b, 0x18, 2, 2); up[0] != 1 || up[1] != 0xE0 {
		t.Errorf("upper % X", up)
	}
	for resolution, lsb := range []float64{0.5, 0.25, 0.125, 0.0625} {
		put(t, b, 0x18, 8, byte(resolution))
		c.t += time.Second
		v := float64(int16(binary.BigEndian.Uint16(get(t, b, 0x18, 5, 2))<<3)>>3) * 0.0625
		if got := get(t, b, 0x18, 8, 1)[0]; math.Mod(v, lsb) != 0 || got != byte(resolution) {
			t.Errorf("resolution %d (%02X): %g degC", resolution, got, v)
		}
	}
	put(t, b, 0x18, 1, 0x01, 0x00) // shut down
	before := get(t, b, 0x18, 5, 2)
	c.t += time.Hour
	r.SetLoad(true)
	c.t += time.Hour
	if after := get(t, b, 0x18, 5, 2); after[1] != before[1] {
		t.Error("converts while shut down")
	}
	put(t, b, 0x18, 1, 0, 0)
	c.t += time.Second
	if after := get(t, b, 0x18, 5, 2); after[1] == before[1] {
		t.Errorf("does not convert once awake: % X, % X", before, after)
	}
	if cfg := get(t, b, 0x18, 1, 2); cfg[0] != 0 {
		t.Errorf("config % X", cfg)
	}
}

func TestMCP9808BelowZero(t *testing.T) {
	_, c, b := onWire(t, Chip{Model: "mcp9808", Address: 0x1f, Place: "room"}, func(o *Opts) { o.Room.Mean = -10 })
	c.t = time.Minute
	if ta := binary.BigEndian.Uint16(get(t, b, 0x1f, 5, 2)); ta != 0x1F60|1<<13 { // below the lower limit of 0
		t.Errorf("ambient at -10 degC: %04X, want 3F60", ta)
	}
}

// Probe faults without a place concern thermocouples only.
func TestProbeFaultsSpareTheSensor(t *testing.T) {
	_, c, b := onWire(t, Chip{Model: "mcp9808", Address: 0x18, Place: "room"}, func(o *Opts) {
		o.Faults = []Fault{{Kind: "no_chip", Chip: "I2C1/0x18", At: time.Hour, For: time.Hour}, {Kind: "open"}}
	})
	c.t = time.Minute
	get(t, b, 0x18, 5, 2)
	c.t = 90 * time.Minute
	if err := b.Tx(0x18, []byte{5}, make([]byte, 2)); !errors.Is(err, syscall.ENXIO) {
		t.Errorf("without the chip: %v", err)
	}
}

func TestI2CBus(t *testing.T) {
	r, _, b := onWire(t, hot96, func(o *Opts) {
		o.Chips = append(o.Chips, Chip{Port: "I2C3", Model: "mcp9808", Address: 0x18, Place: "room"})
		o.Faults = []Fault{{Kind: "bus_error", Chip: "I2C3/0x18"}}
	})
	if err := b.Tx(0x61, []byte{0}, make([]byte, 2)); !errors.Is(err, syscall.ENXIO) {
		t.Errorf("nobody at 61h: %v", err)
	}
	wantError(t, b.SetSpeed(0), "invalid speed")
	if err := b.SetSpeed(400 * physic.KiloHertz); err != nil {
		t.Fatal(err)
	}
	if err := b.Tx(0x60, []byte{0}, make([]byte, 2)); !errors.Is(err, syscall.ENXIO) {
		t.Errorf("at 400 kHz, which is too fast for it: %v", err)
	}
	if err := b.SetSpeed(100 * physic.KiloHertz); err != nil {
		t.Fatal(err)
	}
	get(t, b, 0x60, 0, 2)
	other, err := r.I2C("/dev/i2c-3")
	if err != nil {
		t.Fatal(err)
	}
	if err := other.Tx(0x18, []byte{5}, make([]byte, 2)); !errors.Is(err, syscall.EIO) {
		t.Errorf("bus error: %v", err)
	}
	if b.String() != "I2C1" || other.String() != "I2C3" {
		t.Error("names")
	}
	for range 2 {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}
	if err := b.Tx(0x60, []byte{0}, make([]byte, 2)); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}
