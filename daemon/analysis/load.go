package analysis

import (
	"fmt"
	"math"
	"slices"

	"soakrig/daemon/record"
)

// describeLoad fills the evidence that the load ran: when, how much power and
// energy, and how it ended.
func (ev *evaluation) describeLoad() {
	l := &record.Load{Source: ev.span.source, Pattern: "unknown", Outcome: "not_seen"}
	ev.res.Load = l
	if planned := ev.r.plannedLoadS(); planned > 0 {
		l.PlannedS = number(planned)
	}
	if ev.roles.power >= 0 {
		l.Channel = ev.channel(ev.roles.power).Name
	}
	if !ev.span.begun() {
		ev.loadNotSeen(l)
		return
	}
	l.StartS = number(float64(ev.from))
	if ev.span.ended {
		l.EndS = number(float64(ev.to))
	}
	ev.outcome(l)
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
	if has(ev.r.det.idleW) {
		text += fmt.Sprintf(": power stayed near %.0f W", ev.r.det.idleW)
		l.IdleW = number(ev.r.det.idleW)
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
	case planned == 0 || missing <= ev.c.LostBeforeS:
		l.Outcome = "complete"
		if planned > 0 && -missing > ev.c.MatchLoadShare*planned+60 {
			ev.find(record.Finding{Code: "load_longer", Severity: "note", FromS: number(float64(ev.from) + planned),
				Seen: fmt.Sprintf("the load ran %s, planned %s", clock(int64(ran)), clock(int64(planned)))})
		}
		return
	}
	l.MissingS = number(missing)
	if ev.span.endedBy != "power" {
		l.Outcome = "ended_early"
		text := fmt.Sprintf("the load ran %s of the planned %s: the run was ended early", clock(int64(ran)), clock(int64(planned)))
		ev.find(record.Finding{Code: "ended_early", Severity: "void", FromS: number(float64(ev.to)), Seen: text})
		ev.voids = append(ev.voids, record.Reason{Code: "too_short", Text: text})
		return
	}
	ev.lost(l, missing)
}

// lost words a load that fell away before its plan.
func (ev *evaluation) lost(l *record.Load, missing float64) {
	l.Outcome, l.LostTo = "lost", ev.lostTo()
	text := fmt.Sprintf("power fell at %s, %s after the load began; %s of the plan are missing",
		ev.when(ev.to), clock(ev.to-ev.from), clock(int64(missing)))
	if hot := ev.acc.hottest(func(i int) bool { return !ev.probes[i].counts }); hot >= 0 && has(ev.probes[hot].last) {
		text += fmt.Sprintf("; the hot spot %s was at %.1f degC", ev.channel(ev.roles.probes[hot]).Name, ev.probes[hot].last)
	}
	fits := map[string]string{
		"off":       "consistent with a unit that lost power or shut itself down",
		"restarted": "consistent with a unit that restarted",
		"idle":      "consistent with a load program that ended or failed",
	}
	ev.find(record.Finding{Code: "load_lost", Severity: "void", FromS: number(float64(ev.to)), Seen: text, Consistent: fits[l.LostTo]})
	ev.voids = append(ev.voids, record.Reason{Code: "load_lost", Text: text})
}

// when is a second as run time, with the wall time where it is known.
func (ev *evaluation) when(second int64) string {
	if ev.r.in.Started.IsZero() {
		return clock(second)
	}
	return clock(second) + ev.r.in.Started.Add(secondsOf(second)).Format(" (15:04 MST)")
}

// lostTo classes the three minutes after a lost load.
func (ev *evaluation) lostTo() string {
	_, last := ev.r.bounds()
	to := min(ev.to+180, last)
	x := present(ev.r.series(ev.roles.power, ev.to, to))
	if len(x) == 0 {
		return "idle"
	}
	idle := ev.r.det.idleW
	if !has(idle) {
		idle = 0
	}
	end := x[len(x)-min(len(x), 30):]
	after := medianOf(end)
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
	x := present(ev.r.series(ev.roles.power, ev.from, ev.to))
	if len(x) == 0 {
		return
	}
	slices.Sort(x)
	l.MedianW, l.P5W, l.P95W = number(quantile(x, 0.5)), number(quantile(x, 0.05)), number(quantile(x, 0.95))
	h := newHold(ev.c.PeakHoldS, ev.c.PeakGood)
	for s := ev.from; s < ev.to; s++ {
		if c := ev.r.columns[ev.roles.power][s-ev.r.base]; has(c.v) {
			h.push(s, c.v, int64(c.stride))
		}
	}
	if h.found {
		l.HeldMaxW = number(h.best)
	}
	ev.idleW = ev.r.det.idleW
	if ev.span.source == "planned" {
		ev.idleW = ev.idleAfter()
	}
	l.IdleW = number(ev.idleW)
	if ev.stepW = quantile(x, 0.9) - ev.idleW; !has(ev.stepW) {
		ev.stepW = quantile(x, 0.9)
	}
}

// idleAfter is the idle power after a load whose start was not recorded.
func (ev *evaluation) idleAfter() float64 {
	_, last := ev.r.bounds()
	if ev.span.endedBy != "power" || last-ev.to < 20 {
		return absent
	}
	return medianOf(ev.r.series(ev.roles.power, ev.to+5, last))
}

// describeEnergy fills energy and mean power.
func (ev *evaluation) describeEnergy(l *record.Load) {
	j, by, cover := ev.acc.energy.total(ev.loadedS())
	if !has(j) || ev.loadedS() <= 0 {
		return
	}
	l.EnergyJ, l.EnergyBy, l.EnergyCoverage = number(j), by, number(cover)
	mean := j / ev.loadedS()
	var ch *Channel
	if by == "integral" {
		ch = ev.channel(ev.roles.power)
		_, covered := ev.acc.energy.integral()
		mean = j / covered
	} else {
		ch = ev.channel(ev.roles.energy)
	}
	l.MeanW, l.MeanBy = number(mean), by
	share := ev.relative(ch, j, mean, by)
	l.EnergyExpandedJ, l.MeanExpandedW = number(math.Abs(share*j)), number(math.Abs(share*mean))
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
		return ev.c.expanded(ch, j) / j
	case by == "integral" && mean > 0:
		return ev.c.expanded(ch, mean) / mean
	}
	return ev.c.DefaultShare
}

// compareCounter tells when counter and integral disagree.
func (ev *evaluation) compareCounter(by string, j float64) {
	if by != "counter" || j <= 0 || ev.roles.power < 0 {
		return
	}
	own, covered := ev.acc.energy.integral()
	if !has(own) || covered < 0.5*ev.loadedS() {
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
