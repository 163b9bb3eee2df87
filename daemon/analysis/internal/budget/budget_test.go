package budget_test

import (
	"math"
	"testing"

	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/analysis/internal/worked"
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
	ka, kb := budget.Prepare(append(a, room)), budget.Prepare(append(b, room))
	if v := ka.Difference(&kb); math.Abs(v-u) > 1e-12 {
		t.Errorf("the fast difference gives %v, the plain one %v", v, u)
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
