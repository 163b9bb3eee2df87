// Package worked holds the worked example of an uncertainty budget, for tests.
package worked

import (
	"math"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/record"
)

// Lines is the worked example of a class 1 type K probe on a precision
// converter as bought: hot spot 85 degC, rise 64 K. The correlations are what two
// boards on one rig with the same probes share.
func Lines(run string) []record.BudgetLine {
	line := func(name string, half, own float64, key string) record.BudgetLine {
		l := budget.Rect(name, half, "", key, "worked example")
		if key != "" {
			l.SharedCorrelation = 1 - own*own/(l.StandardK*l.StandardK)
		}
		return l
	}
	c := constants.Default()
	lines := []record.BudgetLine{
		line("wire class 1", 1.5, 0.07, "spool:K/iec-1"),
		line("converter nonlinearity", 0.95, 0.10, "channel:bench/vr1/inl"),
		line("cold junction", 0.7, 0.10, "channel:bench/vr1/cold"),
		line("terminal gradient", 0.3, 0, "rig:bench"),
		line("mounting", 1.0, 0.50, "mount:bench/vr1"),
		budget.Rect("pickup while loaded", 0.5, "", "", "worked example"),
		{Name: "resolution", StandardK: 0.0625 / math.Sqrt(12), Distribution: "rectangular"},
	}
	return append(lines, budget.OfRun(c, 64, run)...)
}
