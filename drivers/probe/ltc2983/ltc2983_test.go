package ltc2983

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// fake is the chip's memory, and its conversions in the bubble's time.
type fake struct {
	mu      sync.Mutex
	ram     [0x400]byte
	results map[int]uint32 // by pin: what a conversion brings
	busy    int            // pin in conversion; 0: idle
	ends    time.Time
	takes   time.Duration
	deaf    bool      // takes no start
	resetAt time.Time // a brown-out to come; zero: none
	starts  []int
}

// word is a good result of a temperature.
func word(degC float64) uint32 { return validBit | uint32(int32(math.Round(degC*1024)))&0xFFFFFF }

func newFake(results map[int]uint32) *fake {
	f := &fake{results: results, takes: 251 * time.Millisecond}
	f.ram[regStatus] = statusDone
	return f
}

func (f *fake) set(pin int, w uint32) { f.lock(func() { f.results[pin] = w }) }

func (f *fake) lock(do func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	do()
}

func (f *fake) Transfer(w, r []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(w) < 4 {
		return io.ErrUnexpectedEOF
	}
	now := time.Now()
	if !f.resetAt.IsZero() && !now.Before(f.resetAt) {
		f.ram, f.busy, f.resetAt = [0x400]byte{statusDone}, 0, time.Time{}
	}
	if f.busy != 0 && !now.Before(f.ends) {
		at := regResult + 4*(f.busy-1)
		binary.BigEndian.PutUint32(f.ram[at:], 0)
		if binary.BigEndian.Uint32(f.ram[regAssign+4*(f.busy-1):]) != 0 {
			binary.BigEndian.PutUint32(f.ram[at:], f.results[f.busy])
		}
		f.ram[regStatus], f.busy = statusDone|byte(f.busy), 0
	}
	at := int(w[1])<<8 | int(w[2])
	for i := 3; i < len(w); i++ {
		reg := at + i - 3
		switch {
		case reg >= len(f.ram) || f.busy != 0 && reg != regStatus: // locked out
		case w[0] == opRead && i < len(r):
			r[i] = f.ram[reg]
		case w[0] == opWrite && reg == regStatus:
			if w[i]&statusStart == 0 || f.deaf {
				continue
			}
			f.busy, f.ends = int(w[i]&statusPin), now.Add(f.takes)
			f.ram[regStatus] = w[i]
			f.starts = append(f.starts, f.busy)
		case w[0] == opWrite:
			f.ram[reg] = w[i]
		}
	}
	return nil
}

const diode20 = "{pin: 20, kind: diode, ideality: 1.003, accuracy_c: 0.5}"

func source(options string, inputs ...string) drivers.Source {
	if options == "" {
		options = "sensors: [" + diode20 + "]"
	}
	if len(inputs) == 0 {
		inputs = []string{"pin: 2"}
	}
	src := drivers.Source{Name: "back", Every: 5 * time.Second, MainsHz: 50, Options: drivertest.Options(options)}
	for i, o := range inputs {
		in := drivers.Input{Channel: "vr" + string(rune('1'+i)), Port: "SPI0.0", Couple: "K"}
		if rest, ok := strings.CutPrefix(o, "sensor "); ok {
			in.Couple, o = "", rest
		}
		in.Options = drivertest.Options(o)
		src.Inputs = append(src.Inputs, in)
	}
	return src
}

func bench(t testing.TB, c drivertest.Chip, src drivers.Source) (*drivertest.Ports, drivers.Device) {
	t.Helper()
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").Attach(c)
	return ports, drivertest.Open(t, &Driver, ports, src)
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		ports := drivertest.NewPorts()
		ports.AddSPI("SPI0.0").Attach(newFake(map[int]uint32{2: word(80), 4: word(-12.5), 20: word(25)}))
		ports.AddPin("GPIO6")
		ports.AddSPI("SPI0.1").AttachAt("GPIO6", newFake(map[int]uint32{7: word(60), 20: word(24)}))
		src := source("", "pin: 2", "pin: 4", "sensor pin: 20")
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "vr4", Port: "SPI0.1", Select: "GPIO6", Couple: "T", Options: drivertest.Options("pin: 7\nsingle_ended: true")})
		return &drivertest.Rig{Ports: ports, Source: src, Allocates: "each wait for a conversion takes a timer"}
	})
}

// TestCases runs the published cases through the open driver.
func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 24) {
		t.Run(c.ID, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				raw, err := hex.DecodeString(c.Input)
				if err != nil {
					t.Fatal(err)
				}
				_, dev := bench(t, newFake(map[int]uint32{2: binary.BigEndian.Uint32(raw), 20: word(25)}), source(""))
				r := drivertest.Read(t, dev)[0]
				c.Says(t, r)
				if want, ok := c.Number("t_c"); ok && (r.Faults != 0 || float64(r.Code)*codeC != want) {
					t.Errorf("%v (%v), %g degC, want %g", r.Faults, r.Cause, float64(r.Code)*codeC, want)
				}
				if usable, said := c.Usable(); said && usable != (r.Faults == 0) {
					t.Errorf("%v (%v), the case says usable %v", r.Faults, r.Cause, usable)
				}
				if hard, _ := c.Expect["hard"].(bool); hard && r.Faults != drivers.ColdJunction {
					t.Errorf("%v, want cold_junction", r.Faults)
				}
				if valid, _ := c.Expect["valid"].(bool); !valid && r.Faults&drivers.Stale == 0 {
					t.Errorf("%v, want stale", r.Faults)
				}
			})
		})
	}
}

// TestFaultBits: every bit of tables 15, 21 and 31, alone and together, on a
// thermocouple and on a sensor.
func TestFaultBits(t *testing.T) {
	const open, out, cold, stale = drivers.Open, drivers.OutOfRange, drivers.ColdJunction, drivers.Stale
	for _, tt := range []struct {
		w             uint32
		probe, sensor drivers.Faults
	}{
		{word(100), 0, 0},
		{word(0), 0, 0},
		{word(-0.0009765625), 0, 0},
		{word(25) | hardSensor, open, open},
		{word(25) | hardADC, out, out},
		{word(25) | hardSensor | hardADC, out | open, out | open},
		{word(25) | hardCold, cold, 0}, // not used by sensors
		{word(25) | softCold, cold, 0},
		{word(25) | hardSensor | hardCold, cold, open}, // D31 is the sum of the hard ones
		{word(25) | softOver, out, out},
		{word(25) | softUnder, out, out},
		{word(25) | softADC, out, out},
		{word(25) | softCold | softOver, cold | out, out},
		{word(25) &^ validBit, stale, stale},
		{(word(25) | hardSensor) &^ validBit, stale | open, stale | open},
		{word(-999) | hardSensor, open, open},
		{word(-999), out, out}, // the chip's number for a hard fault, its bits lost
		{word(1372), 0, out},
		{word(1372.1), out, out},
		{0, stale, stale},
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, newFake(map[int]uint32{2: tt.w, 19: tt.w, 20: word(25)}),
				source("sensors: ["+diode20+", {pin: 19, kind: pt100, accuracy_c: 0.3, current_ua: 250, sense_pin: 17, sense_ohms: 2000}]", "{pin: 2, cold: 20}", "sensor pin: 19"))
			out := drivertest.Read(t, dev)
			if out[0].Faults != tt.probe {
				t.Errorf("%08X: probe %v (%v), want %v", tt.w, out[0].Faults, out[0].Cause, tt.probe)
			}
			if out[1].Faults != tt.sensor {
				t.Errorf("%08X: sensor %v (%v), want %v", tt.w, out[1].Faults, out[1].Cause, tt.sensor)
			}
		})
	}
}

// TestValues: negative and fractional degrees with their junctions.
func TestValues(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(map[int]uint32{2: word(-200), 20: word(-10.25)})
		_, dev := bench(t, f, source("sensors: ["+diode20+"]\nmax_step: 0"))
		for _, degC := range []float64{-200, -0.0009765625, 0, 0.5, 1023.9990234375} {
			f.set(2, word(degC))
			r := drivertest.Read(t, dev)[0]
			if r.Faults != 0 || float64(r.Code)*codeC != degC || float64(r.Cold)*codeC != -10.25 || r.Has != drivers.HasCode|drivers.HasCold {
				t.Errorf("%g: %+v", degC, r)
			}
			if r.Age < threeCycles/2 || r.Age > longest {
				t.Errorf("age %v", r.Age)
			}
		}
	})
}

// TestJunction: what is wrong with a junction's sensor is the probe's fault too, and
// the probe's number is no value.
func TestJunction(t *testing.T) {
	for _, tt := range []struct {
		cold uint32
		want drivers.Faults
	}{
		{word(-55), 0}, {word(125), 0},
		{word(-55.1), drivers.ColdJunction},
		{word(125.1), drivers.ColdJunction},
		{word(131), drivers.ColdJunction}, // beyond the diode
		{word(25) | hardSensor, drivers.ColdJunction},
		{word(25) | softUnder, drivers.ColdJunction},
		{word(25) &^ validBit, drivers.Stale},
		{(word(25) | hardSensor) &^ validBit, drivers.ColdJunction | drivers.Stale},
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, newFake(map[int]uint32{2: word(80), 20: tt.cold}), source(""))
			if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want {
				t.Errorf("%08X: %v (%v), want %v", tt.cold, r.Faults, r.Cause, tt.want)
			}
		})
	}
}

// TestWords: the examples of the data sheet, and what each field does.
func TestWords(t *testing.T) {
	pt := func(kind string, s Sensor) Sensor { s.Kind = kind; s.fill(); return s }
	for name, c := range map[string]struct{ got, want uint32 }{
		"table 36: PT-1000 2-wire shared, sense at 16, 10 uA, Japanese": {thermometerWord(pt("pt1000", Sensor{SensePin: 16, CurrentUA: 10, Curve: "japanese", Shared: true})), 0b01111_10000_0001_0010_10 << 12},
		"table 39: PT-200 3-wire, sense at 7, 50 uA, American":          {thermometerWord(pt("pt200", Sensor{SensePin: 7, CurrentUA: 50, Curve: "american", Wires: 3})), 0b01101_00111_0100_0100_01 << 12},
		"table 40: sense resistor 12150.39 ohm":                         {senseWord(12150.39), 0b11101_000101111011101100110001111},
		"4-wire, no rotation, not shared (p64: 1000)":                   {thermometerWord(pt("pt100", Sensor{SensePin: 11, CurrentUA: 25, Wires: 4})), 0b01100_01011_1000_0011_00 << 12},
		"type K, junction 20, differential, no test":                    {thermocoupleWord(couples[4], 20, 0, false), 2<<27 | 20<<22},
		"type K, junction 3, single-ended, 10 uA (table 14: 1100)":      {thermocoupleWord(couples[4], 3, 10, true), 2<<27 | 3<<22 | 0b1100<<18},
		"type B, junction 5, differential, 1 mA (table 14: 0111)":       {thermocoupleWord(couples[1], 5, 1000, false), 8<<27 | 5<<22 | 0b0111<<18},
		"diode, single-ended, 3 cycles, averaged, 80 uA, factor 1":      {diodeWord(Sensor{SingleEnded: true, Cycles: 3, Average: true, CurrentUA: 80, Ideality: 1}), 28<<27 | 7<<24 | 3<<22 | 1<<20},
		"diode, differential, 2 cycles, 10 uA, factor 1.5":              {diodeWord(Sensor{Cycles: 2, CurrentUA: 10, Ideality: 1.5}), 28<<27 | 3<<19},
	} {
		if c.got != c.want {
			t.Errorf("%s: %032b, want %032b", name, c.got, c.want)
		}
	}
}

// TestConversation holds the bytes of the first reading, mode and clock.
func TestConversation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(map[int]uint32{9: word(80), 20: word(25)})
		ports, dev := bench(t, f, source("", "pin: 9"))
		drivertest.Read(t, dev)
		var sent []string
		for _, tr := range ports.Log() {
			if tr.Mode != spi.Mode0 || tr.Clock != 2*physic.MegaHertz {
				t.Fatalf("mode %d at %s", tr.Mode, tr.Clock)
			}
			sent = append(sent, strings.TrimRight(hex.EncodeToString(tr.W), "0"))
		}
		for i, head := range []string{
			"020220" + "151", "02024c" + "e2500c4a", "0200f002", "0200ff01", // assignments of pins 9 and 20, notch 50 Hz, sentinel
			"03", "0300f", // status, settings
			"02000094", "03", "03", "03005c", // pin 20: start, busy, done, result at 05Ch
			"02000089", "03", "03", "03003", // pin 9, as on p36: 10001001b, result at 030h
		} {
			if i >= len(sent) || sent[i] != head {
				t.Fatalf("transfer %d of %q: want %s", i, sent, head)
			}
		}
		if len(sent) != 14 {
			t.Errorf("%d transfers: %q", len(sent), sent)
		}
	})
}

func TestNotch(t *testing.T) {
	for hz, want := range map[int]byte{0: 0, 50: 2, 60: 1} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(map[int]uint32{2: word(80), 20: word(25)})
			src := source("")
			src.MainsHz = hz
			_, dev := bench(t, f, src)
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || f.ram[regGlobal] != want || f.ram[regMux] != muxDelay {
				t.Errorf("%d Hz: %v, %02X, %02X", hz, r.Faults, f.ram[regGlobal], f.ram[regMux])
			}
		})
	}
}

// TestBrownOut: settings lost between two readings, and in the middle of one.
func TestBrownOut(t *testing.T) {
	for name, after := range map[string]time.Duration{"between": 0, "in the junction's conversion": 100 * time.Millisecond, "in the probe's": 300 * time.Millisecond} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(map[int]uint32{2: word(80), 20: word(25)})
				_, dev := bench(t, f, source(""))
				if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
					t.Fatalf("%v (%v)", r.Faults, r.Cause)
				}
				f.lock(func() { f.resetAt = time.Now().Add(after) })
				r := drivertest.Read(t, dev)[0]
				if r.Faults == 0 || r.Faults&^(drivers.ConfigLost|drivers.Stale|drivers.ColdJunction) != 0 {
					t.Errorf("%v (%v)", r.Faults, r.Cause)
				}
				for i := 0; r.Faults != 0; i++ {
					if r = drivertest.Read(t, dev)[0]; i == 2 {
						t.Fatalf("does not recover: %v (%v)", r.Faults, r.Cause)
					}
				}
				if r.Code != 80*1024 || f.ram[regMux] != muxDelay {
					t.Errorf("%+v", r)
				}
			})
		})
	}
}

// TestNoNewResult: the chip holds a valid result of before and does not convert.
func TestNoNewResult(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(map[int]uint32{2: word(80), 20: word(25)})
		_, dev := bench(t, f, source(""))
		drivertest.Read(t, dev)
		f.lock(func() { f.deaf = true })
		r := drivertest.Read(t, dev)[0]
		if r.Faults != drivers.Stale || r.Has != 0 {
			t.Errorf("deaf: %v (%v), has %v", r.Faults, r.Cause, r.Has)
		}
		f.lock(func() { f.deaf, f.takes = false, time.Second })
		if r = drivertest.Read(t, dev)[0]; r.Faults&drivers.Stale == 0 || r.Has&drivers.HasCode != 0 {
			t.Errorf("slow: %v (%v), has %v", r.Faults, r.Cause, r.Has)
		}
		f.lock(func() { f.takes = 300 * time.Millisecond }) // slower than typical, within the longest
		time.Sleep(time.Second)
		if r = drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Errorf("300 ms: %v (%v)", r.Faults, r.Cause)
		}
	})
}

// TestStillBusy: a conversion that a cancelled Read left behind is waited for; one
// that never ends is said.
func TestStillBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(map[int]uint32{2: word(80), 20: word(25)})
		_, dev := bench(t, f, source(""))
		f.lock(func() { f.busy, f.ends, f.ram[regStatus] = 2, time.Now().Add(200*time.Millisecond), statusStart|2 })
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Errorf("200 ms left: %v (%v)", r.Faults, r.Cause)
		}
		f.lock(func() { f.busy, f.ends, f.ram[regStatus] = 2, time.Now().Add(time.Hour), statusStart|2 })
		if r := drivertest.Read(t, dev)[0]; r.Faults == 0 || r.Has != 0 {
			t.Errorf("never: %v (%v)", r.Faults, r.Cause)
		}
	})
}

// TestOtherLines: lines that say nothing sensible never give a value.
func TestOtherLines(t *testing.T) {
	pattern := func(b ...byte) drivertest.Chip {
		n := 0
		return drivertest.ChipFunc(func(_, r []byte) error {
			for i := range r {
				r[i] = b[n%len(b)]
				n++
			}
			return nil
		})
	}
	for name, tt := range map[string]struct {
		chip drivertest.Chip
		want drivers.Faults
	}{
		"low":         {pattern(0), drivers.NoChip},
		"high":        {pattern(0xFF), drivers.NoChip},
		"done always": {pattern(statusDone), drivers.ConfigLost},
		"busy always": {pattern(statusStart | 2), drivers.Stale},
		"other part":  {pattern(0x01, 0x90, 0x19), drivers.Corrupt},
		"truncated": {drivertest.ChipFunc(func(w, _ []byte) error {
			if w[0] == opRead {
				return io.ErrUnexpectedEOF
			}
			return nil
		}), drivers.BusError},
		"write refused": {drivertest.ChipFunc(func(w, r []byte) error {
			if w[0] == opWrite {
				return syscall.EIO
			}
			r[3] = statusDone
			return nil
		}), drivers.BusError},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				_, dev := bench(t, tt.chip, source(""))
				for range 3 {
					out := make([]drivers.Reading, 1)
					_ = dev.Read(t.Context(), out) // the reading says it
					if err := drivertest.CheckReadings(out); err != nil || out[0].Faults != tt.want || out[0].Has != 0 {
						t.Errorf("%v (%v), has %v, want %v; %v", out[0].Faults, out[0].Cause, out[0].Has, tt.want, err)
					}
				}
			})
		})
	}
}

// TestStatusAfterStart: each status that a chip can't show at that place.
func TestStatusAfterStart(t *testing.T) {
	for s, want := range map[byte]drivers.Faults{0: drivers.NoChip, 0xFF: drivers.NoChip, 0x40: drivers.ConfigLost, 0x42: drivers.Stale, 0x94 ^ 1: drivers.Corrupt, 0xC2: drivers.Corrupt} {
		if f := odd(s, 0x94, "x"); f.faults != want {
			t.Errorf("%02X: %v, want %v", s, f.faults, want)
		}
	}
}

func TestStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(map[int]uint32{2: word(80), 20: word(25)})
		_, dev := bench(t, f, source(""))
		drivertest.Read(t, dev)
		f.set(2, word(200))
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Implausible {
			t.Errorf("+120 K in a reading: %v", r.Faults)
		}
	})
}

func TestRefusals(t *testing.T) {
	const pt = "{pin: 19, kind: pt100, accuracy_c: 0.3, current_ua: 250, sense_pin: 17, sense_ohms: 2000"
	for _, tt := range []struct {
		options, inputs, key, text string
	}{
		{"sensors: [{kind: diode}]", "pin: 2", "sensors", "pin 0: must be 1 to 20"},
		{"sensors: [{pin: 21, kind: diode}]", "pin: 2", "sensors", "must be 1 to 20"},
		{"sensors: [{pin: 3, kind: diode, ideality: 1}]", "pin: 2", "sensors", "accuracy_c"},
		{"sensors: [{pin: 3, kind: ntc, accuracy_c: 1}]", "pin: 2", "sensors", "must be diode, ni120, pt10"},
		{"sensors: [{pin: 3, kind: diode, accuracy_c: 1}]", "pin: 2", "sensors", "ideality 0"},
		{"sensors: [{pin: 3, kind: diode, accuracy_c: 1, ideality: 1, current_ua: 30}]", "pin: 2", "sensors", "10, 20, 40 or 80"},
		{"sensors: [{pin: 3, kind: diode, accuracy_c: 1, ideality: 1, cycles: 4}]", "pin: 2", "sensors", "2 or 3"},
		{"sensors: [{pin: 1, kind: diode, accuracy_c: 1, ideality: 1}]", "pin: 2", "sensors", "single_ended"},
		{"sensors: [{pin: 3, kind: diode, accuracy_c: 1, ideality: 1, wires: 2}]", "pin: 2", "sensors", "belong to resistance"},
		{"sensors: [" + pt + ", ideality: 1}]", "pin: 2", "sensors", "belong to diodes"},
		{"sensors: [" + pt + ", wires: 5}]", "pin: 2", "sensors", "2, 3 or 4"},
		{"sensors: [" + pt + ", curve: flat}]", "pin: 2", "sensors", "american, european"},
		{"sensors: [{pin: 1, kind: pt100, accuracy_c: 0.3}]", "pin: 2", "sensors", "the one below"},
		{"sensors: [{pin: 3, kind: pt100, accuracy_c: 0.3}]", "pin: 2", "sensors", "current_ua 0"},
		{"sensors: [{pin: 3, kind: pt100, accuracy_c: 0.3, current_ua: 5}]", "pin: 2", "sensors", "sense_pin 0"},
		{"sensors: [{pin: 3, kind: pt100, accuracy_c: 0.3, current_ua: 5, sense_pin: 5}]", "pin: 2", "sensors", "sense_ohms 0"},
		{"sensors: [{pin: 3, kind: pt100, accuracy_c: 0.3, current_ua: 5, sense_pin: 5, sense_ohms: 200000}]", "pin: 2", "sensors", "1 to 131072 ohm"},
		{"sensors: [" + diode20 + ", " + diode20 + "]", "pin: 2", "sensors", "number 2: pin 20 is taken by number 1"},
		{"sensors: [" + pt + "}, {pin: 15, kind: pt100, accuracy_c: 0.3, current_ua: 250, sense_pin: 17, sense_ohms: 2000}]", "pin: 2", "sensors", "shared: true"},
		{"sensors: [" + pt + "}, {pin: 17, kind: diode, ideality: 1, accuracy_c: 1}]", "pin: 2", "sensors", "number 2: pin 17 is that of a sense resistor"},
		{"open_test_ua: 20", "pin: 2", "open_test_ua", "0, 10, 100, 500 or 1000"},
		{"", "cold: 20", "pin", "0: must be 1 to 20"},
		{"", "pin: 1", "pin", "no pin below"},
		{"", "pin: 20", "couple", "pin 20 is that of a sensor (diode)"},
		{"", "pin: 20|pin: 1", "couple", "pin 20 is that of a sensor"},
		{"sensors: [{pin: 6, kind: diode, ideality: 1, accuracy_c: 1}]", "pin: 7", "pin", "pin 6 is that of a sensor"},
		{"", "{pin: 2, cold: 5}", "cold", "none of sensors"},
		{"sensors: [" + diode20 + ", {pin: 18, kind: diode, ideality: 1, accuracy_c: 1}]", "pin: 2", "cold", "pin 0 is none of sensors"},
		{"", "sensor pin: 5", "couple", "missing"},
		{"", "pin: 2|pin: 2", "pin", "channel vr1"},
		{"", "pin: 2|pin: 3", "pin", "pin 2 is that of channel vr1"},
		{"", "pin: 3|{pin: 2, single_ended: true}", "pin", "minus of channel vr1"},
		{"", "sensor pin: 20|sensor pin: 20", "pin", "channel vr1 has it already"},
		{"sensors: [" + pt + "}]", "pin: 17", "pin", "pin 17 is that of a sense resistor"},
		{"", "{pin: 2, max_step: -1}", "max_step", "above zero"},
	} {
		err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), source(tt.options, strings.Split(tt.inputs, "|")...))
		var refused *drivers.OptionError
		if !errors.As(err, &refused) || refused.Key != tt.key || !strings.Contains(refused.Text, tt.text) {
			t.Errorf("%s, %s: %v", tt.options, tt.inputs, err)
		}
	}
	for key, change := range map[string]func(*drivers.Source){
		"couple":  func(s *drivers.Source) { s.Inputs[0].Couple = "C" },
		"every":   func(s *drivers.Source) { s.Every = 600 * time.Millisecond },
		"channel": func(s *drivers.Source) { s.Inputs[0].Kind = drivers.Power },
	} {
		src := source("")
		change(&src)
		var refused *drivers.OptionError
		if err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), src); !errors.As(err, &refused) || refused.Key != key {
			t.Errorf("%s: %v", key, err)
		}
	}
	src := source("")
	src.Inputs[0].Couple = "Q"
	if err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), src); err == nil || !strings.Contains(err.Error(), "Q") {
		t.Errorf("letter Q: %v", err)
	}
	if err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), source("")); err == nil || !strings.Contains(err.Error(), "SPI0.0") {
		t.Errorf("no such port: %v", err)
	}
}

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(map[int]uint32{2: word(80), 20: word(25)})
		ports, dev := bench(t, f, source("sensors: ["+diode20+"]\nopen_test_ua: 0"))
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || len(lines) != 3 || !strings.Contains(lines[2], "pin 2 at SPI0.0: assignment 15000000, result 01014000, 80.000 degC") {
			t.Errorf("%q, %v", lines, err)
		}
		f.lock(func() { f.deaf = true })
		if lines, err = dev.(drivers.Prober).Probe(t.Context()); err != nil || !strings.Contains(lines[1], "stale") {
			t.Errorf("deaf: %q, %v", lines, err)
		}
		ports.Fail(syscall.EIO)
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Errorf("dead bus: %v", err)
		}
		ports.Fail(nil)
		f.lock(func() { f.ram = [0x400]byte{} })
		if _, err := dev.(drivers.Prober).Probe(t.Context()); err == nil || !strings.Contains(err.Error(), "no_chip") {
			t.Errorf("no chip: %v", err)
		}
		f.lock(func() { f.ram[regStatus], f.deaf = statusDone, false })
		_, _ = dev.(drivers.Prober).Probe(t.Context()) // writes the settings again
		ports.FailAt(3, syscall.EIO)
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Errorf("start fails: %v", err)
		}
	})
}

// FuzzResult: whatever a result register holds, on a probe and on its junction, gives
// a fault or a number within the sensor's range.
func FuzzResult(f *testing.F) {
	for _, w := range []uint32{0, word(100), word(-999) | hardSensor, 0xFFFFFFFF, 0x00019000, 0x21019000} {
		f.Add(w, word(25))
		f.Add(word(25), w)
	}
	f.Fuzz(func(t *testing.T, probe, cold uint32) {
		in := &input{pin: 2, thermocouple: true, minC: -270, maxC: 1372, cold: &input{pin: 20, minC: diodeMinC, maxC: diodeMaxC}}
		in.got, in.cold.got = result(probe), result(cold)
		in.found, in.cold.found = in.within(), in.cold.within()
		out := make([]drivers.Reading, 1)
		in.report(&out[0], time.Time{})
		if err := drivertest.CheckReadings(out); err != nil {
			t.Fatal(err)
		}
		r := out[0]
		if r.Faults == 0 && (probe>>24 != 1 || cold>>24&0xCF != 1 || math.Abs(float64(r.Cold)*codeC) > 125 || float64(r.Code)*codeC > 1372 || float64(r.Code)*codeC < -270) {
			t.Fatalf("%08X with %08X passes as %+v", probe, cold, r)
		}
	})
}
