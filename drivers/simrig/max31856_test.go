package simrig

import (
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/spi"
)

// tx exchanges bytes.
func tx(t *testing.T, c spi.Conn, w ...byte) []byte {
	t.Helper()
	r := make([]byte, len(w))
	if err := c.Tx(w, r); err != nil {
		t.Fatal(err)
	}
	return r
}

// on56 is a rig with one MAX31856 on stage 5, connected.
func on56(t *testing.T, couple string, change func(*Opts)) (*Rig, *clock, spi.Conn) {
	t.Helper()
	o := quiet()
	o.Errors.SelfHeatK = 4
	o.Chips = []Chip{{Port: "SPI0.0", Model: "max31856", Couple: couple, Place: "stage 5"}}
	if change != nil {
		change(&o)
	}
	r, c := newRig(t, o)
	return r, c, open(t, r, "SPI0.0", spi.Mode1)
}

// burst reads cold junction, thermocouple and status of registers 0Ah to 0Fh, by
// hand from the register map of data sheet 19-7534 rev 0.
func burst(t *testing.T, c spi.Conn) (coldC, hotC float64, status byte) {
	t.Helper()
	b := tx(t, c, 0x0A, 0, 0, 0, 0, 0, 0)[1:]
	cold := int16(uint16(b[0])<<8 | uint16(b[1]))
	hot := int32(uint32(b[2])<<24|uint32(b[3])<<16|uint32(b[4])<<8) >> 13
	return float64(cold>>2) / 64, float64(hot) / 128, b[5]
}

func TestMAX31856PowerOn(t *testing.T) {
	_, c, conn := on56(t, "K", nil)
	c.t = time.Minute
	got := tx(t, conn, make([]byte, 20)...)[1:]
	want := []byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, 0xFF}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("register %02Xh: %02X, want %02X (no conversion until told)", i, got[i], want[i])
		}
	}
}

func TestMAX31856Automatic(t *testing.T) {
	for _, letter := range []struct {
		name string
		code byte
	}{{"B", 0}, {"E", 1}, {"J", 2}, {"K", 3}, {"N", 4}, {"R", 5}, {"S", 6}, {"T", 7}} {
		r, c, conn := on56(t, letter.name, nil)
		r.SetLoad(true)
		c.t = 2 * time.Hour
		tx(t, conn, 0x80, 0x91, 0x20|letter.code) // automatic, open test, 50 Hz; averages 4
		if back := tx(t, conn, 0x00, 0, 0)[1:]; back[0] != 0x91 || back[1] != 0x20|letter.code {
			t.Errorf("settings read back as % X", back)
		}
		c.t += time.Second
		cold, hot, status := burst(t, conn)
		within := 0.05
		if letter.name == "B" {
			within = 30 // next to no EMF at the cold junction
		}
		near(t, "type "+letter.name, hot, r.Truth().StageC[4], within)
		near(t, "cold junction", cold, 27, 0.02)
		if status != 0 && letter.name != "B" {
			t.Errorf("type %s: status %02X", letter.name, status)
		}
	}
}

// Conversion times of data sheet page 4 and 20, typical.
func TestMAX31856Times(t *testing.T) {
	for _, x := range []struct {
		what        string
		cr0, cr1    byte
		first, next float64 // ms; next 0: no other
	}{
		{"60 Hz", 0x80, 0x03, 143, 82},
		{"50 Hz", 0x81, 0x03, 169, 98},
		{"50 Hz, 16 averages", 0x81, 0x43, 169 + 15*40, 398},
		{"60 Hz, 16 averages", 0x80, 0x73, 143 + 15*33.333, 332},
		{"once, 60 Hz", 0x40, 0x03, 143, 0},
		{"once, 50 Hz, 16 averages", 0x41, 0x43, 769, 0},
	} {
		_, c, conn := on56(t, "K", func(o *Opts) { o.Errors.NoiseK = 1 })
		c.t = time.Second
		tx(t, conn, 0x80, x.cr0, x.cr1)
		var changes []float64
		last := 0.0
		for ms := range 3000 {
			c.t = time.Second + time.Duration(ms)*time.Millisecond
			if _, hot, _ := burst(t, conn); hot != last {
				changes, last = append(changes, float64(ms)), hot
			}
		}
		near(t, x.what+": first", changes[0], x.first, 1.5)
		switch {
		case x.next == 0 && len(changes) != 1:
			t.Errorf("%s: %d conversions", x.what, len(changes))
		case x.next != 0:
			near(t, x.what+": next", (changes[len(changes)-1]-changes[0])/float64(len(changes)-1), x.next, 1)
		}
		if x.next == 0 {
			if cr0 := tx(t, conn, 0, 0)[1]; cr0&0x40 != 0 {
				t.Errorf("%s: one-shot bit still set: %02X", x.what, cr0)
			}
		}
	}
}

func TestMAX31856AveragingCalms(t *testing.T) {
	spread := func(cr1 byte) float64 {
		_, c, conn := on56(t, "K", func(o *Opts) { o.Errors.NoiseK = 1; o.Unit.Off = true })
		tx(t, conn, 0x80, 0x81, cr1)
		c.t = 2 * time.Second // the first conversion is over
		sum, sq, n := 0.0, 0.0, 0.0
		for range 400 {
			c.t += 500 * time.Millisecond
			_, hot, _ := burst(t, conn)
			sum, sq, n = sum+hot, sq+hot*hot, n+1
		}
		return math.Sqrt(sq/n - sum*sum/n/n)
	}
	near(t, "calmer by averaging 16", spread(0x03)/spread(0x43), 4, 0.8)
}

// An open lead is found up to 16 conversions late, never without the test.
func TestMAX31856Open(t *testing.T) {
	_, c, conn := on56(t, "K", func(o *Opts) {
		o.Faults = []Fault{{Kind: "open", At: 10 * time.Second, For: 10 * time.Second}}
	})
	tx(t, conn, 0x80, 0x90, 0x03)
	c.t = 9 * time.Second
	if _, _, s := burst(t, conn); s != 0 {
		t.Errorf("status %02X before", s)
	}
	found := time.Duration(0)
	for c.t = 10 * time.Second; c.t < 20*time.Second && found == 0; c.t += 20 * time.Millisecond {
		if _, _, s := burst(t, conn); s&1 != 0 {
			found = c.t - 10*time.Second
		}
	}
	if found < 20*time.Millisecond || found > 1500*time.Millisecond {
		t.Errorf("found after %v", found)
	}
	c.t = 22 * time.Second
	if _, _, s := burst(t, conn); s != 0 {
		t.Errorf("status %02X after", s)
	}
	_, c, conn = on56(t, "K", func(o *Opts) { o.Faults = []Fault{{Kind: "open"}} })
	tx(t, conn, 0x80, 0x80, 0x03)
	c.t = 10 * time.Second
	if _, _, s := burst(t, conn); s&1 != 0 {
		t.Error("found without a test")
	}
	tx(t, conn, 0x80, 0x50) // once, with the test
	c.t = 11 * time.Second
	if _, _, s := burst(t, conn); s&1 != 1 {
		t.Errorf("once: status %02X", s)
	}
}

// Over-voltage keeps the old value and stops conversions.
func TestMAX31856OverVoltageKeepsTheOldValue(t *testing.T) {
	r, c, conn := on56(t, "K", func(o *Opts) {
		o.Faults = []Fault{{Kind: "short_to_supply", At: 10 * time.Second, For: time.Minute}}
	})
	tx(t, conn, 0x80, 0x90, 0x03)
	c.t = 9900 * time.Millisecond
	_, old, s := burst(t, conn)
	if s != 0 {
		t.Errorf("status %02X before", s)
	}
	r.SetLoad(true)
	c.t = 60 * time.Second
	if _, hot, s := burst(t, conn); hot != old || s&2 == 0 {
		t.Errorf("%.4f degC, status %02X; the old value was %.4f", hot, s, old)
	}
	c.t = 80 * time.Second
	_, hot, s := burst(t, conn)
	if s != 0 || hot < old+5 {
		t.Errorf("%.4f degC, status %02X after", hot, s)
	}
}

func TestMAX31856GroundIsNotFlagged(t *testing.T) {
	r, c, conn := on56(t, "K", func(o *Opts) { o.Faults = []Fault{{Kind: "short_to_ground"}} })
	tx(t, conn, 0x80, 0x90, 0x03)
	c.t = time.Minute
	_, hot, s := burst(t, conn)
	if s != 0 {
		t.Errorf("status %02X", s)
	}
	near(t, "reads low", hot, r.Truth().StageC[4]-2, 0.2)
}

// After a dip the settings are the power-on ones and the result is 0, without a flag.
func TestMAX31856BrownOut(t *testing.T) {
	_, c, conn := on56(t, "K", func(o *Opts) {
		o.Faults = []Fault{{Kind: "brown_out", Chip: "SPI0.0", At: 10 * time.Second, For: 100 * time.Millisecond}}
	})
	tx(t, conn, 0x80, 0x91, 0x23)
	tx(t, conn, 0x83, 0x55) // a sentinel in a threshold
	c.t = 9 * time.Second
	if b := tx(t, conn, 0, 0, 0, 0, 0); b[1] != 0x91 || b[4] != 0x55 {
		t.Errorf("% X before", b)
	}
	c.t = 10050 * time.Millisecond
	if b := tx(t, conn, 0, 0, 0); b[1] != 0 || b[2] != 0 {
		t.Errorf("% X without supply", b)
	}
	c.t = 12 * time.Second
	if b := tx(t, conn, 0, 0, 0, 0, 0); b[1] != 0 || b[2] != 3 || b[4] != 0x7F {
		t.Errorf("% X after", b)
	}
	if cold, hot, s := burst(t, conn); cold != 0 || hot != 0 || s != 0 {
		t.Errorf("%.4f %.4f %02X after", cold, hot, s)
	}
	tx(t, conn, 0x80, 0x91, 0x23)
	c.t = 13 * time.Second
	if cold, _, s := burst(t, conn); cold < 20 || s != 0 {
		t.Errorf("%.4f %02X once configured again", cold, s)
	}
}

func TestMAX31856Registers(t *testing.T) {
	r, c, conn := on56(t, "K", nil)
	r.SetLoad(true)
	c.t = time.Hour
	tx(t, conn, 0x80, 0x80, 0x03)
	tx(t, conn, 0x89, 0x10) // cold junction offset +1 degC
	c.t += time.Second
	cold, hot, _ := burst(t, conn)
	near(t, "cold junction with offset", cold, 28, 0.02)
	near(t, "probe with it", hot, r.Truth().StageC[4]+1, 0.1)
	tx(t, conn, 0x80, 0x88)
	tx(t, conn, 0x8A, 0x1E, 0x00) // cold junction from outside: 30 degC
	c.t += time.Second
	cold, hot, _ = burst(t, conn)
	near(t, "cold junction from outside", cold, 30, 0)
	near(t, "probe with it", hot, r.Truth().StageC[4]+3, 0.15)
	tx(t, conn, 0x8C, 1, 2, 3, 4) // read only
	c.t += time.Second
	if _, after, s := burst(t, conn); math.Abs(after-hot) > 0.2 || s != 0 {
		t.Errorf("wrote to read-only registers: %.4f became %.4f, status %02X", hot, after, s)
	}
	tx(t, conn, 0x83, 0x14, 0x1F)       // cold junction limits 20 and 31
	tx(t, conn, 0x85, 0, 0x10, 0x7F, 0) // thermocouple limits 1 and 2032
	c.t += time.Second
	if _, _, s := burst(t, conn); s != 0x3C {
		t.Errorf("status %02X, want all four limit bits", s)
	}
	tx(t, conn, 0x80, 0x84) // interrupt mode
	tx(t, conn, 0x83, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0)
	c.t += time.Second
	if _, _, s := burst(t, conn); s != 0x3C {
		t.Errorf("interrupt mode: status %02X, want it kept", s)
	}
	tx(t, conn, 0x80, 0x86)
	if b := tx(t, conn, 0, 0); b[1] != 0x84 {
		t.Errorf("fault clear stays set: %02X", b[1])
	}
	c.t += time.Second
	if _, _, s := burst(t, conn); s != 0 {
		t.Errorf("cleared: status %02X", s)
	}
	tx(t, conn, 0x80, 0x00)
	_, before, _ := burst(t, conn)
	c.t += time.Minute
	if _, after, _ := burst(t, conn); after != before {
		t.Error("converts after it was stopped")
	}
}

func TestMAX31856RangesAndVoltage(t *testing.T) {
	r, c, conn := on56(t, "J", nil)
	for i := range r.unit.t.stage {
		r.unit.t.stage[i] = 1190
	}
	r.unit.perC = [maxStages]float64{}
	tx(t, conn, 0x80, 0x80, 0x07) // a type J probe read as type T: beyond 400 degC
	c.t = 10 * time.Second
	_, hot, s := burst(t, conn)
	if s != 0x40 {
		t.Errorf("status %02X, want thermocouple range", s)
	}
	near(t, "clamped", hot, 400, 0.01)
	tx(t, conn, 0x81, 0x08) // voltage mode, gain 8
	c.t += time.Second
	_, code8, _ := burst(t, conn)
	tx(t, conn, 0x81, 0x0C)
	c.t += time.Second
	_, code32, _ := burst(t, conn)
	e := r.chips[0].common().sense(4, 11, 0, 0).volts
	near(t, "voltage at gain 8", code8*128, 8*1.6*131072*e, 2)
	near(t, "voltage at gain 32", code32*128, min(262143, 32*1.6*131072*e), 2)
}

func TestMAX31856WrongMode(t *testing.T) {
	r, c, good := on56(t, "K", nil)
	tx(t, good, 0x80, 0x91, 0x23)
	bad := open(t, r, "SPI0.0", spi.Mode0)
	c.t = time.Second
	if b := tx(t, bad, 0, 0, 0); b[1] == 0x91 {
		t.Errorf("mode 0 reads % X", b)
	}
	if b := tx(t, open(t, r, "SPI0.0", spi.Mode3), 0, 0, 0); b[1] != 0x91 || b[2] != 0x23 {
		t.Errorf("mode 3 reads % X", b)
	}
}
