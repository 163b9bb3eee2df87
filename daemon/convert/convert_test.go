package convert

import (
	"math"
	"strings"
	"testing"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

func max31855(name string) record.Channel {
	return record.Channel{
		Name: name, Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K", Class: "iec-1",
		Converter: record.Converter{Model: "MAX31855K", Law: record.LawFixedSlope, PerCode: 0.25, ColdPerCode: 0.0625, SlopeVoltsPerK: 41.276e-6},
	}
}

func layout(channels ...record.Channel) *record.Layout {
	l := &record.Layout{ID: 7, Rig: "t", Channels: channels}
	s := record.Source{Name: "s"}
	for i := range channels {
		s.Channels = append(s.Channels, i)
	}
	l.Sources = []record.Source{s}
	return l
}

func one(t *testing.T, l *record.Layout, raw ...record.Raw) []Value {
	t.Helper()
	tab, err := New(l)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]Value, len(raw))
	if err := tab.Convert(&record.Sample{Layout: l.ID, Raw: raw}, out); err != nil {
		t.Fatal(err)
	}
	return out
}

func code(code, cold int64) record.Raw {
	return record.Raw{Has: record.HasCode | record.HasCold, Code: code, Cold: cold}
}

// TestFixedSlope undoes the chip's fixed slope: a chip that reports tcj + V/41.276
// uV/K for a probe at t (MAX31855 data sheet 19-5793, page 8) gives t back to within
// what its quarter-degree step leaves.
func TestFixedSlope(t *testing.T) {
	l := layout(max31855("vr1"))
	for _, trueC := range []float64{-150, -20, 0, 25, 60, 82, 103, 130, 200, 300, 500, 1000, 1300} {
		for _, coldC := range []float64{-10, 0, 25, 31.25, 60} {
			hot, _ := its90.K.EMFVolts(trueC)
			cold, _ := its90.K.EMFVolts(coldC)
			chip := coldC + (hot-cold)/41.276e-6
			v := one(t, l, code(int64(math.Round(chip/0.25)), int64(coldC/0.0625)))[0]
			slope, _ := its90.K.Seebeck(trueC)
			step := 0.125*41.276e-6/slope + 1e-9
			if v.Faults != 0 || math.Abs(v.Value-trueC) > step {
				t.Errorf("probe %g, junction %g: %g (%v), off by more than %g", trueC, coldC, v.Value, v.Faults, step)
			}
			if v.Has != HasEMF|HasCold|HasChip || v.ColdC != coldC {
				t.Errorf("evidence: %+v", v)
			}
		}
	}
}

// TestChipIsLow gives the size of what is undone: 2.06 K at 200 degC and 0.22 K at
// 50 degC with the junction at 25 degC, evaluated from the reference function.
func TestChipIsLow(t *testing.T) {
	l := layout(max31855("vr1"))
	for chipC, lowK := range map[float64]float64{198: 2.061, 49.75: 0.220} {
		v := one(t, l, code(int64(chipC/0.25), 400))[0]
		if got := v.Value - chipC; math.Abs(got-lowK) > 0.02 {
			t.Errorf("chip %g: corrected by %.3f, want about %.3f", chipC, got, lowK)
		}
	}
}

func TestLaws(t *testing.T) {
	ads := record.Channel{Name: "a", Unit: "degC", Couple: "K", Converter: record.Converter{Law: record.LawEMF, PerCode: 7.8125e-6, ColdPerCode: 0.03125}}
	lin := record.Channel{Name: "l", Unit: "degC", Couple: "K", Converter: record.Converter{Law: record.LawLinearised, PerCode: 1.0 / 128, ColdPerCode: 1.0 / 64}}
	old := record.Channel{Name: "o", Unit: "degC", Couple: "K", Converter: record.Converter{Law: record.LawFixedSlopeNoCold, PerCode: 0.25}}
	rtd := record.Channel{Name: "r", Unit: "degC", Converter: record.Converter{Law: record.LawRTD, PerCode: 400.0 / 32768, R0Ohms: 100}}
	room := record.Channel{Name: "m", Unit: "degC", Converter: record.Converter{Law: record.LawLinear, PerCode: 0.0625}}
	kwh := record.Channel{Name: "e", Unit: "J", Converter: record.Converter{Law: record.LawLinear, PerCode: 0.01 * 3.6e6}}
	f32 := record.Channel{Name: "p", Unit: "W", Converter: record.Converter{Law: record.LawFloat32, PerCode: 1}}
	f64 := record.Channel{Name: "q", Unit: "W", Converter: record.Converter{Law: record.LawFloat64, PerCode: 1000}}
	onlyCode := func(c int64) record.Raw { return record.Raw{Has: record.HasCode, Code: c} }
	for _, c := range []struct {
		name  string
		ch    record.Channel
		raw   record.Raw
		want  float64
		tol   float64
		fault record.Faults
	}{
		// NIST Monograph 175: E(100) = 4.096 mV, E(25) = 1.000 mV, so 3.096 mV is 100 degC over 25.
		{"EMF", ads, code(396, 800), 99.95, 0.02, 0},
		{"EMF below the junction", ads, code(-100, 800), 5.53, 0.02, 0}, // E(5) = 0.198, E(6) = 0.238 mV
		{"no cold junction is no value", ads, onlyCode(396), 0, 0, record.ColdJunctionFault},
		{"EMF beyond the couple", ads, code(32767, 800), 0, 0, record.OutOfRange},
		{"linearised by the chip", lin, code(12920, 1600), 100.9375, 0, 0}, // linux max31856.c: raw 12920
		{"linearised below zero", lin, code(-8, 1600), -0.0625, 0, 0},
		{"fixed slope, junction hidden", old, onlyCode(400), 100, 0, 0}, // MAX6675 0C80h
		// MAX31865 data sheet 19-6478, table 9, RTD 100 ohm, reference 400 ohm.
		{"RTD 0 degC", rtd, onlyCode(0x4000 >> 1), 0, 1e-9, 0},
		{"RTD 100 degC", rtd, onlyCode(0x58A4 >> 1), 99.98, 0.06, 0},
		{"RTD -40 degC", rtd, onlyCode(0x35EE >> 1), -40.02, 0.06, 0},
		{"RTD of 0 ohm", rtd, onlyCode(0), 0, 0, record.OutOfRange},
		{"MCP9808", room, onlyCode(-160), -10, 0, 0},
		{"energy counter", kwh, onlyCode(1714), 17.14 * 3.6e6, 1e-6, 0},
		{"float32", f32, onlyCode(0x4346b333), 198.7, 1e-4, 0},
		{"float32 negative", f32, onlyCode(0xc22a0000), -42.5, 0, 0},
		{"float32 not a number", f32, onlyCode(0x7fc00000), 0, 0, record.OutOfRange},
		{"float64", f64, onlyCode(int64(math.Float64bits(0.1987))), 198.7, 1e-9, 0},
		{"float64 infinite", f64, onlyCode(int64(math.Float64bits(math.Inf(1)))), 0, 0, record.OutOfRange},
		{"neither code nor fault", room, record.Raw{}, 0, 0, record.BusError},
		{"never opened", record.Channel{Name: "n"}, onlyCode(5), 0, 0, record.BusError},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := one(t, layout(c.ch), c.raw)[0]
			if v.Faults != c.fault {
				t.Fatalf("faults %v, want %v", v.Faults, c.fault)
			}
			if c.fault != 0 && (v.Value != 0 || v.Expanded != 0) {
				t.Errorf("a value with a fault: %+v", v)
			}
			if math.Abs(v.Value-c.want) > c.tol {
				t.Errorf("%.6f, want %.6f +- %g", v.Value, c.want, c.tol)
			}
		})
	}
}

// TestFaultKeepsEvidence: an open lead has no value, but its cold junction stays
// known (MAX31855 7FFD1901h).
func TestFaultKeepsEvidence(t *testing.T) {
	raw := code(8191, 400)
	raw.Faults = record.Open | record.ShortToGround
	v := one(t, layout(max31855("vr1")), raw)[0]
	if v.Faults != record.Open|record.ShortToGround || v.Value != 0 || v.ColdC != 25 || v.Has&HasCold == 0 {
		t.Errorf("%+v", v)
	}
}

func TestColdJunctionElsewhere(t *testing.T) {
	block := record.Channel{Name: "block", Unit: "degC", Converter: record.Converter{Law: record.LawLinear, PerCode: 0.0625}}
	ads := record.Channel{
		Name: "a", Unit: "degC", Couple: "K", Converter: record.Converter{Law: record.LawEMF, PerCode: 7.8125e-6},
		Cold: record.ColdJunction{From: "channel", Channel: "block"},
	}
	l := layout(block, ads)
	tab, err := New(l)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]Value, 2)
	sample := &record.Sample{Layout: 7, Raw: []record.Raw{{Has: record.HasCode, Code: 400}, {Has: record.HasCode, Code: 396}}}
	if err := tab.Convert(sample, out); err != nil || out[1].Faults != 0 || math.Abs(out[1].Value-99.95) > 0.02 || out[1].ColdC != 25 {
		t.Errorf("%+v, %v", out[1], err)
	}
	sample.Raw[0] = record.Raw{Faults: record.NoChip} // the junction's sensor is gone: no value from its last reading
	if err := tab.Convert(sample, out); err != nil || out[1].Faults != record.ColdJunctionFault {
		t.Errorf("%+v, %v", out[1], err)
	}
	fixed := 25.0
	ads.Cold = record.ColdJunction{From: "fixed", FixedC: &fixed}
	if v := one(t, layout(ads), sample.Raw[1])[0]; math.Abs(v.Value-99.95) > 0.02 {
		t.Errorf("fixed junction: %+v", v)
	}
}

func TestRefusals(t *testing.T) {
	bad := func(f func(*record.Channel)) *record.Layout {
		ch := max31855("vr1")
		f(&ch)
		return layout(ch)
	}
	for want, l := range map[string]*record.Layout{
		"law 99":                bad(func(c *record.Channel) { c.Converter.Law = 99 }),
		`"Q"`:                   bad(func(c *record.Channel) { c.Couple = "Q" }),
		`"gold"`:                bad(func(c *record.Channel) { c.Class = "gold" }),
		`no channel "block"`:    bad(func(c *record.Channel) { c.Cold = record.ColdJunction{From: "channel", Channel: "block"} }),
		`"fixed" is not`:        bad(func(c *record.Channel) { c.Cold = record.ColdJunction{From: "fixed"} }),
		"channel number 9 of 1": {ID: 7, Channels: []record.Channel{max31855("a")}, Sources: []record.Source{{Name: "s", Channels: []int{9}}}},
	} {
		if _, err := New(l); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q in %v", want, err)
		}
	}
	tab, err := New(layout(max31855("vr1")))
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []*record.Sample{{Layout: 8, Raw: make([]record.Raw, 1)}, {Layout: 7, Source: 3, Raw: make([]record.Raw, 1)}, {Layout: 7}} {
		if err := tab.Convert(s, make([]Value, len(s.Raw))); err == nil {
			t.Errorf("accepted %+v", s)
		}
	}
}

func TestCalibration(t *testing.T) {
	ch := max31855("vr1")
	ch.Calibration = &record.Calibration{ID: "c1", OffsetK: 0.2, Table: []record.Correction{{ReferenceC: 0, CorrectionK: 0.1}, {ReferenceC: 100, CorrectionK: -0.3}}}
	v := one(t, layout(ch), code(4*50, 16*50))[0] // probe and junction at 50 degC: V = 0
	if math.Abs(v.Uncorrected-50) > 1e-6 || math.Abs(v.Value-(50+0.2-0.1)) > 1e-6 || v.Has&HasUncorrected == 0 {
		t.Errorf("%+v", v)
	}
	for at, want := range map[float64]float64{-50: 0.1, 0: 0.1, 25: 0, 100: -0.3, 500: -0.3} {
		if got := interpolate(ch.Calibration.Table, at); math.Abs(got-want) > 1e-12 {
			t.Errorf("table at %g: %g, want %g", at, got, want)
		}
	}
	if got := Correct(&record.Calibration{Gain: 1.01, OffsetK: -1}, 100); got != 100 {
		t.Errorf("gain and offset: %g", got)
	}
	for at, want := range map[float64]bool{-11: true, -9: false, 109: false, 111: true} {
		if Outside(ch.Calibration, at) != want {
			t.Errorf("outside at %g: %v", at, !want)
		}
	}
}

func TestConvertAllocatesNothing(t *testing.T) {
	l := layout(max31855("a"), max31855("b"))
	tab, err := New(l)
	if err != nil {
		t.Fatal(err)
	}
	s := &record.Sample{Layout: 7, Raw: []record.Raw{code(340, 420), {Faults: record.Open}}}
	out := make([]Value, 2)
	if n := testing.AllocsPerRun(100, func() {
		if err := tab.Convert(s, out); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkConvert(b *testing.B) {
	l := layout(max31855("a"))
	tab, err := New(l)
	if err != nil {
		b.Fatal(err)
	}
	s := &record.Sample{Layout: 7, Raw: []record.Raw{code(340, 420)}}
	out := make([]Value, 1)
	b.ReportAllocs()
	for b.Loop() {
		if err := tab.Convert(s, out); err != nil {
			b.Fatal(err)
		}
	}
}
