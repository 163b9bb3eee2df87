package convert

import (
	"math"
	"testing"

	"soakrig/daemon/record"
)

// max31856 is a precision converter with the lines of its data sheet (19-7534, page
// 3: full scale and linearity +-0.05 % of 78.125 mV at 25 degC, cold junction +-0.7).
func max31856() record.Channel {
	return record.Channel{
		Name: "vr1", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K", Class: "iec-1",
		Converter: record.Converter{
			Model: "MAX31856", Law: record.LawLinearised, PerCode: 1.0 / 128, ColdPerCode: 1.0 / 64,
			Lines: []record.Line{
				{Name: "full scale and linearity", Half: 39.06e-6, In: "emf", SharedBy: "channel"},
				{Name: "cold junction", Half: 0.7, In: "cold", SharedBy: "channel"},
			},
		},
		Lines: []record.Line{
			{Name: "mounting", Half: 1.0},
			{Name: "pickup while loaded", Half: 0.5},
			{Name: "terminal gradient", Half: 0.3, SharedBy: "channel"},
		},
	}
}

func byName(lines []record.BudgetLine) map[string]record.BudgetLine {
	m := map[string]record.BudgetLine{}
	for _, l := range lines {
		m[l.Name] = l
	}
	return m
}

// TestBudget reproduces the converter's, wire's and mounting's part of a worked
// budget (method of JCGM 100, 4.3.7: rectangular limits, u = a/sqrt(3)) for a hot
// spot of 85 degC.
func TestBudget(t *testing.T) {
	tab, err := New(layout(max31856()))
	if err != nil {
		t.Fatal(err)
	}
	lines := tab.Budget(0, 85, 30)
	got := byName(lines)
	for name, want := range map[string]float64{
		"wire, type K class iec-1": 0.87, "full scale and linearity": 0.55, "cold junction": 0.40,
		"terminal gradient": 0.17, "mounting": 0.58, "pickup while loaded": 0.29,
	} {
		if u := got[name].StandardK; math.Abs(u-want) > 0.01 {
			t.Errorf("%s: u = %.3f, want %.2f", name, u, want)
		}
	}
	sum, shares := 0.0, 0.0
	for _, l := range lines {
		sum += l.StandardK * l.StandardK
		shares += l.Share
	}
	if math.Abs(shares-1) > 1e-9 {
		t.Errorf("shares add up to %g", shares)
	}
	out := make([]Value, 1)
	if err := tab.Convert(&record.Sample{Layout: 7, Raw: []record.Raw{code(85*128, 30*64)}}, out); err != nil {
		t.Fatal(err)
	}
	if want := 2 * math.Sqrt(sum); math.Abs(out[0].Expanded-want) > 1e-9 {
		t.Errorf("U = %g, budget says %g", out[0].Expanded, want)
	}
}

// TestShared checks what cancels between two results: all of the wire but the spread
// within a lot, nothing of a probe that is mounted anew.
func TestShared(t *testing.T) {
	tab, err := New(layout(max31856()))
	if err != nil {
		t.Fatal(err)
	}
	got := byName(tab.Budget(0, 85, 30))
	wire := got["wire, type K class iec-1"]
	if wire.SharedKey != "spool:t/K/iec-1" {
		t.Errorf("key %q", wire.SharedKey)
	}
	if left := wire.StandardK * math.Sqrt(1-wire.SharedCorrelation); math.Abs(left-0.07) > 1e-9 {
		t.Errorf("two cuts of one spool differ by u = %g, want 0.07", left)
	}
	if m := got["mounting"]; m.SharedKey != "" || m.SharedCorrelation != 0 {
		t.Errorf("mounting is shared: %+v", m)
	}
	named := max31856()
	named.Spool = "lot 12"
	if tab, err = New(layout(named)); err != nil {
		t.Fatal(err)
	}
	if k := byName(tab.Budget(0, 85, 30))["wire, type K class iec-1"].SharedKey; k != "spool:lot 12" {
		t.Errorf("a named spool has the key %q", k)
	}
}

// TestTrimmed checks that a zero-spread trim and a check of the spool near 100 degC
// shrink the lines they touch, and no others.
func TestTrimmed(t *testing.T) {
	ch := max31856()
	ch.Calibration = &record.Calibration{ID: "z", Trimmed: true, Checked: "2030-01-01", UncertainK: 0.1, Table: []record.Correction{{ReferenceC: 0}, {ReferenceC: 99.9}}}
	tab, err := New(layout(ch))
	if err != nil {
		t.Fatal(err)
	}
	got := byName(tab.Budget(0, 85, 30))
	for name, want := range map[string]float64{
		"wire, type K class iec-1": 0.30, "full scale and linearity": 0.30, "cold junction": 0.15,
		"terminal gradient": 0.10, "mounting": 0.577, "calibration z": 0.1,
	} {
		if u := got[name].StandardK; math.Abs(u-want) > 0.001 {
			t.Errorf("%s: u = %.3f, want %.3f", name, u, want)
		}
	}
}

// TestRelativeLines: a class 1 meter and half a watt.
func TestRelativeLines(t *testing.T) {
	ch := record.Channel{Name: "w", Kind: record.Power, Unit: "W", Converter: record.Converter{
		Law: record.LawFloat32, PerCode: 1, Lines: []record.Line{{Name: "class 1", Rel: 0.01}, {Name: "repeat", Half: 0.2, Sigma: 2}},
	}}
	tab, err := New(layout(ch))
	if err != nil {
		t.Fatal(err)
	}
	got := byName(tab.Budget(0, -200, 0))
	if u := got["class 1"].StandardK; math.Abs(u-2/math.Sqrt(3)) > 1e-9 {
		t.Errorf("relative line at -200 W: %g", u)
	}
	if l := got["repeat"]; l.StandardK != 0.1 || l.Distribution != "normal" || l.Unit != "W" {
		t.Errorf("two-sigma line: %+v", l)
	}
	if tab, err = New(layout(record.Channel{Name: "n", Unit: "W", Converter: record.Converter{Law: record.LawFloat32, PerCode: 1}})); err != nil {
		t.Fatal(err)
	}
	if lines := tab.Budget(0, 5, 0); lines != nil {
		t.Errorf("nothing is stated, but: %+v", lines)
	}
}

// TestOutsideClass: outside the range of the class, the tolerance at its end stands.
func TestOutsideClass(t *testing.T) {
	tab, err := New(layout(max31856()))
	if err != nil {
		t.Fatal(err)
	}
	if u := byName(tab.Budget(0, -60, 20))["wire, type K class iec-1"].StandardK; math.Abs(u-1.5/math.Sqrt(3)) > 0.01 {
		t.Errorf("at -60 degC: %g", u)
	}
}
