package analysis

import (
	"math"
	"testing"

	"soakrig/daemon/analysis/compare"
	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// precise is a channel with the figures of a worked budget: type K wire of class 1
// (+-1.5 K), a precision converter (full scale and linearity +-0.05 % of 78.125 mV at
// 25 degC, cold junction +-0.7 K: MAX31856 data sheet 19-7534, page 3), terminals,
// mounting and pickup by common practice.
func precise(name string) record.Channel {
	return record.Channel{
		Name: name, Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K", Class: "iec-1",
		Converter: record.Converter{
			Model: "MAX31856", Law: record.LawLinearised, PerCode: 1.0 / 128, ColdPerCode: 1.0 / 64,
			Lines: []record.Line{
				{Name: "full scale and linearity", Half: 39.06e-6, In: "emf", SharedBy: "converter"},
				{Name: "cold junction", Half: 0.7, In: "cold", SharedBy: "converter"},
				{Name: "step of the cold junction's code", Half: 1.0 / 128, In: "cold"},
				{Name: "step of the probe's code", Half: 0.03125, In: "value"},
			},
		},
		Lines: []record.Line{
			{Name: "mounting and contact, remounted each time", Half: 0.866},
			{Name: "mounting and contact, same place and method", Half: 0.5, SharedBy: "channel"},
			{Name: "pickup while loaded", Half: 0.5},
			{Name: "terminal gradient", Half: 0.3, In: "cold", SharedBy: "channel"},
		},
	}
}

// Where the worked example stands: hot spot 85 degC, rise 64 K, terminals at 30 degC.
const (
	workedC     = 85.0
	workedRiseK = 64.0
	workedColdC = 30.0
)

// workedResult is the result of a run of a unit on a rig, with the budget that the
// hot spot's channel and the run give together.
func workedResult(t testing.TB, rig, unit, run string, ch record.Channel) record.Result {
	t.Helper()
	table, err := convert.New(&record.Layout{ID: 1, Rig: rig, Channels: []record.Channel{ch}})
	if err != nil {
		t.Fatal(err)
	}
	c := constants.Default()
	of := Channel{Name: ch.Name, Unit: ch.Unit, Kind: ch.Kind, Role: ch.Role, Budget: func(value float64) []record.BudgetLine {
		return table.Budget(0, value, workedColdC)
	}}
	lines := append(statedLines(c, &of, workedC), budget.OfRun(c, workedRiseK, rig+"/"+run)...)
	rise := workedRiseK
	return record.Result{Rig: rig, Unit: unit, Run: run, Budget: budget.WithShares(lines), Verdict: record.VerdictPass,
		Peak: &record.Peak{Channel: ch.Name, HeldC: workedC, RiseK: &rise, ExpandedK: c.CoverageFactor * budget.Combine(lines)}}
}

// TestWorkedBudget: u and share of every line of the worked example, as the printed
// table rounds them, and u_c = 1.41 K, U = 2.8 K.
func TestWorkedBudget(t *testing.T) {
	r := workedResult(t, "bench-1", "carrier-a", "r1", precise("vr1"))
	want := map[string]struct{ u, share float64 }{
		"wire, type K class iec-1": {0.87, 38}, "full scale and linearity": {0.55, 15}, "cold junction": {0.40, 8}, "terminal gradient": {0.17, 2},
		"step of the probe's code": {0.02, 0}, "mounting and contact, remounted each time": {0.50, 12.5}, "mounting and contact, same place and method": {0.29, 4},
		"pickup while loaded": {0.29, 4}, "peak estimator": {0.08, 0}, "not fully settled": {0.17, 2}, "run to run": {0.40, 8}, "load repeatability": {0.37, 7},
		"step of the cold junction's code": {0.004, 0},
	}
	for _, l := range r.Budget {
		w, ok := want[l.Name]
		if !ok || math.Abs(l.StandardK-w.u) > 0.011 || math.Abs(100*l.Share-w.share) > 1 {
			t.Errorf("%s: u = %.3f K, %.1f %%, want %+v", l.Name, l.StandardK, 100*l.Share, w)
		}
		delete(want, l.Name)
	}
	if len(want) > 0 {
		t.Errorf("missing: %v", want)
	}
	if u := budget.Combine(r.Budget); math.Abs(u-1.41) > 0.005 {
		t.Errorf("u_c = %.4f K, want 1.41", u)
	}
	if U := r.Peak.ExpandedK; round1(U) != 2.8 {
		t.Errorf("U = %.3f K, want 2.8", U)
	}
}

func round1(x float64) float64 { return math.Round(x*10) / 10 }

// TestWorkedVariants: what trimming, and checking the spool near 100 degC, leave.
func TestWorkedVariants(t *testing.T) {
	trim := record.Calibration{ID: "zero", Trimmed: true, Checked: "2030-01-01"}
	checked := trim
	checked.Table = []record.Correction{{ReferenceC: 0}, {ReferenceC: 99.9}}
	for _, c := range []struct {
		name string
		cal  *record.Calibration
		want float64
	}{{"as bought", nil, 2.8}, {"zero-trimmed", &trim, 2.5}, {"spool checked too", &checked, 2.0}} {
		ch := precise("vr1")
		ch.Calibration = c.cal
		if U := workedResult(t, "bench-1", "carrier-a", "r1", ch).Peak.ExpandedK; round1(U) != c.want {
			t.Errorf("%s: U = %.3f K, want %.1f", c.name, U, c.want)
		}
	}
}

// expandedDifference is the expanded uncertainty of the difference of two results, as
// a comparison states it.
func expandedDifference(t testing.TB, a, b record.Result) float64 {
	t.Helper()
	cmp, err := compare.Runs([]record.Result{a, b}, compare.Options{Quantity: compare.Rise, Override: []string{"all"}})
	if err != nil {
		t.Fatal(err)
	}
	if len(cmp.Pairs) != 1 {
		t.Fatalf("%d pairs", len(cmp.Pairs))
	}
	return cmp.Pairs[0].Expanded
}

// TestWorkedDifference: two boards on one rig with the same probes, u = 0.86 K each of
// what they do not share, u_diff = 1.21 and U = 2.4; two rigs with their own spools,
// trimmed, 3.6; everything independent, 4.0.
func TestWorkedDifference(t *testing.T) {
	trimmed := precise("vr1")
	trimmed.Calibration = &record.Calibration{ID: "zero", Trimmed: true, Checked: "2030-01-01"}
	for _, c := range []struct {
		name       string
		a, b       record.Result
		want, tolK float64
	}{
		{"one rig, same probes", workedResult(t, "bench-1", "carrier-a", "r1", precise("vr1")), workedResult(t, "bench-1", "carrier-b", "r2", precise("vr1")), 2.42, 0.01},
		{"two rigs, own spools, trimmed", workedResult(t, "bench-1", "carrier-a", "r1", trimmed), workedResult(t, "bench-2", "carrier-b", "r1", trimmed), 3.6, 0.05},
		{"two rigs, own spools", workedResult(t, "bench-1", "carrier-a", "r1", precise("vr1")), workedResult(t, "bench-2", "carrier-b", "r1", precise("vr1")), 4.0, 0.05},
	} {
		if got := expandedDifference(t, c.a, c.b); math.Abs(got-c.want) > c.tolK {
			t.Errorf("%s: U = %.3f K, want %.2f", c.name, got, c.want)
		}
	}
	one := 0.0
	for _, l := range append(workedResult(t, "bench-1", "a", "r1", precise("vr1")).Budget, budget.Normal("ambient correction", constants.Default().AmbientU, "", "", "")) {
		if own := 1 - l.SharedCorrelation; l.SharedBy == "run" {
			one += l.StandardK * l.StandardK
		} else {
			one += own * l.StandardK * l.StandardK
		}
	}
	if u := math.Sqrt(one); math.Abs(u-0.86) > 0.006 {
		t.Errorf("independent between boards on one rig: u = %.4f K, want 0.86", u)
	}
}
