package convert

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

func dayOf(t *testing.T, text string) time.Time {
	t.Helper()
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		t.Fatal(err)
	}
	return day
}

func TestExpired(t *testing.T) {
	for _, c := range []struct {
		until, day string
		want       bool
	}{
		{"", "2090-01-01", false}, {"2026-05-02", "2026-05-02", false}, {"2026-05-02", "2026-05-03", true},
		{"2026-05-02", "2025-12-31", false}, {"next year", "2025-12-31", true},
	} {
		if got := Expired(&record.Calibration{ValidUntil: c.until}, dayOf(t, c.day)); got != c.want {
			t.Errorf("until %q on %s: %v", c.until, c.day, got)
		}
	}
	if Expired(nil, time.Time{}) {
		t.Error("no calibration has run out")
	}
}

func TestWarnings(t *testing.T) {
	day := dayOf(t, "2030-06-01")
	with := func(f func(*record.Channel)) *record.Channel { ch := max31856(); f(&ch); return &ch }
	for _, c := range []struct {
		name  string
		ch    *record.Channel
		value float64
		want  []string // a part of each
	}{
		{"nothing to say", with(func(*record.Channel) {}), 85, nil},
		{"run out", with(func(c *record.Channel) { c.Calibration = &record.Calibration{ID: "c1", ValidUntil: "2030-05-31"} }), 85, []string{"c1 was valid until 2030-05-31"}},
		{"beyond the table", with(func(c *record.Channel) {
			c.Calibration = &record.Calibration{ID: "c1", Table: []record.Correction{{ReferenceC: 0}, {ReferenceC: 60}}}
		}), 85, []string{"85.0 degC lies more than 10 K outside the table of calibration c1 (0 to 60)"}},
		{"within 10 K of the table", with(func(c *record.Channel) {
			c.Calibration = &record.Calibration{ID: "c1", Table: []record.Correction{{ReferenceC: 0}, {ReferenceC: 76}}}
		}), 85, nil},
		{"beyond the class", with(func(*record.Channel) {}), 1100, []string{"outside -40 to 1000 degC"}},
		{"class does not cover", with(func(c *record.Channel) { c.Couple = "B" }), 700, []string{"iec-1 does not cover type B"}},
		{"no class", with(func(c *record.Channel) { c.Class = "" }), 85, []string{"no tolerance class"}},
		{"doubtful function", with(func(c *record.Channel) { c.Couple, c.Class = "C", "astm-standard" }), 85, []string{"UNVERIFIED"}},
		{"junction of a chip that hides its own", &record.Channel{Name: "o", Couple: "K", Class: "iec-1", Cold: record.ColdJunction{From: "channel", Channel: "b"},
			Converter: record.Converter{Model: "MAX6675", Law: record.LawFixedSlopeNoCold}}, 85, []string{"can't be corrected", "is not used"}},
		{"no thermocouple", &record.Channel{Name: "w", Unit: "W", Converter: record.Converter{Law: record.LawLinear}}, 85, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := Warnings(c.ch, c.value, day)
			if len(got) != len(c.want) {
				t.Fatalf("%q, want %d", got, len(c.want))
			}
			for i, want := range c.want {
				if !strings.Contains(got[i], want) {
					t.Errorf("%q, want %q in it", got[i], want)
				}
			}
		})
	}
}

// TestUncoveredClass: a class that promises nothing for the couple is no reason to
// refuse a night's values; the budget lacks the wire.
func TestUncoveredClass(t *testing.T) {
	ch := max31856()
	ch.Couple = "C"
	got := table(t, layout(ch)).Budget(0, 500, 30)
	if slices.ContainsFunc(got, func(l record.BudgetLine) bool { return l.SharedBy == "spool" }) || len(got) == 0 {
		t.Errorf("%+v", got)
	}
}

// TestNearestTolerance: outside its range a class's tolerance is that at the nearer
// end. IEC 60584-1 class 1, type K: 1.5 K at -40 degC, 4.0 K at 1000 degC; class 3:
// 2.5 K at 40 degC.
func TestNearestTolerance(t *testing.T) {
	for _, c := range []struct {
		class        string
		value, wantK float64
	}{
		{"iec-1", -41, 1.5}, {"iec-1", -200, 1.5}, {"iec-1", 1000, 4}, {"iec-1", 1001, 4}, {"iec-1", 1370, 4},
		{"iec-3", 41, 2.5}, {"iec-3", 300, 2.5}, {"astm-special", -5, 1.1},
	} {
		ch := max31856()
		ch.Class = c.class
		got := byName(table(t, layout(ch)).Budget(0, c.value, 25))["wire, type K class "+c.class]
		if math.Abs(got.HalfWidth-c.wantK) > 1e-9 {
			t.Errorf("%s at %g degC: %g K, want %g", c.class, c.value, got.HalfWidth, c.wantK)
		}
	}
}

func TestUnsortedTable(t *testing.T) {
	ch := max31856()
	ch.Calibration = &record.Calibration{ID: "c1", Table: []record.Correction{{ReferenceC: 60}, {ReferenceC: 0}}}
	if _, err := New(layout(ch)); err == nil || !strings.Contains(err.Error(), "c1") {
		t.Errorf("%v", err)
	}
}

// TestCalibrationLine: a correction is as uncertain as it says, shared by what it says.
func TestCalibrationLine(t *testing.T) {
	ch := max31856()
	ch.Calibration = &record.Calibration{ID: "z", UncertainK: 0.2, SharedBy: "rig", Evidence: "zero spread"}
	got := byName(table(t, layout(ch)).Budget(0, 85, 30))["calibration z"]
	if got.StandardK != 0.2 || got.SharedKey != "rig:t" || got.SharedCorrelation != 1 || got.Source != "zero spread" {
		t.Errorf("%+v", got)
	}
}

// TestTrimLeavesGain: a trim where the converter sees no EMF takes its offset away
// and leaves its gain error.
func TestTrimLeavesGain(t *testing.T) {
	ch := ads1118()
	ch.Converter.Lines[0] = record.Line{Name: "gain", Half: 200e-6, Rel: 0.05, In: "emf"}
	ch.Calibration = &record.Calibration{ID: "z", Trimmed: true}
	slope, _ := its90.K.Seebeck(85)
	hot, _ := its90.K.EMFVolts(85)
	cold, _ := its90.K.EMFVolts(30)
	want := trimmedConverterK + 0.05*(hot-cold)/slope/math.Sqrt(3)
	if got := byName(table(t, layout(ch)).Budget(0, 85, 30))["gain"].StandardK; math.Abs(got-want) > 1e-9 {
		t.Errorf("%g, want %g", got, want)
	}
}

// TestStepCountsOnce: a driver that states the step of its code is not helped.
func TestStepCountsOnce(t *testing.T) {
	for _, c := range []struct {
		ch   record.Channel
		want string
		not  string
	}{
		{ads1118(), "step of the code", "resolution"}, {max31855("vr1"), "resolution", ""}, {block(), "step of the code", "resolution"},
	} {
		got := byName(table(t, layout(c.ch)).Budget(0, 25, 25))
		if got[c.want].StandardK == 0 || c.not != "" && got[c.not].StandardK != 0 {
			t.Errorf("%s: %+v", c.ch.Name, got)
		}
	}
	if got := byName(table(t, layout(max31855("v"))).Budget(0, 60, 25))["resolution"]; math.Abs(got.HalfWidth-0.125) > 0.003 {
		t.Errorf("a quarter degree of 41.276 uV/K: %g", got.HalfWidth)
	}
}

// TestExpandedIsNear: what Convert states is the budget at the nearest whole degrees,
// whatever was asked before, within a hundredth.
func TestExpandedIsNear(t *testing.T) {
	ch := max31855("vr1")
	ch.Converter.PerCode, ch.Converter.Lines = 0.001, ads1118().Converter.Lines
	ch.Lines = max31856().Lines
	l := layout(ch)
	used := table(t, l)
	rapid.Check(t, func(rt *rapid.T) {
		raw := code(rapid.Int64Range(-100_000, 1_200_000).Draw(rt, "code"), rapid.Int64Range(-20*16, 80*16).Draw(rt, "cold"))
		fresh, out := table(t, l), [2][]Value{make([]Value, 1), make([]Value, 1)}
		for i, tab := range []*Table{used, fresh} {
			if err := tab.Convert(&record.Sample{Layout: l.ID, Raw: []record.Raw{raw}}, out[i]); err != nil {
				rt.Fatal(err)
			}
		}
		a, b := out[0][0], out[1][0]
		if a != b {
			rt.Fatalf("%+v on a used table, %+v on a fresh one", a, b)
		}
		if a.Faults != 0 {
			return
		}
		sum := 0.0
		for _, line := range fresh.Budget(0, a.Value, a.ColdC) {
			sum += line.StandardK * line.StandardK
		}
		if exact := 2 * math.Sqrt(sum); math.Abs(a.Expanded/exact-1) > 0.01 {
			rt.Fatalf("U = %g at %g degC, budget %g", a.Expanded, a.Value, exact)
		}
	})
}
