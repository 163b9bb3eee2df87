package analysis

import (
	"fmt"
	"slices"

	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// judgeLimits judges every limit by its worst channel.
func (ev *evaluation) judgeLimits() {
	for i := range ev.r.in.Start.Plan.Limits {
		l := &ev.r.in.Start.Plan.Limits[i]
		worst := record.LimitResult{Name: l.Name, Channel: l.Channel, Quantity: l.Quantity, Unit: "degC",
			Bound: l.Bound, Outcome: record.VerdictVoid, Severity: l.Severity}
		found := false
		for ch := range ev.r.in.Channels {
			c := ev.channel(ch)
			if !limitCovers(l, c) || ev.notCounted(ch) {
				continue
			}
			r := ev.judgeLimit(l, ch)
			if r.Value == nil {
				if !found {
					worst.Unit = r.Unit
				}
				continue
			}
			if d := *r.Value - l.Bound; !found || (d > *worst.Value-l.Bound) != l.Below {
				worst, found = r, true
			}
		}
		ev.res.Limits = append(ev.res.Limits, worst)
		ev.limitReason(&worst, found)
	}
}

func (ev *evaluation) notCounted(ch int) bool {
	for i, p := range ev.roles.probes {
		if p == ch {
			return !ev.probes[i].counts
		}
	}
	return false
}

// judgeLimit finds the worst held value of a limit's quantity on one channel.
func (ev *evaluation) judgeLimit(l *record.Limit, ch int) record.LimitResult {
	c := ev.channel(ch)
	out := record.LimitResult{Name: l.Name, Channel: c.Name, Quantity: l.Quantity, Unit: limitUnit(l, c),
		Bound: l.Bound, Outcome: record.VerdictVoid, Severity: l.Severity}
	if l.Quantity == quantitySlope {
		ev.judgeSlope(l, ch, &out)
		return out
	}
	h := newHold(dwell(l, ev.c), ev.c.PeakGood)
	r := row{cells: make([]cell, len(ev.r.in.Channels))}
	for _, span := range ev.limitSpans(l) {
		h.window, h.lowest = h.window[:0], h.lowest[:0]
		for s := span[0]; s < span[1]; s++ {
			ev.r.row(s, &r)
			v := quantityAt(l, ch, &r, ev.r.in.Channels)
			if !series.Known(v) {
				continue
			}
			if l.Below {
				v = -v
			}
			level, ok := h.push(s, v, int64(r.cells[ch].stride))
			if ok && level > signed(l) && out.FirstAtS == nil {
				out.FirstAtS = series.OrNil(float64(h.window[0].second))
			}
		}
	}
	if !h.found {
		return out
	}
	x := h.best
	if l.Below {
		x = -x
	}
	u := ev.limitExpanded(l, ch, x, h.at)
	out.Value, out.Expanded, out.GuardBand = series.OrNil(x), series.OrNil(u), series.OrNil(u)
	out.Outcome, out.Side = judge(x, l.Bound, u, l.Below)
	return out
}

// limitExpanded is the expanded uncertainty of a bounded quantity, which is also
// its guard band.
func (ev *evaluation) limitExpanded(l *record.Limit, ch int, x float64, at int64) float64 {
	lines := statedLines(ev.c, ev.channel(ch), x)
	for i, p := range ev.roles.probes {
		if p == ch {
			lines = ev.linesOf(i)
		}
	}
	if l.Quantity == quantityRise && ev.roles.ambient >= 0 {
		if room := ev.ambientBefore(at); series.Known(room) {
			roomLines := append(statedLines(ev.c, ev.channel(ev.roles.ambient), room),
				budget.Normal("room at the unit", ev.c.AmbientU, "", "", "constants ambient_u_k"))
			return ev.c.CoverageFactor * budget.Difference(lines, roomLines)
		}
	}
	return ev.c.CoverageFactor * budget.Combine(lines)
}

// judgeSlope bounds the slope of the rise, or of the value for other channels.
func (ev *evaluation) judgeSlope(l *record.Limit, ch int, out *record.LimitResult) {
	s := newSettle(ev.c, true)
	for second := ev.from; second < ev.to; second++ {
		if v := ev.r.columns[ch][second-ev.r.base].v; series.Known(v) {
			s.push(second-ev.from, v)
		}
	}
	s.upTo((ev.to - ev.from) / 60)
	worst := series.Absent()
	for m, v := range s.history {
		if !series.Known(v) {
			continue
		}
		if l.Below {
			v = -v
		}
		if !(v <= worst) {
			worst = v
		}
		if v > signed(l) && out.FirstAtS == nil {
			out.FirstAtS = series.OrNil(float64(ev.from + 60*int64(m+1)))
		}
	}
	if !series.Known(worst) {
		return
	}
	if l.Below {
		worst = -worst
	}
	u := ev.c.CoverageFactor * s.se()
	if !series.Known(u) {
		u = 0
	}
	out.Value, out.Expanded, out.GuardBand = series.OrNil(worst), series.OrNil(u), series.OrNil(u)
	out.Outcome, out.Side = judge(worst, l.Bound, u, l.Below)
}

// limitSpans are the seconds in which a limit holds.
func (ev *evaluation) limitSpans(l *record.Limit) [][2]int64 {
	first, last := ev.r.bounds()
	var spans [][2]int64
	if limitApplies(l, record.PhaseLoad) {
		spans = append(spans, [2]int64{ev.from, ev.to})
	}
	for _, p := range ev.res.Phases {
		if p.Phase != record.PhaseLoad && limitApplies(l, p.Phase) {
			from, to := max(int64(p.StartS), first), min(int64(p.EndS), last)
			spans = append(spans, [2]int64{from, max(from, to)})
		}
	}
	return spans
}

// limitReason words what a limit came to.
func (ev *evaluation) limitReason(r *record.LimitResult, measured bool) {
	if r.Severity == severityNote {
		if r.FirstAtS != nil {
			ev.find(record.Finding{Code: "limit", Severity: "note", Channel: r.Channel, FromS: r.FirstAtS,
				Seen: fmt.Sprintf("%s: %s reached %.1f %s, bound %g", r.Name, r.Channel, *r.Value, r.Unit, r.Bound)})
		}
		return
	}
	if !measured {
		if ev.span.begun() {
			ev.voids = append(ev.voids, record.Reason{Code: "limit_unmeasured",
				Text: fmt.Sprintf("%s: nothing that the limit bounds was measured for as long as its dwell", r.Name)})
		}
		return
	}
	text := fmt.Sprintf("%s: %s %s %.1f +- %.1f %s against %g %s", r.Name, r.Channel, r.Quantity, *r.Value, *r.Expanded, r.Unit, r.Bound, r.Unit)
	switch r.Outcome {
	case record.VerdictFail:
		ev.against = append(ev.against, record.Reason{Code: "limit", Text: text + ": beyond the limit by more than the guard band"})
	case record.VerdictMarginal:
		ev.against = append(ev.against, record.Reason{Code: "guard_band", Text: text + ": within the guard band, " + r.Side + " the limit"})
	default:
		ev.remarks = append(ev.remarks, record.Reason{Code: "limit", Text: text + ": inside by more than the guard band"})
	}
	if r.FirstAtS != nil {
		ev.find(record.Finding{Code: "limit", Severity: "warning", Channel: r.Channel, FromS: r.FirstAtS,
			Seen: fmt.Sprintf("%s: %s was first beyond %g %s for the dwell", r.Name, r.Channel, r.Bound, r.Unit)})
	}
}

// decide draws the verdict. A fail stands whatever else went wrong, since the limit
// was passed, unless a room above its band explains it. What makes the run void
// overrides every other outcome, and so does thermal limiting a pass: then the peak
// is the limiter's set point.
func (ev *evaluation) decide() {
	v := record.VerdictNone
	side := ""
	for _, l := range ev.res.Limits {
		if l.Severity == severityNote || l.Value == nil {
			continue
		}
		if w := worse(v, l.Outcome); w != v {
			v, side = w, l.Side
		}
	}
	ev.otherVoids()
	slices.SortStableFunc(ev.voids, func(a, b record.Reason) int { return gravity(a.Code) - gravity(b.Code) })
	limited := []record.Reason{}
	if ev.res.Limited {
		limited = append(limited, record.Reason{Code: "thermal_limiting",
			Text: "thermal limiting was seen: the peak is the limiter's set point, not what the board reaches at full load"})
	}
	switch {
	case v == record.VerdictFail && !ev.explainedByRoom():
		ev.res.Reasons = concat(ev.against, ev.voids, limited, ev.remarks)
	case len(ev.voids) > 0:
		v, side = record.VerdictVoid, ""
		ev.res.Reasons = concat(ev.voids, limited, ev.against, ev.remarks)
	case ev.res.Limited && v == record.VerdictPass:
		v, side = record.VerdictVoid, ""
		ev.res.Reasons = concat(limited, ev.against, ev.remarks)
	default:
		ev.res.Reasons = concat(ev.against, limited, ev.remarks)
	}
	if v == record.VerdictNone {
		ev.res.Reasons = append(ev.res.Reasons, record.Reason{Code: "no_limit", Text: "no limit was set, so there is nothing to judge the peak by"})
	}
	ev.res.Verdict, ev.res.MarginalSide = v, side
}

// gravity orders what makes a run void: what happened to the load says most, then the
// probes, then the room.
func gravity(code string) int {
	switch code {
	case "load_not_seen", "load_lost", "too_short":
		return 0
	case "no_probe", "no_peak":
		return 1
	case "ambient_band":
		return 3
	}
	return 2
}

func concat(lists ...[]record.Reason) []record.Reason {
	out := []record.Reason{}
	for _, l := range lists {
		out = append(out, l...)
	}
	return out
}

// otherVoids adds what is missing altogether.
func (ev *evaluation) otherVoids() {
	if len(ev.roles.probes) == 0 {
		ev.voids = append(ev.voids, record.Reason{Code: "no_probe", Text: "there is no temperature channel with the role probe"})
	} else if ev.res.Peak == nil && ev.span.begun() && ev.res.Final {
		ev.voids = append(ev.voids, record.Reason{Code: "no_peak", Text: fmt.Sprintf("no probe held any level for %g s on load", ev.c.PeakHoldS)})
	}
	if ev.res.Ambient == nil && ev.span.begun() {
		ev.remarks = append(ev.remarks, record.Reason{Code: "no_ambient",
			Text: "no room temperature was measured: there is no rise, and the band could not be checked"})
	}
	if l := ev.res.Load; l != nil && l.Source == "planned" && ev.span.begun() {
		ev.remarks = append(ev.remarks, record.Reason{Code: "load_planned",
			Text: "neither power nor a mark shows when the load began: it is taken as planned"})
	} else if l != nil && l.Source == onAtStart {
		ev.remarks = append(ev.remarks, record.Reason{Code: "load_on_at_start", Text: onAtStartReason})
	}
}

// explainedByRoom tells whether a failed limit on probes would not have failed with
// the room at the top of its band.
func (ev *evaluation) explainedByRoom() bool {
	p := ev.res.Peak
	if p == nil || p.AmbientC == nil || *p.AmbientC <= ev.c.AmbientHighC {
		return false
	}
	excess := *p.AmbientC - ev.c.AmbientHighC
	for _, l := range ev.res.Limits {
		if l.Severity == severityNote || l.Outcome != record.VerdictFail {
			continue
		}
		if l.Quantity != quantityValue || l.Unit != "degC" || *l.Value-excess > l.Bound+*l.GuardBand {
			return false
		}
	}
	return true
}
