// Package budget adds up standard uncertainties: the lines of a budget, what two budgets
// share, effective degrees of freedom and coverage factors. What a channel states about
// itself comes from elsewhere.
package budget

import (
	"math"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// PeakEstimator names the line of the peak estimator's noise: every run has it anew.
const PeakEstimator = "peak estimator"

const rectangular = "rectangular"

// Rect makes a budget line of limits +-half with a rectangular distribution.
func Rect(name string, half float64, by, key, source string) record.BudgetLine {
	return record.BudgetLine{Name: name, HalfWidth: half, Unit: "K", Distribution: rectangular,
		StandardK: half / math.Sqrt(3), SharedBy: by, SharedKey: key, SharedCorrelation: correlation(key), Source: source}
}

// Normal makes a budget line of a known standard deviation.
func Normal(name string, u float64, by, key, source string) record.BudgetLine {
	return record.BudgetLine{Name: name, Unit: "K", Distribution: "normal", StandardK: u,
		SharedBy: by, SharedKey: key, SharedCorrelation: correlation(key), Source: source}
}

func correlation(key string) float64 {
	if key == "" {
		return 0
	}
	return 1
}

// Combine is the combined standard uncertainty of independent lines.
func Combine(lines []record.BudgetLine) float64 {
	sum := 0.0
	for _, l := range lines {
		sum += float64(l.StandardK * l.StandardK)
	}
	return math.Sqrt(sum)
}

// WithShares gives the lines their shares of the combined variance.
func WithShares(lines []record.BudgetLine) []record.BudgetLine {
	u := Combine(lines)
	for i := range lines {
		lines[i].Share = 0
		if u > 0 {
			lines[i].Share = lines[i].StandardK * lines[i].StandardK / (u * u)
		}
	}
	return lines
}

// OfRun are the lines that a run adds to a probe's own: they belong to the peak
// of this run of this unit. run names it; nothing outside the run shares them. rise is
// the peak above the room, absent without one.
func OfRun(c constants.Set, rise float64, run string) []record.BudgetLine {
	key := "run:" + run
	lines := []record.BudgetLine{
		Normal(PeakEstimator, c.PeakNoiseK, "", "", "noise of the held peak, by simulation"),
		Rect("not fully settled", c.UnsettledK, "run", key, "remaining rise at the steady criterion"),
		Normal("run to run", c.RunToRunK, "run", key, "pooled standard deviation of remounted repeats"),
	}
	if series.Known(rise) {
		half := c.LoadRepeatShare * math.Abs(rise)
		lines = append(lines, Rect("load repeatability", half, "run", key, "share of the rise"))
	}
	return lines
}
