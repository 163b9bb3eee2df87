package analysis

import (
	"math"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

const rectangular = "rectangular"

// line makes a budget line of limits +-half with a rectangular distribution.
func rectLine(name string, half float64, by, key, source string) record.BudgetLine {
	return record.BudgetLine{Name: name, HalfWidth: half, Unit: "K", Distribution: rectangular,
		StandardK: half / math.Sqrt(3), SharedBy: by, SharedKey: key, SharedCorrelation: correlation(key), Source: source}
}

// normalLine makes a budget line of a known standard deviation.
func normalLine(name string, u float64, by, key, source string) record.BudgetLine {
	return record.BudgetLine{Name: name, Unit: "K", Distribution: "normal", StandardK: u,
		SharedBy: by, SharedKey: key, SharedCorrelation: correlation(key), Source: source}
}

func correlation(key string) float64 {
	if key == "" {
		return 0
	}
	return 1
}

// combine is the combined standard uncertainty of independent lines.
func combine(lines []record.BudgetLine) float64 {
	sum := 0.0
	for _, l := range lines {
		sum += float64(l.StandardK * l.StandardK)
	}
	return math.Sqrt(sum)
}

// withShares gives the lines their shares of the combined variance.
func withShares(lines []record.BudgetLine) []record.BudgetLine {
	u := combine(lines)
	for i := range lines {
		lines[i].Share = 0
		if u > 0 {
			lines[i].Share = lines[i].StandardK * lines[i].StandardK / (u * u)
		}
	}
	return lines
}

// combineDifference is the standard uncertainty of the difference of two results.
// Lines that both sides share by key cancel by their correlation.
func combineDifference(a, b []record.BudgetLine) float64 {
	sum := 0.0
	for _, l := range a {
		sum += float64(l.StandardK * l.StandardK)
	}
	for _, m := range b {
		sum += float64(m.StandardK * m.StandardK)
		if m.SharedKey == "" {
			continue
		}
		for _, l := range a {
			if l.SharedKey == m.SharedKey && l.Name == m.Name {
				r := min(l.SharedCorrelation, m.SharedCorrelation)
				sum -= float64(2 * r * l.StandardK * m.StandardK)
				break
			}
		}
	}
	return math.Sqrt(max(sum, 0))
}

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
	return []record.BudgetLine{normalLine("not stated: general figure", u, "", "", "constants default_expanded_k, default_expanded_share")}
}

// statedExpanded is the expanded uncertainty of a channel's value by its own lines.
func statedExpanded(c constants.Set, ch *Channel, value float64) float64 {
	return c.CoverageFactor * combine(statedLines(c, ch, value))
}

// runLines are the lines that a run adds to a probe's own: they belong to the peak
// of this run of this unit. run names it; nothing outside the run shares them.
// Where no budget was stated, the general figure already holds them.
func runLines(c constants.Set, ch *Channel, rise float64, run string, settled bool) []record.BudgetLine {
	if ch.Budget == nil {
		return nil
	}
	key := "run:" + run
	lines := []record.BudgetLine{
		normalLine(peakEstimator, c.PeakNoiseK, "", "", "noise of the held peak, by simulation"),
	}
	if settled {
		lines = append(lines, rectLine("not fully settled", c.UnsettledK, "run", key, "remaining rise at the steady criterion"))
	}
	lines = append(lines, normalLine("run to run", c.RunToRunK, "run", key, "pooled standard deviation of remounted repeats"))
	if series.Known(rise) {
		half := c.LoadRepeatShare * math.Abs(rise)
		lines = append(lines, rectLine("load repeatability", half, "run", key, "share of the rise"))
	}
	return lines
}

// guardBand is the guard band of a limit on a channel: the expanded uncertainty of the
// bounded quantity from the channel's own lines.
func guardBand(c constants.Set, l *record.Limit, ch *Channel, x float64) float64 {
	if l.Quantity == quantitySlope {
		return 0
	}
	return statedExpanded(c, ch, x)
}
