package modbusmap

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func float(v float32) (hi, lo uint16) {
	b := math.Float32bits(v)
	return uint16(b >> 16), uint16(b)
}

func (g *registers) setFloat(address uint16, v float32) {
	hi, lo := float(v)
	g.set(address, hi, lo)
}

func TestReadsABuiltinMapOverTCP(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRegisters()
		g.setFloat(12, 198.7)
		g.setFloat(72, 1234.5)
		g.setFloat(0, 230.1)
		d := open(t, g, source("map: builtin:sdm120", "active_power", "import_energy", "voltage"))
		want := []struct {
			kind  drivers.Kind
			unit  string
			value float64
		}{{drivers.Power, "W", 198.7}, {drivers.Energy, "J", 1234.5 * 3.6e6}, {drivers.Voltage, "V", 230.1}}
		var out [3]drivers.Reading
		if err := d.Read(t.Context(), out[:]); err != nil {
			t.Fatal(err)
		}
		for i, w := range want {
			c, r := d.Converters()[i], out[i]
			if c.Kind != w.kind || c.Unit != w.unit || c.Law != drivers.LawFloat32 {
				t.Errorf("converter %d: %+v", i, c)
			}
			got := float64(math.Float32frombits(uint32(r.Code)))*c.PerCode + c.Offset
			if r.Faults != 0 || r.Has != drivers.HasCode || math.Abs(got-w.value) > 1e-4*w.value {
				t.Errorf("reading %d: %+v is %v, want %v", i, r, got, w.value)
			}
		}
		if len(g.asked) != 3 {
			t.Errorf("%v: the gaps of this map are not known to be readable", g.asked)
		}
		if d.Converters()[1].Modulus != 0 {
			t.Errorf("a float counter has modulus %v", d.Converters()[1].Modulus)
		}
	})
}

func TestFailuresAreFaultsAndNothingRepeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRegisters()
		g.setFloat(12, 198.7)
		g.setFloat(0, 230.1)
		d := open(t, g, source("map: builtin:sdm120", "active_power", "voltage"))
		var out [2]drivers.Reading
		read := func() error { time.Sleep(2 * time.Minute); return d.Read(t.Context(), out[:]) }
		if err := read(); err != nil {
			t.Fatal(err)
		}
		steps := []struct {
			name   string
			break_ func()
			power  drivers.Faults
			volts  drivers.Faults
			all    bool
		}{
			{"not a number", func() { g.set(12, 0x7FC0, 0) }, drivers.OutOfRange, 0, false},
			{"infinite", func() { g.set(12, 0xFF80, 0) }, drivers.OutOfRange, 0, false},
			{"absurd", func() { g.setFloat(12, 8.5e22) }, drivers.OutOfRange, 0, false},
			{"export", func() { g.setFloat(12, -42.5) }, 0, 0, false},
			{"exception", func() { g.fail[12] = 4 }, drivers.DeviceError, 0, false},
			{"silence", func() { g.mute = true }, drivers.Timeout, drivers.Timeout, true},
		}
		for _, s := range steps {
			s.break_()
			err := read()
			if out[0].Faults != s.power || out[1].Faults != s.volts || (err != nil) != s.all {
				t.Errorf("%s: %v and %v, error %v", s.name, out[0].Faults, out[1].Faults, err)
			}
			for i, r := range out {
				if r.Faults != 0 && (r.Cause == nil || !strings.Contains(r.Cause.Error(), "unit 1")) {
					t.Errorf("%s: cause of %d: %v", s.name, i, r.Cause)
				}
				if r.Faults&(drivers.Timeout|drivers.DeviceError) != 0 && (r.Has != 0 || r.Code != 0) {
					t.Errorf("%s: a reading without an answer carries %+v", s.name, r)
				}
			}
		}
		d.Close()
		if err := read(); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("after Close: %v", err)
		}
	})
}

func TestOneMapJoinsItsBlockAndItsCounterWraps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRegisters()
		// The published answer of a module: 230.0 V, 4.582 A low word first, ...
		g.set(0, 2300, 870, 0, 1987, 0, 0x967F, 0x0098, 500, 98, 0)
		d := open(t, g, source("map: builtin:pzem-004t-v3", "voltage", "current", "active_power", "import_energy", "frequency"))
		var out [5]drivers.Reading
		if err := d.Read(t.Context(), out[:]); err != nil {
			t.Fatal(err)
		}
		if len(g.asked) != 1 || g.asked[0] != [2]int{0, 8} {
			t.Errorf("requests %v, want one of 8 registers", g.asked)
		}
		for i, want := range []float64{230, 0.87, 198.7, 9999999 * 3600, 50} {
			c := d.Converters()[i]
			if got := float64(out[i].Code)*c.PerCode + c.Offset; i != 3 && (out[i].Faults != 0 || math.Abs(got-want) > 1e-9) {
				t.Errorf("input %d: %v %v, want %v", i, got, out[i].Faults, want)
			}
		}
		if out[3].Faults != drivers.OutOfRange {
			t.Errorf("energy above the counter's end: %v", out[3].Faults)
		}
		if m := d.Converters()[3].Modulus; m != 1e7*3600 {
			t.Errorf("modulus %v J", m)
		}
	})
}

func TestSilentUnitRestsAndTheOtherGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRegisters()
		g.set(12, 2301)
		src := source("map: builtin:dds238-1", "voltage", "voltage")
		src.Inputs[1].Options = drivertest.Options("field: voltage\nunit: 2")
		d := open(t, g, src)
		if len(d.units) != 2 {
			t.Fatalf("%d units", len(d.units))
		}
		for range 3 {
			d.units[1].breaker.Note(time.Now(), errTimeout(t, d))
		}
		var out [2]drivers.Reading
		if err := d.Read(t.Context(), out[:]); err != nil {
			t.Fatal(err)
		}
		if out[0].Faults != 0 || out[1].Faults != drivers.Timeout || len(g.asked) != 1 {
			t.Errorf("%v, %v, requests %v", out[0].Faults, out[1].Faults, g.asked)
		}
	})
}

// errTimeout is a time-out as the master words it.
func errTimeout(t *testing.T, _ *Dev) error {
	t.Helper()
	g := newRegisters()
	g.mute = true
	var out [1]drivers.Reading
	return open(t, g, source("map: builtin:dds238-1", "voltage")).Read(t.Context(), out[:])
}

// TestProbeTellsWhatIsWrong sets a driver up wrongly in one way, before a meter that has
// floats at the addresses of builtin:sdm120, and wants the way to be told.
func TestProbeTellsWhatIsWrong(t *testing.T) {
	own := func(text string) string {
		file := filepath.Join(t.TempDir(), "own.yaml")
		if err := os.WriteFile(file, []byte("id: own\n"+text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	fields := func(kind string, watts, volts int) string {
		return fmt.Sprintf("fields:\n  active_power: {address: %d, type: %s, unit: W, range: [-14000, 14000]}\n  voltage: {address: %d, type: %s, unit: V, range: [80, 300]}\n", watts, kind, volts, kind)
	}
	for _, c := range []struct {
		name, opts string
		want       []string // of what is said; none: nothing is
	}{
		{"right", "map: builtin:sdm120", nil},
		{"CDAB", "map: " + own("function: 4\norder: CDAB\n"+fields("float32", 12, 0)), []string{"wrong word order: it would be ABCD: 2 of 2 fields", "active_power 198.7 W, voltage 230.1 V"}},
		{"BADC", "map: " + own("function: 4\norder: BADC\n"+fields("float32", 12, 0)), []string{"wrong word order: it would be ABCD: 2 of 2 fields"}},
		{"DCBA", "map: " + own("function: 4\norder: DCBA\n"+fields("float32", 12, 0)), []string{"wrong word order: it would be ABCD: 2 of 2 fields"}},
		{"counts from 1", "map: " + own("function: 4\norder: ABCD\n"+fields("float32", 13, 1)), []string{"wrong address: one register lower (the numbers count from 1: set base: 1): 2 of 2 fields"}},
		{"counts from 0", "map: " + own("function: 4\norder: ABCD\nbase: 1\nfields:\n"+
			"  active_power: {address: 12, type: float32, unit: W, range: [-14000, 14000]}\n  frequency: {address: 70, type: float32, unit: Hz}\n"),
			[]string{"wrong address: one register higher (the numbers count from 0: set base: 0): 2 of 2 fields", "frequency 50.01 Hz"}},
		{"3xxxx", "map: " + own("function: 4\norder: ABCD\n"+fields("float32", 30013, 30001)), []string{"3xxxx numbers name input registers", "minus 30001"}},
		{"4xxxx", "map: " + own("function: 4\norder: ABCD\n"+fields("float32", 40013, 40001)), []string{"4xxxx numbers name holding registers", "minus 40001"}},
		{"order and base", "map: " + own("function: 4\norder: CDAB\n"+fields("float32", 13, 1)), []string{"one register lower", "and word order ABCD: 2 of 2"}},
		{"whole numbers", "map: " + own("function: 4\norder: ABCD\n"+fields("u32", 12, 0)), []string{"wrong type", "2 of 2"}},
		{"wrong function", "map: " + own("function: 3\norder: ABCD\n"+fields("float32", 12, 0)), []string{"wrong function", "2 of 2"}},
		{"another map that looks alike", "map: builtin:ddm18sd\nunit: 1", []string{"wrong map: builtin:sdm120 fits: 3 of 3", "frequency 50.01 Hz"}},
		{"another map", "map: builtin:dds238-1", []string{"wrong map: builtin:sdm120 fits: 3 of 3"}},
		{"wrong unit", "map: builtin:sdm120\nunit: 7", []string{"wrong unit: unit 7 does not answer, unit 1 does"}},
	} {
		synctest.Test(t, func(t *testing.T) {
			g := newRegisters()
			g.unit, g.function, g.end = 1, 4, 400
			for at, v := range map[uint16]float32{0: 230.1, 6: 0.873, 12: 198.7, 70: 50.01, 72: 1234.5} {
				g.setFloat(at, v)
			}
			if !strings.Contains(c.opts, "unit:") {
				c.opts += "\nunit: 1"
			}
			d := open(t, g, source(c.opts, "active_power"))
			lines, err := d.Probe(t.Context())
			last := lines[len(lines)-1]
			if c.want == nil && (err != nil || len(lines) != 2 || !strings.Contains(last, "active_power = 198.7 W (registers 12..13: 43 46 b3 33)")) {
				t.Errorf("%s: %q, %v", c.name, lines, err)
			}
			for _, w := range c.want {
				if text := strings.Join(lines, "\n"); !strings.Contains(text, w) {
					t.Errorf("%s: no %q in\n%s", c.name, w, text)
				}
			}
		})
	}
}
