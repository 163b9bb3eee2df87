package simrig

import (
	"encoding/binary"
	"testing"
	"time"

	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/its90"
)

// Settings written out from the config register's table (data sheet SBAS457F,
// table 7): start, inputs 0-1, +-0.256 V, single, 128 or 8 SPS, pull-up, NOP 01, 1.
const (
	probe18  = 0x8B8B // 1 000 101 1 100 0 1 01 1
	slow18   = 0x8B0B // at 8 SPS
	sensor18 = 0x8B9B // temperature sensor
	loop18   = 0x0A8B // 0 000 101 0 100 0 1 01 1: continuous
	second18 = 0xBB8B // inputs 2-3
)

func on18(t *testing.T, change func(*Opts)) (*Rig, *clock, spi.Conn) {
	t.Helper()
	o := quiet()
	o.Errors.SelfHeatK = 4
	o.Chips = []Chip{{Port: "SPI0.0", Model: "ads1118", Place: "stage 5", Place23: "intake"}}
	if change != nil {
		change(&o)
	}
	r, c := newRig(t, o)
	return r, c, open(t, r, "SPI0.0", spi.Mode1)
}

// words sends a setting and returns the conversion and the setting read back.
func words(t *testing.T, c spi.Conn, setting uint16) (data, config uint16) {
	t.Helper()
	b := tx(t, c, byte(setting>>8), byte(setting), 0, 0)
	return binary.BigEndian.Uint16(b), binary.BigEndian.Uint16(b[2:])
}

// volts18 and cold18 are the scales at +-0.256 V and of the sensor's 14-bit code.
func volts18(w uint16) float64 { return float64(int16(w)) * 0.256 / 32768 }
func cold18(w uint16) float64  { return float64(int16(w)>>2) * 0.03125 }

func TestADS1118PowerOn(t *testing.T) {
	_, c, conn := on18(t, nil)
	c.t = time.Minute
	if data, config := words(t, conn, 0); data != 0 || config != 0x058B {
		t.Errorf("%04X %04X, want 0000 058B", data, config)
	}
}

func TestADS1118Single(t *testing.T) {
	r, c, conn := on18(t, nil)
	r.SetLoad(true)
	c.t = time.Hour
	if _, config := words(t, conn, sensor18); config != sensor18&0x7FFF {
		t.Errorf("read back %04X in the transfer that set it", config)
	}
	c.t += 20 * time.Millisecond
	data, _ := words(t, conn, probe18)
	cold := cold18(data)
	near(t, "its own temperature", cold, 27, 0.02)
	c.t += 20 * time.Millisecond
	data, _ = words(t, conn, second18)
	e, err := its90.K.EMFVolts(cold)
	if err != nil {
		t.Fatal(err)
	}
	hot, err := its90.K.TempC(e + volts18(data))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "stage 5", hot, r.Truth().StageC[4], 0.2)
	c.t += 20 * time.Millisecond
	data, config := words(t, conn, 0)
	room, err := its90.K.TempC(e + volts18(data))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intake", room, r.Truth().IntakeC, 0.3)
	if config != second18&0x7FFF {
		t.Errorf("settings %04X without a new one", config)
	}
	c.t += time.Hour
	if again, _ := words(t, conn, 0xFFFF); again != data {
		t.Errorf("converted without a start: %04X became %04X", data, again)
	}
	if _, config := words(t, conn, 0); config != second18&0x7FFF {
		t.Errorf("took a setting whose check bits are wrong: %04X", config)
	}
}

// Until a conversion is over the word is the former one's.
func TestADS1118WordMayBelongToTheFormerInput(t *testing.T) {
	_, c, conn := on18(t, nil)
	words(t, conn, sensor18)
	c.t = time.Second
	words(t, conn, slow18)
	c.t += 100 * time.Millisecond
	if data, config := words(t, conn, 0); cold18(data) < 26.9 || config&0x10 != 0 {
		t.Errorf("100 ms after the start: %04X under %04X, want the temperature still", data, config)
	}
	c.t += 30 * time.Millisecond
	if data, _ := words(t, conn, 0); cold18(data) > 20 {
		t.Errorf("130 ms after the start: %04X, want the thermocouple", data)
	}
	// Continuous: a new setting begins with the next conversion.
	words(t, conn, loop18)
	c.t += 10 * time.Second
	words(t, conn, loop18|cfg18Sensor)
	first, _ := words(t, conn, 0)
	c.t += 5 * time.Millisecond
	if data, _ := words(t, conn, 0); data != first && cold18(data) > 20 {
		t.Errorf("5 ms after a new setting: %04X", data)
	}
	c.t += 20 * time.Millisecond
	if data, _ := words(t, conn, 0); cold18(data) < 26.9 {
		t.Errorf("25 ms after it: %04X, want the temperature", data)
	}
	// A start during a single conversion is ignored.
	words(t, conn, slow18)
	c.t += time.Second
	words(t, conn, slow18)
	c.t += 50 * time.Millisecond
	words(t, conn, sensor18)
	c.t += time.Second
	if data, _ := words(t, conn, 0); cold18(data) > 20 {
		t.Errorf("converted the setting that came in between: %04X", data)
	}
}

func TestADS1118Rate(t *testing.T) {
	for setting, sps := range map[uint16]float64{0x0A0B: 8, 0x0A2B: 16, 0x0A4B: 32, 0x0A6B: 64, 0x0A8B: 128} {
		_, c, conn := on18(t, func(o *Opts) { o.Errors.NoiseK, o.Errors.OffsetK = 10, 0.1 })
		words(t, conn, setting)
		changes, last := 0.0, uint16(0)
		for c.t < 10*time.Second {
			c.t += 2 * time.Millisecond
			if data, _ := words(t, conn, 0); data != last {
				changes, last = changes+1, data
			}
		}
		if changes/10 < sps*0.85 || changes/10 > sps*1.1 {
			t.Errorf("%.1f conversions per second, nominal %g", changes/10, sps)
		}
	}
}

func TestADS1118Inputs(t *testing.T) {
	r, c, conn := on18(t, nil)
	r.SetLoad(true)
	c.t = time.Hour
	read := func(setting uint16) uint16 {
		words(t, conn, setting)
		c.t += 200 * time.Millisecond
		data, _ := words(t, conn, 0)
		return data
	}
	diff := read(probe18)
	for mux, want := range map[uint16]uint16{0: diff, 1: diff, 4: diff, 2: 0, 5: 0, 7: 0} {
		if got := read(probe18&^(7<<12) | mux<<12); int16(got-want) > 3 || int16(got-want) < -3 {
			t.Errorf("inputs %d: %04X, want %04X", mux, got, want)
		}
	}
	if a, b := read(second18), read(probe18&^(7<<12)|6<<12); a != b {
		t.Errorf("inputs 2-3 %04X, 2 to ground %04X", a, b)
	}
	v := volts18(diff)
	for gain, fs := range map[uint16]float64{0: 6.144, 1: 4.096, 2: 2.048, 3: 1.024, 4: 0.512, 5: 0.256, 6: 0.256, 7: 0.256} {
		near(t, "volts", float64(int16(read(probe18&^(7<<9)|gain<<9)))*fs/32768, v, fs/32768)
	}
}

func TestADS1118Faults(t *testing.T) {
	for kind, want := range map[string]uint16{"open": 0x7FFF, "short_to_supply": 0x7FFF, "short_to_ground": 0, "short": 0} {
		_, c, conn := on18(t, func(o *Opts) {
			o.Unit.Off = true
			o.Faults = []Fault{{Kind: kind, Place: "stage 5"}}
		})
		words(t, conn, probe18)
		c.t = time.Second
		data, _ := words(t, conn, second18)
		if data != want {
			t.Errorf("%s: %04X, want %04X", kind, data, want)
		}
		c.t = 2 * time.Second
		if data, _ := words(t, conn, 0); data == want {
			t.Errorf("%s: the other probe too: %04X", kind, data)
		}
	}
	_, c, conn := on18(t, func(o *Opts) {
		o.Faults = []Fault{{Kind: "brown_out", Chip: "SPI0.0", At: 10 * time.Second}}
	})
	words(t, conn, loop18)
	c.t = 9 * time.Second
	if _, config := words(t, conn, 0); config != loop18 {
		t.Errorf("settings %04X before the dip", config)
	}
	c.t = 11 * time.Second
	if data, config := words(t, conn, 0); data != 0 || config != 0x058B {
		t.Errorf("%04X %04X after the dip, want 0000 058B", data, config)
	}
}

// A transfer of 16 bits sets and reads as well; one of 8 sets nothing.
func TestADS1118ShortTransfers(t *testing.T) {
	_, c, conn := on18(t, nil)
	tx(t, conn, 0x8B, 0x9B)
	c.t = time.Second
	b := tx(t, conn, 0, 0)
	near(t, "temperature", cold18(binary.BigEndian.Uint16(b)), 27, 0.02)
	tx(t, conn, 0x0A)
	if _, config := words(t, conn, 0); config != sensor18&0x7FFF {
		t.Errorf("settings %04X", config)
	}
}
