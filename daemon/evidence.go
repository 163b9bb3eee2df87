package daemon

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// mainParts is how many lines of a budget a check names.
const mainParts = 3

// explain adds to a channel's check what the conversion knows beyond the value: the
// EMF that a chip which linearises must have seen, where the uncertainty comes from,
// and what is worth a word on a day.
func (c *ChannelCheck) explain(table *convert.Table, channel int, v *convert.Value, day time.Time) {
	ch := &table.Layout().Channels[channel]
	if volts, ok := table.EMFVolts(channel, v); ok {
		mv := volts * 1e3
		c.EMFMilliV = &mv
	}
	switch {
	case v.Has&convert.HasCold == 0:
	case ch.Cold.From == "channel":
		c.Why += "; cold junction by channel " + ch.Cold.Channel
	case ch.Cold.From == "fixed":
		c.Why += "; cold junction fixed by rig.yaml"
	}
	if v.Faults != 0 {
		return
	}
	c.Warnings = convert.Warnings(ch, v.Value, day)
	coldC := 25.0
	if v.Has&convert.HasCold != 0 {
		coldC = v.ColdC
	}
	c.Budget = table.Budget(channel, v.Value, coldC)
	if parts := largest(c.Budget); parts != "" {
		c.Why += "; U comes mostly from " + parts
	}
}

// largest names the lines with the largest shares of a budget.
func largest(lines []record.BudgetLine) string {
	lines = slices.Clone(lines)
	slices.SortStableFunc(lines, func(a, b record.BudgetLine) int { return cmp.Compare(b.Share, a.Share) })
	var names []string
	for _, l := range lines[:min(mainParts, len(lines))] {
		names = append(names, l.Name)
	}
	return strings.Join(names, " / ")
}
