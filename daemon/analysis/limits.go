package analysis

import (
	"slices"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// limitCovers tells whether a limit bounds a channel.
func limitCovers(l *record.Limit, c *Channel) bool {
	if l.Channel != "" {
		return l.Channel == c.Name
	}
	return l.Role == c.Role && (c.Role != record.RoleSupply || c.Kind == record.Power)
}

// limitApplies tells whether a limit holds in a phase; a limit that names none
// holds on load.
func limitApplies(l *record.Limit, phase record.Phase) bool {
	if len(l.Phases) == 0 {
		return phase == record.PhaseLoad
	}
	return slices.Contains(l.Phases, phase)
}

func dwell(l *record.Limit, c constants.Set) float64 {
	if l.DwellS > 0 {
		return l.DwellS
	}
	return c.PeakHoldS
}

// signed is the bound as an upper one: a lower bound is turned with its values.
func signed(l *record.Limit) float64 {
	if l.Below {
		return -l.Bound
	}
	return l.Bound
}

func limitUnit(l *record.Limit, c *Channel) string {
	switch {
	case l.Quantity == quantitySlope && c.Kind == record.Temperature:
		return "K/h"
	case l.Quantity == quantitySlope:
		return c.Unit + "/h"
	case l.Quantity != quantityValue && c.Kind == record.Temperature:
		return "K"
	}
	return c.Unit
}

// quantityAt is the bounded quantity at a second; absent where it can't be told.
// The slope is not a matter of one second and comes from elsewhere.
func quantityAt(l *record.Limit, channel int, r *row, channels []Channel) float64 {
	v := r.cells[channel].v
	switch l.Quantity {
	case quantityValue:
		return v
	case quantityRise:
		return v - r.ambient // absent without a room
	case quantityDifference:
		var others []float64
		for i := range channels {
			if i != channel && channels[i].Role == channels[channel].Role && channels[i].Kind == channels[channel].Kind && series.Known(r.cells[i].v) {
				others = append(others, r.cells[i].v)
			}
		}
		return v - series.MedianInPlace(others)
	}
	return series.Absent()
}

// judge compares a value with a limit and its guard band on both sides (ILAC-G8,
// non-binary rule with guard band): pass up to the limit less the guard band, fail
// beyond the limit plus the guard band, marginal between, and on which side of the
// limit.
func judge(x, bound, guard float64, below bool) (record.Verdict, string) {
	d := x - bound
	if below {
		d = -d
	}
	side := "below"
	if x > bound {
		side = "above"
	}
	switch {
	case d <= -guard:
		return record.VerdictPass, ""
	case d <= guard:
		return record.VerdictMarginal, side
	}
	return record.VerdictFail, ""
}

// worse is the graver of two outcomes of limits.
func worse(a, b record.Verdict) record.Verdict {
	order := []record.Verdict{record.VerdictNone, record.VerdictPass, record.VerdictMarginal, record.VerdictFail}
	if slices.Index(order, b) > slices.Index(order, a) {
		return b
	}
	return a
}
