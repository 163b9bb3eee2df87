package analysis

import (
	"math"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
)

// The comparison still calls these by their names of before; they go when it gets its
// own room.

// Constants are constants.Set.
type Constants = constants.Set

// DefaultConstants are constants.Default.
func DefaultConstants() Constants { return constants.Default() }

var absent = series.Absent()

func has(v float64) bool { return series.Known(v) }

func number(v float64) *float64 { return series.OrNil(v) }

func meanOf(x []float64) float64 { return series.Mean(x) }

func root(x float64) float64 { return math.Sqrt(max(x, 0)) }

func length(s int64) string { return wording.Length(s) }
