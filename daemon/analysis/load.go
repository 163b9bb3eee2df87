package analysis

import (
	"fmt"
	"math"
	"slices"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// describeLoad fills the evidence that the load ran: when, how much power and
// energy, and how it ended.
func (ev *evaluation) describeLoad() {
	l := &record.Load{Source: ev.span.source, Pattern: "unknown", Outcome: "not_seen"}
	ev.res.Load = l
	if planned := ev.r.plannedLoadS(); planned > 0 {
		l.PlannedS = series.OrNil(planned)
	}
	if ev.roles.power >= 0 {
		l.Channel = ev.channel(ev.roles.power).Name
	}
	if !ev.span.begun() {
		ev.loadNotSeen(l)
		return
	}
	l.StartS = series.OrNil(float64(ev.from))
	if ev.span.source == onAtStart && ev.r.span.source == onAtStart {
		ev.find(ev.r.onAtStartFinding())
	}
	if ev.span.ended {
		l.EndS = series.OrNil(float64(ev.to))
	}
	ev.outcome(l)
	ev.cameAgain()
	ev.describePower(l)
	ev.describeEnergy(l)
}

func (ev *evaluation) loadNotSeen(l *record.Load) {
	l.Source = "planned"
	if ev.roles.power >= 0 {
		l.Source = "detected"
	}
	if !ev.res.Final {
		return
	}
	text := "no load was seen"
	if series.Known(ev.r.det.idleW) {
		text += fmt.Sprintf(": power stayed near %.0f W", ev.r.det.idleW)
		l.IdleW = series.OrNil(ev.r.det.idleW)
	}
	ev.find(record.Finding{Code: "load_not_seen", Severity: "void", Seen: text})
	ev.voids = append(ev.voids, record.Reason{Code: "load_not_seen", Text: text})
}

// outcome tells how the load ended against its plan.
func (ev *evaluation) outcome(l *record.Load) {
	planned, ran := ev.r.plannedLoadS(), ev.loadedS()
	missing := planned - ran
	switch {
	case !ev.span.ended:
		l.Outcome = "running"
		return
	case planned == 0 || missing <= ev.r.spareS():
		l.Outcome = "complete"
		ev.overran(planned)
		return
	}
	l.MissingS = series.OrNil(missing)
	if ev.span.endedBy != "power" {
		l.Outcome = "ended_early"
		text := fmt.Sprintf("the load ran %s of the planned %s: the run was ended early", wording.Length(int64(ran)), wording.Length(int64(planned)))
		ev.find(record.Finding{Code: "ended_early", Severity: "void", FromS: series.OrNil(float64(ev.to)), Seen: text})
		ev.voids = append(ev.voids, record.Reason{Code: "too_short", Text: text})
		return
	}
	ev.lost(l, missing)
}

// overran tells of a load that went on after its planned end. What is judged ends
// with the plan.
func (ev *evaluation) overran(planned float64) {
	over := &ev.r.over
	if over.lengthS() <= ev.c.LostBeforeS {
		return
	}
	f := record.Finding{Code: "load_longer", Severity: "note", Channel: ev.channel(ev.roles.power).Name, FromS: series.OrNil(float64(ev.to)), ToS: series.OrNil(float64(over.until)),
		Seen: fmt.Sprintf("power stayed up for %s beyond the planned %s; what is judged is the planned time", wording.Length(over.until-ev.to), wording.Length(int64(planned)))}
	if over.still(ev.c.EndDwellS) {
		f.Severity = "warning"
		f.Seen = fmt.Sprintf("power was still up when the record ended, %s after the load's planned end: the load did not stop by itself; what is judged is the planned time",
			wording.Length(over.until-ev.to))
	}
	ev.find(f)
}

// cameAgain tells of a load after the one that is judged.
func (ev *evaluation) cameAgain() {
	if at := ev.r.over.again; ev.r.over.on && at != never {
		ev.find(record.Finding{Code: "load_again", Severity: "note", Channel: ev.channel(ev.roles.power).Name, FromS: series.OrNil(float64(at)),
			Seen: "power rose to the load's level again; what is judged is the first load"})
	}
}

// lost words a load that fell away before its plan.
func (ev *evaluation) lost(l *record.Load, missing float64) {
	l.Outcome, l.LostTo = "lost", ev.lostTo()
	text := fmt.Sprintf("power fell %s after the load began, with %s of the plan missing", wording.Length(ev.to-ev.from), wording.Length(int64(missing)))
	if hot, level := ev.hottestPlaceAtEnd(); hot >= 0 {
		text += fmt.Sprintf("; the hot spot %s was at %.1f degC", ev.channel(ev.roles.probes[hot]).Name, level)
	}
	fits := map[string]string{
		"off":       "consistent with a unit that lost power or shut itself down",
		"restarted": "consistent with a unit that restarted",
		"idle":      "consistent with a load program that ended or failed",
	}
	ev.find(record.Finding{Code: "load_lost", Severity: "void", FromS: series.OrNil(float64(ev.to)), Seen: text, Consistent: fits[l.LostTo]})
	ev.voids = append(ev.voids, record.Reason{Code: "load_lost",
		Text: fmt.Sprintf("the load was lost at %s, %s before its planned end: what the rest of it would have brought is not known", ev.r.when(ev.to), wording.Length(int64(missing)))})
}

// hottestPlaceAtEnd is the probe that was hottest when the load ended, of those that still
// measured the board, with its median of the last minute; -1: none.
func (ev *evaluation) hottestPlaceAtEnd() (probe int, level float64) {
	hot := -1
	for i := range ev.probes {
		p := &ev.probes[i]
		m := series.Median(ev.r.series(ev.roles.probes[i], max(ev.to-60, ev.from), ev.to))
		if p.counts && p.sound() && series.Known(m) && (hot < 0 || m > level) {
			hot, level = i, m
		}
	}
	return hot, level
}

// fellAt is the second at which power fell at the load's end; false where it was not
// seen to.
func (ev *evaluation) fellAt() (int64, bool) {
	if ev.span.endedBy == "power" {
		return ev.to, true
	}
	return ev.r.over.dropped(ev.c.EndDwellS)
}

// lostTo classes the three minutes after a lost load.
func (ev *evaluation) lostTo() string {
	_, last := ev.r.bounds()
	to := min(ev.to+180, last)
	x := series.Present(ev.r.series(ev.roles.power, ev.to, to))
	if len(x) == 0 {
		return "idle"
	}
	idle := ev.r.det.idleW
	if !series.Known(idle) || ev.span.source == onAtStart {
		idle = 0
	}
	end := x[len(x)-min(len(x), 30):]
	after := series.Median(end)
	off := max(ev.c.OffW, ev.c.OffShare*idle)
	if after < off {
		return "off"
	}
	low := 0
	for _, w := range x {
		if w < ev.c.RestartShare*idle || w < off {
			low++
		}
	}
	if low >= 2 {
		return "restarted"
	}
	return "idle"
}

// describePower fills levels of power on load.
func (ev *evaluation) describePower(l *record.Load) {
	if ev.roles.power < 0 {
		return
	}
	x := series.Present(ev.r.series(ev.roles.power, ev.from, ev.to))
	if len(x) == 0 {
		return
	}
	slices.Sort(x)
	l.MedianW, l.P5W, l.P95W = series.OrNil(series.Quantile(x, 0.5)), series.OrNil(series.Quantile(x, 0.05)), series.OrNil(series.Quantile(x, 0.95))
	h := newHold(ev.c.PeakHoldS, ev.c.PeakGood)
	for s := ev.from; s < ev.to; s++ {
		if c := ev.r.columns[ev.roles.power][s-ev.r.base]; series.Known(c.v) {
			h.push(s, c.v, int64(c.stride))
		}
	}
	if h.found {
		l.HeldMaxW = series.OrNil(h.best)
	}
	ev.idleW = ev.r.det.idleW
	if idleUnknown(ev.c, ev.span.source, x, ev.idleW) {
		ev.idleW = ev.idleAfter() // what stood for idle was the load itself
	}
	l.IdleW = series.OrNil(ev.idleW)
	ev.stepW = stepOf(x, ev.idleW)
}

// idleUnknown tells whether the power before the load can't be its idle power: the load
// was on already, or nothing shows its start. loaded is sorted.
func idleUnknown(c constants.Set, source string, loaded []float64, idle float64) bool {
	if source == "planned" || source == onAtStart {
		return true
	}
	return series.Known(idle) && series.Quantile(loaded, 0.9)-idle < max(c.StartRiseW, c.StartRiseShare*idle)
}

// stepOf is the load step: the 90 % level of power on load above idle, or above nothing
// where idle is not known. loaded is sorted.
func stepOf(loaded []float64, idle float64) float64 {
	if step := series.Quantile(loaded, 0.9) - idle; series.Known(step) {
		return step
	}
	return series.Quantile(loaded, 0.9)
}

// idleAfter is the idle power after a load whose start was not recorded.
func (ev *evaluation) idleAfter() float64 {
	_, last := ev.r.bounds()
	at, fell := ev.fellAt()
	if !fell || last-at < 20 {
		return series.Absent()
	}
	return series.Median(ev.r.series(ev.roles.power, at+5, last))
}

// describeEnergy fills energy and mean power.
func (ev *evaluation) describeEnergy(l *record.Load) {
	j, by, cover := ev.acc.energy.total(ev.loadedS())
	if !series.Known(j) || ev.loadedS() <= 0 {
		return
	}
	l.EnergyJ, l.EnergyBy, l.EnergyCoverage = series.OrNil(j), by, series.OrNil(cover)
	mean := j / ev.loadedS()
	var ch *Channel
	if by == "integral" {
		ch = ev.channel(ev.roles.power)
		_, covered := ev.acc.energy.integral()
		mean = j / covered
	} else {
		ch = ev.channel(ev.roles.energy)
	}
	l.MeanW, l.MeanBy = series.OrNil(mean), by
	share := ev.relative(ch, j, mean, by)
	l.EnergyExpandedJ, l.MeanExpandedW = series.OrNil(math.Abs(share*j)), series.OrNil(math.Abs(share*mean))
	ev.compareCounter(by, j)
	if by == "integral" && cover < ev.c.CoverageMin {
		ev.find(record.Finding{Code: "energy_coverage", Severity: "warning", Channel: ch.Name,
			Seen: fmt.Sprintf("power was measured for %.0f %% of the load; the energy is that of the measured part", 100*cover)})
	}
	if n := ev.acc.energy.resets; n > 0 {
		ev.find(record.Finding{Code: "counter_reset", Severity: "warning", Channel: ev.channel(ev.roles.energy).Name,
			Seen: fmt.Sprintf("the energy counter fell %d times; power was integrated instead", n)})
	}
}

// relative is the expanded uncertainty of energy and mean power, as a share.
func (ev *evaluation) relative(ch *Channel, j, mean float64, by string) float64 {
	switch {
	case by == "counter" && j > 0:
		return statedExpanded(ev.c, ch, j) / j
	case by == "integral" && mean > 0:
		return statedExpanded(ev.c, ch, mean) / mean
	}
	return ev.c.DefaultShare
}

// compareCounter tells when counter and integral disagree.
func (ev *evaluation) compareCounter(by string, j float64) {
	if by != "counter" || j <= 0 || ev.roles.power < 0 {
		return
	}
	own, covered := ev.acc.energy.integral()
	if !series.Known(own) || covered < 0.5*ev.loadedS() {
		return
	}
	own *= ev.loadedS() / covered
	ev.statistic("energy_integral", ev.channel(ev.roles.power).Name, own, "J")
	if d := own/j - 1; math.Abs(d) > ev.c.CounterShare {
		ev.find(record.Finding{Code: "energy_differs", Severity: "note", Channel: ev.channel(ev.roles.energy).Name,
			Seen:       fmt.Sprintf("power integrated over the load gives %+.1f %% against the meter's counter", 100*d),
			Consistent: "consistent with missed readings or a coarse counter"})
	}
}
