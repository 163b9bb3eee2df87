package budget_test

import (
	"math"
	"testing"

	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/analysis/internal/worked"
	"soakrig/daemon/record"
)

// TestUncertaintyExample: u_c = 1.41 K, U = 2.8 K for one board; 1.21 K and U = 2.4 K
// for the difference of two boards on one rig, with 0.20 K more on each side for the
// ambient correction. Taking everything as independent would claim 4.0 K.
func TestUncertaintyExample(t *testing.T) {
	a, b := worked.Lines("bench/1"), worked.Lines("bench/2")
	if u := budget.Combine(a); math.Abs(u-1.41) > 0.01 || math.Round(20*u)/10 != 2.8 {
		t.Errorf("u_c %.3f, want 1.41", u)
	}
	room := budget.Normal("ambient correction", 0.20, "", "", "")
	u := budget.Difference(append(a, room), append(b, room))
	if math.Abs(u-1.21) > 0.01 || math.Round(20*u)/10 != 2.4 {
		t.Errorf("u of the difference %.3f, want 1.21", u)
	}
	if naive := 2 * math.Sqrt2 * budget.Combine(a); math.Abs(naive-4.0) > 0.02 {
		t.Errorf("independent: %.2f, want 4.0", naive)
	}
	shares := 0.0
	for _, l := range budget.WithShares(a) {
		shares += l.Share
	}
	if math.Abs(shares-1) > 1e-12 {
		t.Errorf("shares add up to %v", shares)
	}
	if s := a[0].Share; math.Abs(s-0.38) > 0.01 {
		t.Errorf("the wire's share is %.3f, want 0.38", s)
	}
}

// TestPartlyShared: what two results share is one error, all of the one's 1 K and half of
// the other's 2 K in amplitude: the rest of the other, sqrt(3) K, is its own.
func TestPartlyShared(t *testing.T) {
	one := record.BudgetLine{Name: "reference", StandardK: 1, SharedKey: "type:a", SharedCorrelation: 1}
	other := record.BudgetLine{Name: "reference", StandardK: 2, SharedKey: "type:a", SharedCorrelation: 0.25}
	if u := budget.Difference([]record.BudgetLine{one}, []record.BudgetLine{other}); math.Abs(u-math.Sqrt(3)) > 1e-12 {
		t.Errorf("u of the difference %v, want sqrt(3)", u)
	}
	other.Name = "slope"
	if u := budget.Difference([]record.BudgetLine{one}, []record.BudgetLine{other}); math.Abs(u-math.Sqrt(5)) > 1e-12 {
		t.Errorf("of different lines %v, want sqrt(5)", u)
	}
}
