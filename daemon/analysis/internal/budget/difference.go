package budget

import (
	"math"
	"slices"
	"strings"

	"soakrig/daemon/record"
)

// Prepared is a budget ready for many differences.
type Prepared struct {
	variance float64
	shared   []record.BudgetLine // with a key, sorted by key and name
}

// Prepare sorts what lines share by its key, once for all differences.
func Prepare(lines []record.BudgetLine) Prepared {
	k := Prepared{}
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

// Difference is the standard uncertainty of the difference of two results. Lines that
// both sides share by key and name cancel by their correlation.
func Difference(a, b []record.BudgetLine) float64 {
	k, m := Prepare(a), Prepare(b)
	return k.Difference(&m)
}

// Difference is the standard uncertainty of the difference of two budgets.
func (k *Prepared) Difference(m *Prepared) float64 {
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
	return math.Sqrt(max(v, 0))
}
