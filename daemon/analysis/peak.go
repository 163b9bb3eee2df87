package analysis

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// describeProbes fills what every probe showed.
func (ev *evaluation) describeProbes() {
	for i := range ev.probes {
		ev.res.Probes = append(ev.res.Probes, ev.describeProbe(i))
	}
}

func (ev *evaluation) describeProbe(i int) record.ProbeResult {
	p, ch := &ev.probes[i], ev.channel(ev.roles.probes[i])
	out := record.ProbeResult{Channel: ch.Name, Place: ch.Place, Health: p.health, Counts: p.counts, Note: p.note,
		BaselineC: series.OrNil(p.baseline), Faults: ev.faultsOf(ev.roles.probes[i])}
	cover := &ev.acc.cover[ev.roles.probes[i]]
	out.Coverage, out.LongestGapS = cover.share(), float64(cover.longestGap(1))
	if h := &ev.acc.held[i]; h.found {
		out.HeldC, out.HeldAtS = series.OrNil(h.best), series.OrNil(float64(h.at))
		out.RiseK = series.OrNil(h.best - ev.ambientBefore(h.at))
		out.ExpandedK = series.OrNil(ev.c.CoverageFactor * budget.Combine(ev.linesOf(i)))
		out.AboveLimitS, out.AboveCount, out.AboveLongestS = ev.above(i)
	}
	out.RawMaxC = series.OrNil(ev.acc.rawMax[i])
	out.MedianMaxC = series.OrNil(ev.medianMax(i))
	out.AfterLoadMaxC = series.OrNil(ev.afterLoadMax(i))
	out.LastC = series.OrNil(p.last)
	if now, _ := ev.acc.settles[i].slope(); series.Known(now) {
		out.SlopeKPerH = series.OrNil(now)
	}
	return out
}

func (ev *evaluation) faultsOf(channel int) map[string]int {
	var out map[string]int
	for bit, n := range ev.r.grid.faults[channel] {
		if n == 0 {
			continue
		}
		if out == nil {
			out = make(map[string]int)
		}
		word := record.Faults(1 << bit).String()
		out[word] += n
	}
	return maps.Clone(out)
}

// medianMax is the highest median of a window of seconds on load.
func (ev *evaluation) medianMax(probe int) float64 {
	n := int(ev.c.MedianPeakS)
	x := ev.r.series(ev.roles.probes[probe], ev.from, ev.to)
	window := make([]float64, 0, n) // sorted
	best := series.Absent()
	drop := func(v float64) {
		i, _ := slices.BinarySearch(window, v)
		window = slices.Delete(window, i, i+1)
	}
	stride := 1
	if len(x) > 0 {
		stride = int(ev.r.columns[ev.roles.probes[probe]][ev.to-1-ev.r.base].stride)
	}
	for i, v := range x {
		if i >= n && series.Known(x[i-n]) {
			drop(x[i-n])
		}
		if !series.Known(v) {
			continue
		}
		at, _ := slices.BinarySearch(window, v)
		window = slices.Insert(window, at, v)
		if i+1 < n || len(window) < 2 && n > 1 || 2*len(window)*stride < n {
			continue
		}
		if m := series.Quantile(window, 0.5); !(m <= best) {
			best = m
		}
	}
	return best
}

// afterLoadMax is the highest level held after the load: with the fans off, the
// board may soak back.
func (ev *evaluation) afterLoadMax(probe int) float64 {
	_, last := ev.r.bounds()
	if !ev.span.ended {
		return series.Absent()
	}
	from := ev.to
	if over := &ev.r.over; over.plan {
		if from = over.until; over.still(ev.c.EndDwellS) {
			return series.Absent()
		}
	}
	h := newHold(ev.c.PeakHoldS, ev.c.PeakGood)
	col := ev.r.columns[ev.roles.probes[probe]]
	for s := from; s < last; s++ {
		if c := col[s-ev.r.base]; series.Known(c.v) {
			h.push(s, c.v, int64(c.stride))
		}
	}
	if !h.found {
		return series.Absent()
	}
	return h.best
}

// above is the time a probe spent above the first upper limit on its value, with
// hysteresis; short excursions do not count. Seconds without a value end nothing
// and count nothing.
func (ev *evaluation) above(probe int) (total *float64, count int, longest float64) {
	ch := ev.channel(ev.roles.probes[probe])
	for i := range ev.r.in.Start.Plan.Limits {
		l := &ev.r.in.Start.Plan.Limits[i]
		if l.Quantity != quantityValue || l.Below || !limitCovers(l, ch) || !limitApplies(l, record.PhaseLoad) {
			continue
		}
		sum, run := 0.0, 0.0
		end := func() {
			if run >= ev.c.AboveMinS {
				sum += run
				count++
				longest = max(longest, run)
			}
			run = 0
		}
		in := false
		col := ev.r.columns[ev.roles.probes[probe]]
		for s := ev.from; s < ev.to; s++ {
			c := col[s-ev.r.base]
			switch {
			case !series.Known(c.v):
				continue
			case c.v >= l.Bound:
				in = true
			case c.v < l.Bound-ev.c.AboveHystK:
				if in {
					end()
				}
				in = false
			}
			if in && c.v >= l.Bound {
				run += float64(max(c.stride, 1))
			}
		}
		end()
		return series.OrNil(sum), count, longest
	}
	return nil, 0, 0
}

// findPeak names the hot spot and the next hottest probe.
func (ev *evaluation) findPeak() {
	notCounted := func(i int) bool { return !ev.probes[i].counts }
	hot := ev.acc.hottest(notCounted)
	if hot < 0 {
		return
	}
	h := &ev.acc.held[hot]
	ch := ev.channel(ev.roles.probes[hot])
	lines := ev.linesOf(hot)
	p := &record.Peak{Channel: ch.Name, Place: ch.Place, HeldC: h.best, AtS: float64(h.at),
		CoverageFactor: ev.c.CoverageFactor, ExpandedK: ev.c.CoverageFactor * budget.Combine(lines),
		ProbesTotal: len(ev.roles.probes)}
	for i := range ev.probes {
		if ev.probes[i].counts && ev.probes[i].sound() {
			p.ProbesGood++
		}
		p.LowerBound = p.LowerBound || ev.probes[i].hides()
	}
	ev.peakAgainstRoom(p, lines)
	second := ev.acc.hottest(func(i int) bool { return i == hot || notCounted(i) })
	if second >= 0 {
		s := &ev.acc.held[second]
		p.Second = ev.channel(ev.roles.probes[second]).Name
		p.SecondHeldC, p.GapK = series.OrNil(s.best), series.OrNil(h.best-s.best)
		u := budget.Difference(lines, ev.linesOf(second))
		p.Ambiguous = h.best-s.best < ev.c.CoverageFactor*u
		ev.statistic("gap_expanded", ch.Name, ev.c.CoverageFactor*u, "K")
	}
	ev.equalPlaces(hot, p, lines)
	ev.res.Peak = p
}

// peakAgainstRoom fills the rise and the value at the reference ambient.
func (ev *evaluation) peakAgainstRoom(p *record.Peak, lines []record.BudgetLine) {
	room := ev.ambientBefore(int64(p.AtS))
	if !series.Known(room) {
		return
	}
	p.AmbientC, p.RiseK = series.OrNil(room), series.OrNil(p.HeldC-room)
	roomLines := append(statedLines(ev.c, ev.channel(ev.roles.ambient), room),
		budget.Normal("room at the unit", ev.c.AmbientU, "", "", "constants ambient_u_k"))
	u := budget.Difference(lines, roomLines)
	p.RiseExpandedK = series.OrNil(ev.c.CoverageFactor * u)
	off := room - ev.c.ReferenceC
	p.ReferenceAmbientC = series.OrNil(ev.c.ReferenceC)
	size := max(off, -off)
	if size > ev.c.ReferenceMaxK {
		ev.find(record.Finding{Code: "reference_refused", Severity: "warning", FromS: series.OrNil(p.AtS),
			Seen: fmt.Sprintf("the room was %.1f K from the reference %g degC; beyond %g K the peak is not moved to it", off, ev.c.ReferenceC, ev.c.ReferenceMaxK)})
		return
	}
	if size > ev.c.ReferenceWarnK {
		ev.find(record.Finding{Code: "reference_far", Severity: "note", FromS: series.OrNil(p.AtS),
			Seen: fmt.Sprintf("the room was %.1f K from the reference %g degC; the value at the reference rests on a coefficient of %g", off, ev.c.ReferenceC, ev.c.ReferenceCoeff)})
	}
	p.ReferenceC = series.OrNil(p.HeldC - float64(ev.c.ReferenceCoeff*off))
	uc := ev.c.ReferenceCoefU * size
	p.ReferenceExpandedK = series.OrNil(ev.c.CoverageFactor * math.Sqrt(float64(u*u)+float64(uc*uc)))
}

// linesOf is the budget of a probe's held peak.
func (ev *evaluation) linesOf(probe int) []record.BudgetLine {
	h := &ev.acc.held[probe]
	if !h.found {
		return nil
	}
	ch := ev.channel(ev.roles.probes[probe])
	rise := h.best - ev.ambientBefore(h.at)
	lines := statedLines(ev.c, ch, h.best)
	if ch.Budget == nil { // the general figure holds what a run adds
		return lines
	}
	return append(lines, budget.OfRun(ev.c, rise, ev.r.in.Rig+"/"+ev.r.in.Start.Run)...)
}

// budget states the lines of the hot spot.
func (ev *evaluation) budget() {
	for i := range ev.probes {
		if ev.res.Peak != nil && ev.channel(ev.roles.probes[i]).Name == ev.res.Peak.Channel {
			ev.res.Budget = budget.WithShares(ev.linesOf(i))
			if ev.channel(ev.roles.probes[i]).Budget == nil {
				ev.remarks = append(ev.remarks, record.Reason{Code: "uncertainty_not_stated",
					Text: fmt.Sprintf("no uncertainty is stated for %s: the general figure of %g K is used", ev.res.Peak.Channel, ev.c.DefaultExpK)})
			}
		}
	}
}
