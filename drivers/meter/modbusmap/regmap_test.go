package modbusmap

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func TestBuiltinMapsLoad(t *testing.T) {
	if len(Builtin()) != 6 {
		t.Errorf("built-in maps %v, want 6", Builtin())
	}
	for _, id := range Builtin() {
		m, err := LoadMap("builtin:" + id)
		if err != nil {
			t.Error(err)
			continue
		}
		if m.ID != id || m.Source == "" || m.Device == "" {
			t.Errorf("%s: id %q, device %q, source %q", id, m.ID, m.Device, m.Source)
		}
	}
}

func TestBadMapsSayWhatIsWrong(t *testing.T) {
	const head = "id: x\nfunction: 4\norder: ABCD\nfields:\n"
	for _, c := range []struct{ text, want string }{
		{"id: x\nfunction: 4\n", "name at least one"},
		{"id: x\nfunction: 4\nbass: 1\n", "bass"},
		{"id: x\nfunction: 6\nfields: {a: {address: 1, type: u16}}", "function 6: use 3"},
		{"id: x\nfunction: 4\nbase: 2\nfields: {a: {address: 1, type: u16}}", "base: 2"},
		{"id: x\nfunction: 4\nmost: 200\nfields: {a: {address: 1, type: u16}}", "1..125"},
		{"id: x\nfunction: 4\nfields: {a: {address: 1, type: u32}}", `order "": use ABCD`},
		{head + "  a: {address: 1, type: u32, order: CABD}", "use ABCD"},
		{head + "  a: {address: 1, type: u16, order: ABCD}", "AB or BA"},
		{head + "  a: {address: 1, type: int}", `type "int": use u16`},
		{head + "  a: {address: 1, type: u16, unit: W}", "range is missing"},
		{head + "  a: {address: 1, type: u16, unit: W, range: [5]}", "lowest and the highest"},
		{head + "  a: {address: 65535, type: u32}", "outside 0..65534"},
		{head + "  a: {address: 1, type: u32}\n  b: {address: 2, type: u16}", "a and fields.b overlap at register 2"},
		{head + "  a: {address: 1, type: u16, sign: 3}", "sign 3"},
		{head + "  a: {address: 1, type: u16, unit: Wh, modulus: -1}", "modulus -1"},
		{head + "  a: {address: 1, type: u16, accuracy: good}", `"good" is not a number`},
		{head + "  a: {type: u16, unit: V}", "fields.a.address: required"},
		{head + "  a: {address: 1.5, type: u16}", "fields.a.address: want a whole number without quotes, got 1.5"},
		{head + "  a: {address: \"12\", type: u16}", "got 12"},
		{head + "  a: {address: 1, type: u16, sign: -1.0}", "fields.a.sign: want a whole number"},
		{head + "  a: {address: 1, type: u16, drop: [1.5]}", "fields.a.drop: want a whole number"},
		{"base: 0.5\n" + head + "  a: {address: 1, type: u16}", "base: want a whole number"},
		{head + "  a: {address: 1, type: u16, drop: [70000]}", "drop 70000: a u16 can't hold it"},
		{head + "  a: {address: 1, type: i16, drop: [-40000]}", "drop -40000: a i16 can't hold it"},
		{head + "  a: {address: 1, type: u16, unit: kw}", `unit "kw": did you mean "kW"?`},
		{head + "  a: {address: 1, type: u16, unit: Volts}", `did you mean "V"?`},
		{head + "  a: {address: 1, type: u16, unit: MW}", `did you mean "mW"?`},
		{head + "  a: {address: 1, type: u16, unit: W, range: [-.inf, .inf]}", "finite limits"},
		{head + "  a: {address: 1, type: u16, offset: .nan}", "offset NaN"},
		{head + "  a: {address: 1, type: u16, unit: Wh, modulus: .nan}", "modulus NaN"},
		{head + "  a: {address: 1, type: u16, unit: W, range: [0, 5], accuracy: 0.5 V}", `is in V, the field is in "W"`},
		{head + "  a: {address: 1, type: u16, unit: W, range: [0, 5], accuracy: 1% of 300 V}", `is in V, the field is in "W"`},
		{head + "  \"\": {address: 1, type: u16}", "a field without a name"},
		{head + "  a: {address: 1, type: u16}\n  a: {address: 2, type: u16}", "already defined"},
		{head + "  a: {address: 1, type: u16, adress: 2}", "adress"},
		{"id: x\nfunction: 4\norder: HIGHLOW\nfields: {a: {address: 1, type: u16}}", `order "HIGHLOW": use ABCD`},
		{"most: 1\n" + head + "  a: {address: 1, type: u32}", "2 registers, and most says"},
		{"", "it is empty"},
		{"even_counts: true\n" + head + "  a: {address: 1, type: u16}", "even counts"},
	} {
		_, err := ParseMap("bad.yaml", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "bad.yaml") {
			t.Errorf("%q: %v, want %q", c.text, err, c.want)
		}
	}
	if _, err := LoadMap("builtin:none"); err == nil || !strings.Contains(err.Error(), "sdm120") {
		t.Errorf("unknown built-in map: %v", err)
	}
	if _, err := LoadMap(filepath.Join(t.TempDir(), "none.yaml")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
}

func TestBadOptionsNameInputAndKey(t *testing.T) {
	host := bus.NewHost(newRegisters().ports())
	for _, c := range []struct {
		opts, field, kind string
		input             int
		key, text         string
	}{
		{"", "field: voltage", "", 0, "map", "builtin:ID"},
		{"map: builtin:nix", "field: voltage", "", 0, "map", "sdm120"},
		{"map: builtin:sdm120", "", "", 0, "field", "active_power"},
		{"map: builtin:sdm120", "field: watt", "", 0, "field", "active_power"},
		{"map: builtin:sdm120\nunit: 300", "field: voltage", "", 0, "unit", "1..247"},
		{"map: builtin:ddm18sd", "field: voltage", "", 0, "unit", "1..247"},
		{"map: builtin:sdm120", "field: voltage", "power", 0, "field", "is in V"},
		{"map: builtin:sdm120\nparity: X", "field: voltage", "", -1, "parity", "N, E or O"},
		{"map: builtin:sdm120\nframing: ascii", "field: voltage", "", -1, "framing", "tcp or rtu"},
		{"map: builtin:sdm120\nbaud: -1", "field: voltage", "", -1, "baud", "9600"},
		{"map: builtin:sdm120\nstop_bits: 3", "field: voltage", "", -1, "stop_bits", "1 or 2"},
		{"map: builtin:sdm120\ndata_bits: 7", "field: voltage", "", -1, "data_bits", "8"},
		{"map: builtin:sdm120\ntimeout: 2h", "field: voltage", "", -1, "timeout", "1m"},
		{"map: builtin:sdm120\ngap: 11s", "field: voltage", "", -1, "gap", "10s"},
		{"map: builtin:sdm120\nquiet: 20s", "field: voltage", "", -1, "quiet", "10s"},
	} {
		src := source(c.opts, "voltage")
		src.Inputs[0].Options = drivertest.Options(c.field)
		if c.kind == "power" {
			src.Inputs[0].Kind = drivers.Power
		}
		_, err := New(t.Context(), host, src)
		var bad *drivers.OptionError
		if !errors.As(err, &bad) || bad.Input != c.input || bad.Key != c.key || !strings.Contains(bad.Text, c.text) {
			t.Errorf("%s, %s: %v", c.opts, c.field, err)
		}
	}
	src := source("map: builtin:sdm120\nmapp: x", "voltage")
	if _, err := New(t.Context(), host, src); err == nil || !strings.Contains(err.Error(), "mapp") {
		t.Errorf("unknown key: %v", err)
	}
	src = source("map: builtin:sdm120", "voltage")
	src.Port, src.Inputs[0].Port = "ttyUSB0", "ttyUSB0"
	if _, err := New(t.Context(), host, src); err == nil || !strings.Contains(err.Error(), "tcp://") {
		t.Errorf("port without a form: %v", err)
	}
}

func TestAccuracyText(t *testing.T) {
	for _, c := range []struct {
		text      string
		factor    float64
		rel, half float64
	}{
		{"class 1", 1, 0.01, 0},
		{"class 0.5S", 1, 0.005, 0},
		{"0.5% of reading + 0.2 W", 1, 0.005, 0.2},
		{"1% of 18400 W", 1, 0, 184},
		{"0.2% of reading + 0.1% of 1500 W", 1, 0.002, 1.5},
		{"0.01 kWh", 3.6e6, 0, 36000},
		{"10 Wh", 3.6e6, 0, 36000},
		{"0.01", 3.6e6, 0, 36000},
		{"", 1, 0, 0},
	} {
		unit := map[float64]string{1: "W", 3.6e6: "kWh"}[c.factor]
		lines, err := accuracyLines(c.text, unit, c.factor)
		if err != nil || len(lines) != 1 || math.Abs(lines[0].Rel-c.rel) > 1e-12 || math.Abs(lines[0].Half-c.half) > 1e-9 {
			t.Errorf("%q: %+v, %v", c.text, lines, err)
		}
	}
	for _, text := range []string{"class", "class -1", "x% of reading", "1% of", "0 W", "NaN W", "Inf W", "+"} {
		if lines, err := accuracyLines(text, "W", 1); err == nil {
			t.Errorf("%q: accepted as %+v", text, lines)
		}
	}
}

// TestPlanCoversEveryFieldOnce plans random fields and checks that each lies inside
// its block, that blocks hold no more than they may and do not overlap needlessly.
func TestPlanCoversEveryFieldOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &Map{Join: rapid.IntRange(0, 20).Draw(t, "join"), Most: rapid.IntRange(4, 125).Draw(t, "most"),
			EvenCounts: rapid.Bool().Draw(t, "even")}
		var fields []field
		at := 0
		for range rapid.IntRange(1, 30).Draw(t, "n") {
			at += rapid.IntRange(0, 30).Draw(t, "gap")
			size := rapid.SampledFrom([]int{2, 4}).Draw(t, "size")
			fields = append(fields, field{start: at, registers: size, function: 4})
			at += size
		}
		blocks, places := m.plan(7, fields)
		for i, f := range fields {
			b := blocks[places[i].block]
			lo, hi := int(b.req.Address), int(b.req.Address)+b.req.Count
			if f.start < lo || f.end() > hi || places[i].offset != 2*(f.start-lo) || b.req.Unit != 7 {
				t.Fatalf("field %d at %d lies in %+v at %d", i, f.start, b.req, places[i].offset)
			}
		}
		for i, b := range blocks {
			if b.req.Count > m.Most || len(b.buf) != 2*b.req.Count || m.EvenCounts && b.req.Count%2 != 0 {
				t.Fatalf("block %+v", b.req)
			}
			if i > 0 && int(blocks[i-1].req.Address)+blocks[i-1].req.Count > int(b.req.Address) {
				t.Fatalf("blocks overlap: %+v, %+v", blocks[i-1].req, b.req)
			}
		}
	})
}

func FuzzParseMap(f *testing.F) {
	for _, id := range Builtin() {
		text, err := builtin.ReadFile("maps/" + id + ".yaml")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := ParseMap("fuzz", text)
		if err != nil {
			return
		}
		for _, name := range m.names() {
			got, err := m.resolve(name)
			if err != nil || math.IsNaN(got.conv.PerCode) {
				t.Errorf("accepted map with field %s: %+v, %v", name, got, err)
			}
		}
	})
}
