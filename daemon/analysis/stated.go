package analysis

import (
	"math"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/record"
)

// statedLines gives the lines of a channel at a value. Without a stated budget it is one
// line of the general figure.
func statedLines(c constants.Set, ch *Channel, value float64) []record.BudgetLine {
	if ch.Budget != nil {
		if lines := ch.Budget(value); len(lines) > 0 {
			return append([]record.BudgetLine(nil), lines...)
		}
	}
	u := c.DefaultExpK / 2
	if ch.Kind != record.Temperature {
		u = c.DefaultShare / 2 * math.Abs(value)
	}
	return []record.BudgetLine{budget.Normal("not stated: general figure", u, "", "", "constants default_expanded_k, default_expanded_share")}
}

// statedExpanded is the expanded uncertainty of a channel's value by its own lines.
func statedExpanded(c constants.Set, ch *Channel, value float64) float64 {
	return c.CoverageFactor * budget.Combine(statedLines(c, ch, value))
}

// guardBand is the guard band of a limit on a channel: the expanded uncertainty of the
// bounded quantity from the channel's own lines.
func guardBand(c constants.Set, l *record.Limit, ch *Channel, x float64) float64 {
	if l.Quantity == quantitySlope {
		return 0
	}
	return statedExpanded(c, ch, x)
}
