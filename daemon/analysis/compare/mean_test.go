package compare

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/record"
)

// handLines is a budget that is easy to add up by hand: what a spool shares, what a
// converter shares, mounting and pickup of this board, and what each run has anew.
func handLines(channel, run string) []record.BudgetLine {
	return []record.BudgetLine{
		budget.Normal("wire", 0.9, "spool", "spool:bench", ""),
		budget.Normal("converter", 1.1, "converter", "converter:"+channel, ""),
		budget.Normal("mounting and contact, remounted each time", 0.5, "", "", ""),
		budget.Normal("pickup while loaded", 0.3, "", "", ""),
		budget.Normal("run to run", 0.4, "run", "run:"+run, ""),
	}
}

// handRuns are runs of a unit, one for each channel that held the peak.
func handRuns(unit string, held float64, channels ...string) []record.Result {
	var rs []record.Result
	for i, ch := range channels {
		r := resultOf(unit, fmt.Sprint(unit, i), held, 23)
		r.Peak.Channel, r.Budget = ch, handLines(ch, r.Run)
		rs = append(rs, r)
	}
	return rs
}

// TestMeansOfRepeats: standard uncertainties of rows and of their difference, added up by
// hand from handLines (and agreeing with 400,000 draws of every contribution). Repeats
// have only the run-to-run part anew: 0.16 K^2 of 2.52 K^2.
func TestMeansOfRepeats(t *testing.T) {
	const row = 2.52 // 0.81 + 1.21 + 0.25 + 0.09 + 0.16
	for _, c := range []struct {
		name               string
		a, b               []record.Result
		remounted          bool
		varA, varB, varDif float64
	}{
		{"single runs", handRuns("a", 80, "vr1"), handRuns("b", 82, "vr1"), false, row, row, 2 * (0.25 + 0.09 + 0.16)},
		{"two repeats each", handRuns("a", 80, "vr1", "vr1"), handRuns("b", 82, "vr1", "vr1"), false,
			row - 0.08, row - 0.08, 2 * (0.25 + 0.09 + 0.08)},
		{"two repeats each, remounted", handRuns("a", 80, "vr1", "vr1"), handRuns("b", 82, "vr1", "vr1"), true,
			row - 0.125 - 0.08, row - 0.125 - 0.08, 2 * (0.125 + 0.09 + 0.08)},
		{"four repeats against a run", handRuns("a", 80, "vr1", "vr1", "vr1", "vr1"), handRuns("b", 82, "vr1"), false,
			row - 0.12, row, 0.25 + 0.09 + 0.04 + 0.25 + 0.09 + 0.16},
		// Half of the mean is of another converter and another mounting.
		{"another hot spot in the second run", handRuns("a", 80, "vr1", "vr2"), handRuns("b", 82, "vr1"), false,
			0.81 + 2*0.3025 + 0.125 + 0.09 + 0.08, row, 2*0.3025 + 0.125 + 0.25 + 2*0.09 + 0.08 + 0.16},
		{"another hot spot in the first run", handRuns("a", 80, "vr2", "vr1"), handRuns("b", 82, "vr1"), false,
			0.81 + 2*0.3025 + 0.125 + 0.09 + 0.08, row, 2*0.3025 + 0.125 + 0.25 + 2*0.09 + 0.08 + 0.16},
	} {
		cmp, err := Runs(append(slices.Clone(c.a), c.b...), Options{Quantity: Held, Remounted: c.remounted})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		for i, want := range []float64{c.varA, c.varB} {
			if got := *cmp.Rows[i].Expanded / 2; math.Abs(got-math.Sqrt(want)) > 1e-9 {
				t.Errorf("%s: u of row %s is %.4f K, by hand %.4f K", c.name, cmp.Rows[i].Unit, got, math.Sqrt(want))
			}
		}
		if got := cmp.Pairs[0].Expanded / 2; math.Abs(got-math.Sqrt(c.varDif)) > 1e-9 {
			t.Errorf("%s: u of the difference is %.4f K, by hand %.4f K", c.name, got, math.Sqrt(c.varDif))
		}
	}
}

// TestSharesOfDifferentSize: one error is all of one side's contribution of 0.5 K and
// 49 % of the variance of the other's 1.5 K, so 0.7 * 1.5 K of it: the difference has
// (1.05 - 0.5)^2 + 0.51 * 1.5^2.
func TestSharesOfDifferentSize(t *testing.T) {
	a, b := handRuns("a", 80, "vr1"), handRuns("b", 90, "vr1")
	a[0].Budget = []record.BudgetLine{budget.Normal("converter", 0.5, "converter", "one", "")}
	b[0].Budget = []record.BudgetLine{budget.Normal("converter", 1.5, "converter", "one", "")}
	b[0].Budget[0].SharedCorrelation = 0.49
	cmp, err := Runs(append(a, b...), Options{Quantity: Held})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := cmp.Pairs[0].Expanded/2, math.Sqrt(0.55*0.55+0.51*2.25); math.Abs(got-want) > 1e-9 {
		t.Errorf("u of the difference is %.4f K, by hand %.4f K", got, want)
	}
}

// TestRepeatsOfUnknownErrors: where only a run's uncertainty as a whole is known, or the
// general figure was taken, repeats do not make it smaller.
func TestRepeatsOfUnknownErrors(t *testing.T) {
	reported, general := handRuns("a", 80, "vr1", "vr1", "vr1"), handRuns("b", 82, "vr1", "vr1", "vr1")
	for i := range reported {
		reported[i].Budget, reported[i].Peak.ExpandedK = nil, 3
		general[i].Budget = []record.BudgetLine{budget.Normal("not stated: general figure", 1.5, "", "", "")}
	}
	cmp, err := Runs(append(reported, general...), Options{Quantity: Held})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range cmp.Rows {
		if math.Abs(*r.Expanded-3) > 1e-9 {
			t.Errorf("%s: U is %.3f K, want 3 K", r.Unit, *r.Expanded)
		}
	}
	if got := cmp.Pairs[0].Expanded; math.Abs(got-3*math.Sqrt2) > 1e-9 {
		t.Errorf("U of the difference is %.3f K, want %.3f K", got, 3*math.Sqrt2)
	}
}
