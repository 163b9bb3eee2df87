package analysis

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// evaluation is one judgement of a recording under way. Its methods run in the
// order of Recording.Evaluate; each fills its part of the result.
type evaluation struct {
	r     *Recording
	c     constants.Set
	roles roles
	span  loadSpan
	from  int64 // seconds on load: from..to
	to    int64
	acc   *onLoad
	res   record.Result

	probes  []probeState
	idleW   float64
	stepW   float64 // 90 % level on load above idle
	voids   []record.Reason
	against []record.Reason // reasons from limits
	remarks []record.Reason
}

func newEvaluation(r *Recording) *evaluation {
	return &evaluation{r: r, c: r.c, roles: r.roles, span: r.span, idleW: series.Absent(), stepW: series.Absent()}
}

func (ev *evaluation) header() {
	in := ev.r.in
	s := in.Start
	ev.res = record.Result{Algorithm: Version, Rig: in.Rig, Run: s.Run, Unit: s.Unit, Revision: s.Revision,
		Setup: s.Setup.Name, Conditions: maps.Clone(s.Setup.Conditions), MustMatch: slices.Clone(s.Setup.MustMatch),
		Verdict: record.VerdictNone, Final: ev.r.stopped || ev.r.complete, Constants: ev.c.Map(),
		Settings: maps.Clone(in.Settings), Reasons: []record.Reason{}, Probes: []record.ProbeResult{},
		Phases: []record.PhaseResult{}, Limits: []record.LimitResult{}, Gaps: []record.GapResult{},
		Findings: []record.Finding{}, Budget: []record.BudgetLine{}}
	if !in.Started.IsZero() {
		ev.res.Started = in.Started.UTC().Format(time.RFC3339Nano)
	}
	if ev.r.grid.begun {
		ev.res.DurationS = ev.r.grid.last - ev.r.grid.first
	}
	ev.res.Marks = slices.Clone(ev.r.marks)
	ev.res.Gaps = append(ev.res.Gaps, ev.r.gaps...)
	ev.res.Findings = append(ev.res.Findings, ev.r.notes...)
	ev.res.Phases = append(ev.res.Phases, ev.r.phases...)
	if n := len(ev.res.Phases); n > 0 && !ev.res.Final {
		ev.res.Phases[n-1].EndS = float64(ev.r.grid.next)
	}
}

// findLoad takes the load that was detected, marked or planned. A recording that
// begins on load shows no start; then power's fall or the probes' warming tell.
func (ev *evaluation) findLoad() {
	first, last := ev.r.bounds()
	if !ev.span.begun() && ev.res.Final {
		ev.span = ev.loadFromFirstRow(first, last)
	}
	if !ev.span.begun() {
		return
	}
	ev.from, ev.to = max(ev.span.start, first), ev.r.committed
	if ev.span.ended {
		ev.to = ev.span.end
	}
	ev.to = max(min(ev.to, last), ev.from)
}

// loadFromFirstRow is the load of a recording whose first row is already on load:
// power falls to idle later and stays there, or the probes warm or are warmer than
// an idle unit is.
func (ev *evaluation) loadFromFirstRow(first, last int64) loadSpan {
	none := loadSpan{}
	if last-first < 30 {
		return none
	}
	if ev.r.grid.begun {
		first = max(first, ev.r.firstObserved())
	}
	end := last
	fell := false
	source := "planned"
	if ev.roles.power >= 0 {
		source = onAtStart
		end, fell = ev.powerFall(first, last)
	}
	warmed := false
	for _, p := range ev.roles.probes {
		x := ev.r.series(p, first, end)
		n := min(len(x), 60)
		early := series.Median(x[:n])
		room := ev.r.ambient[min(first-ev.r.base+int64(n), int64(len(ev.r.ambient))-1)]
		h := newHold(ev.c.PeakHoldS, ev.c.PeakGood)
		for i, v := range x {
			if series.Known(v) {
				h.push(first+int64(i), v, int64(ev.r.columns[p][first-ev.r.base+int64(i)].stride))
			}
		}
		warmed = warmed || h.found && series.Known(early) && (h.best-early > ev.c.FirstRowRiseK || h.best-room > 2*ev.c.FirstRowRiseK)
	}
	if !fell && !warmed {
		return none
	}
	s := loadSpan{source: source, start: first, end: end, ended: true, endedBy: "stop"}
	if fell {
		s.endedBy = "power"
	} else if n := int64(ev.r.plannedLoadS()); n > 0 && ev.roles.power < 0 && first+n < end {
		s.end, s.endedBy = first+n, "plan"
	}
	return s
}

func (r *Recording) firstObserved() int64 { return int64(r.grid.first) }

// powerFall finds the end of a load whose start was not recorded.
func (ev *evaluation) powerFall(first, last int64) (int64, bool) {
	d := newDetector(ev.c)
	d.begin(first)
	d.idleW = 0
	for s := first; s < last; s++ {
		if v := ev.r.columns[ev.roles.power][s-ev.r.base].v; series.Known(v) {
			if what, at := d.push(s, v); what == endEdge {
				return at, true
			}
		}
	}
	if d.pending {
		return d.raw, true
	}
	return last, false
}

// accumulate runs the seconds on load through what Tracker runs them through.
func (ev *evaluation) accumulate() {
	ev.acc = newOnLoad(ev.c, ev.roles, ev.r.in.Channels, ev.from, true)
	if !ev.span.begun() {
		return
	}
	r := row{cells: make([]cell, len(ev.r.in.Channels))}
	for s := ev.from; s < ev.to; s++ {
		ev.r.row(s, &r)
		ev.acc.push(&r)
	}
}

// loadedS is the length of the load in seconds.
func (ev *evaluation) loadedS() float64 { return float64(ev.to - ev.from) }

func (ev *evaluation) find(f record.Finding) { ev.res.Findings = append(ev.res.Findings, f) }

func (ev *evaluation) channel(i int) *Channel { return &ev.r.in.Channels[i] }

// statistic adds a number that has no field of its own.
func (ev *evaluation) statistic(name, channel string, v float64, unit string) {
	if p := series.OrNil(v); p != nil {
		ev.res.Statistics = append(ev.res.Statistics, record.Statistic{Name: name, Channel: channel, Value: v, Unit: unit})
	}
}

// checkRecord tells of readings that could not be used and of notes that were too
// many to keep.
func (ev *evaluation) checkRecord() {
	g := &ev.r.grid
	if g.late > 0 {
		ev.find(record.Finding{Code: "late_readings", Severity: "note",
			Seen: fmt.Sprintf("%d readings came after their second was closed and were left out", g.late)})
	}
	if g.refused > 0 {
		ev.find(record.Finding{Code: "refused_readings", Severity: "warning",
			Seen: fmt.Sprintf("%d readings had an impossible time or value and were left out", g.refused)})
	}
	if n := ev.r.truncated; n > 0 {
		ev.find(record.Finding{Code: "truncated", Severity: "note",
			Seen: fmt.Sprintf("%d marks or gaps beyond the first %d were not kept", n, keptNotes)})
	}
}

// finish puts everything in its order.
func (ev *evaluation) finish() record.Result {
	at := func(f record.Finding) float64 {
		if f.FromS == nil {
			return longestRunS * 2
		}
		return *f.FromS
	}
	slices.SortStableFunc(ev.res.Findings, func(a, b record.Finding) int { return cmp.Compare(at(a), at(b)) })
	slices.SortStableFunc(ev.res.Gaps, func(a, b record.GapResult) int { return cmp.Compare(a.FromS, b.FromS) })
	return ev.res
}
