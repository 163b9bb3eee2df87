package analysis

import (
	"fmt"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/record"
)

// The highest of several readings of places that are equally hot reads high: it picks
// the luckiest error. How high the hottest place really is lies between
//
//	highest - k_n u  and  highest + k u,
//
// where n is the number of probes that can't be told from the highest and
// k_n = z(1 - 0.025/n), at least k. It holds whatever the places are and whatever their
// errors share: below, all n readings hold their own bound at once (Bonferroni's
// inequality); above, the hottest place's own reading is no higher than the highest.

// contenders is how many counting probes can't be told from the hot spot, itself
// included.
func (ev *evaluation) contenders(hot int, lines []record.BudgetLine) int {
	n := 1
	for i := range ev.probes {
		h := &ev.acc.held[i]
		if i == hot || !ev.probes[i].counts || !h.found {
			continue
		}
		if u := budget.Difference(lines, ev.linesOf(i)); ev.acc.held[hot].best-h.best < ev.c.CoverageFactor*u {
			n++
		}
	}
	return n
}

// expandedBelow is how far below the highest of n equal readings the hottest place may
// be.
func expandedBelow(c constants.Set, n int, combined float64) float64 {
	return max(budget.NormalQuantile(1-0.025/float64(n)), c.CoverageFactor) * combined
}

// equalPlaces states how high the hottest place really is where several can't be told
// apart.
func (ev *evaluation) equalPlaces(hot int, p *record.Peak, lines []record.BudgetLine) {
	n := ev.contenders(hot, lines)
	if n < 2 {
		return
	}
	below := expandedBelow(ev.c, n, budget.Combine(lines))
	ev.statistic("hot_spot_contenders", p.Channel, float64(n), "")
	stated := record.Statistic{Name: "peak_expanded_below", Channel: p.Channel, Value: below, Unit: "K"}
	if n > 2 {
		stated.Text = fmt.Sprintf("%d probes can't be told from the highest, and the highest of equals reads high: the hottest place is between %.1f and %.1f degC",
			n, p.HeldC-below, p.HeldC+p.ExpandedK)
	}
	ev.res.Statistics = append(ev.res.Statistics, stated)
}
