package compare

import (
	"fmt"
	"math"
	"testing"

	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/record"
)

// TestFewRepeatsInAComparison works two tables by hand (JCGM 100, G.4.1 and table G.2).
// Eight units, two remounted runs each, a pooled deviation of s with 8 degrees of
// freedom. Repeats alone, s = 0.387: u of a mean of two 0.274, t(8) = 2.31, U = 0.63.
// With 0.3 K that no repeat changes and s = 0.6: u = sqrt(0.09 + 0.18) = 0.520,
// v = 0.520^4 / (0.424^4 / 8) = 18.0, t(18) = 2.10, U = 1.09; the difference of two,
// u = 0.735, the same 18 degrees, U = 1.54.
func TestFewRepeatsInAComparison(t *testing.T) {
	for _, c := range []struct {
		name                     string
		sd, rest                 float64
		degrees, factor, U, diff float64
	}{{"repeats alone", 0.387, 0, 8, 2.306, 0.631, 0.892}, {"with 0.3 K beside", 0.6, 0.3, 18, 2.101, 1.092, 1.544}} {
		var rs []record.Result
		for unit := range 8 {
			for run := range 2 { // two values s*sqrt(2) apart have the deviation s
				r := resultOf(string(rune('a'+unit)), fmt.Sprint(unit, "-", run), 80+3*float64(unit)+float64(run)*c.sd*math.Sqrt2, 23)
				r.Budget = []record.BudgetLine{budget.Normal("wire", c.rest, "spool", fmt.Sprint("spool:", unit), ""), budget.Normal("run to run", 0.4, "run", "run:"+r.Run, "")}
				rs = append(rs, r)
			}
		}
		cmp, err := Runs(rs, Options{Quantity: Held, Remounted: true})
		if err != nil {
			t.Fatal(err)
		}
		p := cmp.Pooled
		if !p.Used || p.Degrees != 8 || math.Abs(p.SD-c.sd) > 1e-9 {
			t.Fatalf("%s: pooled %+v", c.name, p)
		}
		if got := effective(budget.Combine(cmp.Rows[0].lines), cmp.Rows[0].repeat); math.Abs(got-c.degrees) > 0.01 {
			t.Errorf("%s: %g effective degrees, want %g", c.name, got, c.degrees)
		}
		if r := cmp.Rows[0]; math.Abs(*r.Factor-c.factor) > 0.001 || math.Abs(*r.Expanded-c.U) > 0.002 {
			t.Errorf("%s: k = %.4f, U = %.4f, want %.3f, %.3f", c.name, *r.Factor, *r.Expanded, c.factor, c.U)
		}
		if d := cmp.Pairs[0]; math.Abs(d.Factor-c.factor) > 0.001 || math.Abs(d.Expanded-c.diff) > 0.003 {
			t.Errorf("%s: pair k = %.4f, U = %.4f, want %.3f, %.3f", c.name, d.Factor, d.Expanded, c.factor, c.diff)
		}
		public, err := Runs(rs, Options{Quantity: Held, Remounted: true, Public: true})
		if err != nil || public.Pairs[0].Factor <= public.CoverageFactor {
			t.Errorf("%s: public pair k = %v beside %v, %v", c.name, public.Pairs[0].Factor, public.CoverageFactor, err)
		}
	}
}
