package compare

import (
	"fmt"
	"math"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
)

// rank gives every row its interval from the differences that are certain.
func (cmp *Comparison) rank(o Options) {
	var in []int
	for i := range cmp.Rows {
		if cmp.Rows[i].Ranked {
			in = append(in, i)
		}
	}
	k, share := constants.Default().CoverageFactor, 0.95
	cmp.Rule = fmt.Sprintf("two rows differ when their difference exceeds k = %g times its standard uncertainty, pair by pair; in a table of several pairs some will by chance", k)
	if o.Public && len(in) > 1 {
		pairs := float64(len(in)*(len(in)-1)) / 2
		k, share = budget.NormalQuantile(1-float64(0.05/pairs/2)), 1-0.05/pairs
		cmp.Rule = fmt.Sprintf("two rows differ when their difference exceeds k = %.2f times its standard uncertainty; k holds the whole table at 95 %%", k)
	}
	if p := cmp.Pooled; p != nil && p.Used {
		cmp.Rule += "; where few repeats enter, Student's t by the effective degrees of freedom"
	}
	cmp.CoverageFactor = k
	most := o.MaxPairs
	if most == 0 {
		most = 2016 // 64 rows
	}
	for _, i := range in {
		cmp.Rows[i].Best, cmp.Rows[i].Worst = 1, len(in)
	}
	keyed := make([]budget.Prepared, len(cmp.Rows))
	for _, i := range in {
		keyed[i] = budget.Prepare(cmp.Rows[i].lines)
	}
	for n, i := range in {
		for _, j := range in[n+1:] {
			d := *cmp.Rows[j].Value - *cmp.Rows[i].Value
			u := keyed[i].Difference(&keyed[j])
			kp := k
			if cmp.Pooled != nil && cmp.Pooled.Used {
				kp = pairFactor(u, cmp.Rows[i].repeat, cmp.Rows[j].repeat, k, share)
			}
			u *= kp
			same := d <= u
			if !same {
				cmp.Rows[j].Best++
				cmp.Rows[i].Worst--
			}
			if len(cmp.Pairs) < most {
				cmp.Pairs = append(cmp.Pairs, Pair{A: i, B: j, Difference: d, Expanded: u, Factor: kp, Indistinguishable: same})
			} else {
				cmp.PairsLeftOut++
			}
		}
	}
}

// pairFactor is the coverage factor of a difference into which the pooled repeats of
// both rows enter as one contribution: they rest on the same pooled deviation.
func pairFactor(u float64, a, b budget.Component, k, share float64) float64 {
	both := budget.Component{StandardK: math.Hypot(a.StandardK, b.StandardK), Degrees: max(a.Degrees, b.Degrees)}
	degrees := effective(u, both)
	if degrees > budget.ManyDegrees || both.StandardK == 0 {
		return k
	}
	return max(budget.StudentT(share, int(max(1, math.Floor(degrees)))), k)
}
