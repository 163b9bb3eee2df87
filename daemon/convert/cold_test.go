package convert

import (
	"math"
	"strings"
	"testing"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// block is an isothermal-block sensor with the limits of an MCP9808 (DS25095, page 3).
func block() record.Channel {
	return record.Channel{
		Name: "block", Kind: record.Temperature, Unit: "degC", Role: record.RoleReference,
		Converter: record.Converter{Model: "MCP9808", Law: record.LawLinear, PerCode: 0.0625, ConversionNS: 250e6, Lines: []record.Line{
			{Name: "sensor, -20 to 100 degC", Half: 0.5, SharedBy: "converter"}, {Name: "step of the code", Half: 0.03125},
		}},
	}
}

// ads1118 is a converter whose own junction is +-1 K (SBAS457F, page 5: 0 to 70 degC, maximum).
func ads1118() record.Channel {
	return record.Channel{
		Name: "a", Kind: record.Temperature, Unit: "degC", Couple: "K", Class: "iec-1",
		Converter: record.Converter{Model: "ADS1118", Law: record.LawEMF, PerCode: 7.8125e-6, ColdPerCode: 0.03125, Lines: []record.Line{
			{Name: "gain", Rel: 0.0015, In: "emf", SharedBy: "converter"},
			{Name: "step of the code", Half: 3.90625e-6, In: "emf"},
			{Name: "cold junction", Half: 1, In: "cold", SharedBy: "converter"},
			{Name: "step of the cold junction's code", Half: 0.015625, In: "cold"},
		}},
	}
}

func table(t *testing.T, l *record.Layout) *Table {
	t.Helper()
	tab, err := New(l)
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

// TestLagOfTheBlock: with an external junction the chip's own is no part of the
// budget; the sensor's budget is, and what a block drifts (0.5 K/min, common practice)
// while the newest reading is up to a period and a conversion old.
func TestLagOfTheBlock(t *testing.T) {
	ads := ads1118()
	ads.Cold = record.ColdJunction{From: "channel", Channel: "block"}
	l := &record.Layout{ID: 7, Rig: "t", Channels: []record.Channel{ads, block()}, Sources: []record.Source{
		{Name: "s", Channels: []int{0}, EveryNS: 200e6}, {Name: "b", Channels: []int{1}, EveryNS: 2e9}}}
	tab := table(t, l)
	got := byName(tab.Budget(0, 85, 30))
	for name := range got {
		if strings.Contains(name, "cold junction's code") || name == "cold junction" {
			t.Errorf("the chip's junction is not used, but %q counts", name)
		}
	}
	hot, _ := its90.K.Seebeck(85)
	cold, _ := its90.K.Seebeck(30)
	sensor := math.Hypot(0.5, 0.03125) / math.Sqrt(3)
	by := got["cold junction by channel block"]
	if math.Abs(by.StandardK-sensor*cold/hot) > 1e-9 || by.SharedKey != "channel:t/block" || by.Distribution != "normal" {
		t.Errorf("%+v, want u = %.4f", by, sensor*cold/hot)
	}
	lag := got["cold junction read at another instant"]
	if want := 0.5 / 60 * 2.25 * cold / hot; math.Abs(lag.HalfWidth-want) > 1e-9 || lag.SharedKey != "" {
		t.Errorf("%+v, want a half width of %.5f", lag, want)
	}
}

// TestFixedJunction: an ice bath is nearly exact, an assumed room is not.
func TestFixedJunction(t *testing.T) {
	for fixedC, want := range map[float64]string{0: "cold junction in an ice bath", 23: "cold junction assumed, not measured"} {
		ch := ads1118()
		ch.Cold = record.ColdJunction{From: "fixed", FixedC: &fixedC}
		got := byName(table(t, layout(ch)).Budget(0, 85, fixedC))
		if got[want].StandardK == 0 || got["cold junction"].StandardK != 0 {
			t.Errorf("fixed at %g: %+v", fixedC, got)
		}
		if w := Warnings(&ch, 85, dayOf(t, "2030-01-01")); (len(w) > 0) != (fixedC != 0) {
			t.Errorf("fixed at %g: warnings %q", fixedC, w)
		}
	}
}

// TestBetterJunction moves a chip that linearises correctly to another cold junction:
// its EMF is what the reference function makes of its number and its own junction.
func TestBetterJunction(t *testing.T) {
	fixed := 22.0
	ch := record.Channel{Name: "m", Unit: "degC", Couple: "K", Cold: record.ColdJunction{From: "fixed", FixedC: &fixed},
		Converter: record.Converter{Law: record.LawLinearised, PerCode: 1.0 / 128, ColdPerCode: 1.0 / 64}}
	e := func(c float64) float64 { v, _ := its90.K.EMFVolts(c); return v }
	want, _ := its90.K.TempC(e(100) - e(25) + e(22))
	v := one(t, layout(ch), code(12800, 1600))[0]
	if math.Abs(v.Value-want) > 1e-9 || v.ColdC != 22 || v.ChipC != 100 || math.Abs(v.EMFVolts-(e(100)-e(25))) > 1e-12 {
		t.Errorf("%+v, want %g", v, want)
	}
	if v := one(t, layout(ch), record.Raw{Has: record.HasCode, Code: 12800})[0]; v.Faults != record.ColdJunctionFault {
		t.Errorf("the chip's junction is missing, but: %+v", v)
	}
	if v := one(t, layout(ch), code(12800, 90000))[0]; v.Faults != record.ColdJunctionFault {
		t.Errorf("a junction beyond the couple: %+v", v)
	}
	if v := one(t, layout(ch), code(300000, 1600))[0]; v.Faults != record.OutOfRange {
		t.Errorf("a number beyond the couple: %+v", v)
	}
}

// TestImpliedEMF: what a chip that linearises must have seen is told on request.
func TestImpliedEMF(t *testing.T) {
	ch := max31856()
	l := layout(ch)
	tab := table(t, l)
	v := one(t, l, code(100*128, 25*64))[0]
	if got, ok := tab.EMFVolts(0, &v); !ok || math.Abs(got-3.095988e-3) > 1e-9 || v.Has&HasEMF != 0 { // NIST: 4.096 - 1.000 mV
		t.Errorf("%g %v", got, ok)
	}
	slope := one(t, layout(max31855("s")), code(340, 400))[0]
	if got, ok := table(t, layout(max31855("s"))).EMFVolts(0, &slope); !ok || got != slope.EMFVolts {
		t.Errorf("a known EMF: %g %v", got, ok)
	}
	v = one(t, l, record.Raw{Has: record.HasCode, Code: 100 * 128})[0]
	if _, ok := tab.EMFVolts(0, &v); ok {
		t.Error("an EMF without a cold junction")
	}
}

func TestCircle(t *testing.T) {
	a, b := ads1118(), ads1118()
	b.Name = "b"
	a.Cold = record.ColdJunction{From: "channel", Channel: "b"}
	b.Cold = record.ColdJunction{From: "channel", Channel: "a"}
	if _, err := New(layout(a, b)); err == nil || !strings.Contains(err.Error(), "depends on itself") {
		t.Errorf("%v", err)
	}
	b.Cold = record.ColdJunction{}
	tab := table(t, layout(a, b)) // a chain is allowed
	if tab.Budget(0, 85, 30) == nil {
		t.Error("no budget")
	}
}

// TestSeenEMF: lines at the converter's input act on the EMF that it sees, which is
// that of the probe less that of the junction. E(85) = 3.474 mV, E(30) = 1.203 mV
// (NIST Monograph 175), so 0.15 % is 3.4 uV, or 0.082 K, not the 0.13 K of 3.474 mV.
func TestSeenEMF(t *testing.T) {
	tab := table(t, layout(ads1118()))
	for coldC, want := range map[float64]float64{30: 0.0015 * (3.474 - 1.203) / 0.0413, 85: 0, 100: 0.0015 * (4.096 - 3.474) / 0.0413} {
		if got := byName(tab.Budget(0, 85, coldC))["gain"].HalfWidth; math.Abs(got-want) > 0.001 {
			t.Errorf("junction at %g: %.4f K, want %.4f", coldC, got, want)
		}
	}
}
