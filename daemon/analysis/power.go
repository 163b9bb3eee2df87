package analysis

import (
	"soakrig/daemon/analysis/internal/limiting"
	"soakrig/daemon/analysis/internal/series"
)

// judgePower tells whether power was held, and what held it back.
func (ev *evaluation) judgePower() {
	l := ev.res.Load
	if ev.roles.power < 0 || l.MedianW == nil || ev.loadedS() < 120 || !(ev.stepW > 0) {
		return
	}
	found := limiting.Judge(ev.c, limiting.Load{Start: ev.from, PowerW: ev.r.series(ev.roles.power, ev.from, ev.to), StepW: ev.stepW,
		Meter: l.Channel, Hot: ev.hotPlace(), Whole: true, When: ev.r.when})
	l.LossShare, l.EarlyStepW, l.Dips = found.LossShare, found.EarlyStepW, found.Dips
	l.Pattern, l.Held, ev.res.Limited = found.Pattern, found.Held, found.Limited
	ev.res.Findings = append(ev.res.Findings, found.Findings...)
	ev.remarks = append(ev.remarks, found.Remarks...)
}

// hotPlace is the probe that is hottest at the end of the load, of those that measured
// the board to its end; nil: none.
func (ev *evaluation) hotPlace() *limiting.Probe {
	eligible := func(i int) bool {
		p := &ev.probes[i]
		return p.counts && p.health != healthStuck && p.health != healthDetached
	}
	hot := hottestAtEnd(len(ev.probes), eligible, func(i int) []float64 {
		return ev.r.series(ev.roles.probes[i], max(ev.to-300, ev.from), ev.to)
	})
	if hot < 0 {
		return nil
	}
	return &limiting.Probe{Channel: ev.channel(ev.roles.probes[hot]).Name, ValueC: ev.r.series(ev.roles.probes[hot], ev.from, ev.to),
		RoomC: ev.r.ambient[ev.from-ev.r.base : ev.to-ev.r.base], BaselineC: ev.probes[hot].baseline}
}

// hottestAtEnd is the eligible probe with the highest median of its last values; -1:
// none has any.
func hottestAtEnd(probes int, eligible func(i int) bool, end func(i int) []float64) int {
	hot, best := -1, series.Absent()
	for i := range probes {
		if !eligible(i) {
			continue
		}
		if m := series.Median(end(i)); series.Known(m) && !(m <= best) {
			hot, best = i, m
		}
	}
	return hot
}
