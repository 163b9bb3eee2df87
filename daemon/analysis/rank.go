package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"soakrig/daemon/record"
)

// rank gives every row its interval from the differences that are certain.
func (cmp *Comparison) rank(o CompareOptions) {
	var in []int
	for i := range cmp.Rows {
		if cmp.Rows[i].Ranked {
			in = append(in, i)
		}
	}
	k, share := DefaultConstants().CoverageFactor, 0.95
	cmp.Rule = fmt.Sprintf("two rows differ when their difference exceeds k = %g times its standard uncertainty, pair by pair; in a table of several pairs some will by chance", k)
	if o.Public && len(in) > 1 {
		pairs := float64(len(in)*(len(in)-1)) / 2
		k, share = normalQuantile(1-float64(0.05/pairs/2)), 1-0.05/pairs
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
	keyed := make([]keyedLines, len(cmp.Rows))
	for _, i := range in {
		keyed[i] = keyLines(cmp.Rows[i].lines)
	}
	for n, i := range in {
		for _, j := range in[n+1:] {
			d := *cmp.Rows[j].Value - *cmp.Rows[i].Value
			u := keyed[i].difference(&keyed[j])
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
				cmp.Pairs = append(cmp.Pairs, ComparedPair{A: i, B: j, Difference: d, Expanded: u, Factor: kp, Indistinguishable: same})
			} else {
				cmp.PairsLeftOut++
			}
		}
	}
}

// pairFactor is the coverage factor of a difference into which the pooled repeats of
// both rows enter as one contribution: they rest on the same pooled deviation.
func pairFactor(u float64, a, b Component, k, share float64) float64 {
	both := Component{StandardK: math.Hypot(a.StandardK, b.StandardK), Degrees: max(a.Degrees, b.Degrees)}
	degrees := effective(u, both)
	if degrees > manyDegrees || both.StandardK == 0 {
		return k
	}
	return max(StudentT(share, int(max(1, math.Floor(degrees)))), k)
}

// keyedLines is a budget ready for many differences.
type keyedLines struct {
	variance float64
	shared   []record.BudgetLine // with a key, sorted by key and name
}

func keyLines(lines []record.BudgetLine) keyedLines {
	k := keyedLines{}
	for _, l := range lines {
		k.variance += float64(l.StandardK * l.StandardK)
		if l.SharedKey != "" {
			k.shared = append(k.shared, l)
		}
	}
	slices.SortFunc(k.shared, compareLines)
	return k
}

func compareLines(a, b record.BudgetLine) int {
	if c := strings.Compare(a.SharedKey, b.SharedKey); c != 0 {
		return c
	}
	return strings.Compare(a.Name, b.Name)
}

// difference is the standard uncertainty of the difference of two budgets.
func (k *keyedLines) difference(m *keyedLines) float64 {
	v := k.variance + m.variance
	for i, j := 0, 0; i < len(k.shared) && j < len(m.shared); {
		switch c := compareLines(k.shared[i], m.shared[j]); {
		case c < 0:
			i++
		case c > 0:
			j++
		default:
			// What is shared is one error: of r1 of one variance and r2 of the other.
			r := math.Sqrt(k.shared[i].SharedCorrelation * m.shared[j].SharedCorrelation)
			v -= float64(2 * r * k.shared[i].StandardK * m.shared[j].StandardK)
			i, j = i+1, j+1
		}
	}
	return root(v)
}

// normalQuantile is the value below which the standard normal distribution holds p.
func normalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
