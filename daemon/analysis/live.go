package analysis

import (
	"math"
	"slices"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// Live is the state of the run now. Peak, energy and settling lag by the seconds of
// which it is not yet known whether they are on load (about five; up to the dwell
// of the load's end while power is low); what they show is what Evaluate would give
// for the same observations.
func (t *Tracker) Live() record.Live {
	phase, began := t.Phase()
	now := t.grid.last
	l := record.Live{Run: t.in.Start.Run, Unit: t.in.Start.Unit, Setup: t.in.Start.Setup.Name, Phase: phase,
		ProbesTotal: len(t.roles.probes), VerdictSoFar: record.VerdictNone,
		Warnings: append([]record.Finding{}, t.live.warnings...)}
	if t.grid.begun {
		l.ElapsedS = max(now-float64(t.firstSecond()), 0)
		l.PhaseS = max(now-began, 0)
	}
	if t.phase >= 0 && !t.complete && !t.stopped {
		if n := t.in.Start.Plan.Phases[t.phase].LengthS; n > 0 {
			l.PhaseLengthS = series.OrNil(n)
		}
	}
	l.RemainingS = series.OrNil(t.remaining(now))
	t.liveTemperatures(&l)
	t.livePower(&l)
	t.liveSettling(&l)
	l.VerdictSoFar = t.verdictSoFar()
	for i := range t.in.Start.Plan.Limits {
		lim := &t.in.Start.Plan.Limits[i]
		if lim.Quantity == quantityValue && !lim.Below && lim.Severity != severityNote && lim.Role == record.RoleProbe {
			l.LimitC = series.OrNil(lim.Bound)
			break
		}
	}
	return l
}

// remaining is what the plan still has before it; absent where a length is open.
func (t *Tracker) remaining(now float64) float64 {
	if t.complete || t.stopped {
		return 0
	}
	plan, left := t.in.Start.Plan.Phases, 0.0
	for i := max(t.phase, 0); i < len(plan); i++ {
		n := plan[i].LengthS
		if n == 0 && plan[i].Phase != record.PhaseWaiting {
			return series.Absent()
		}
		if i == t.phase {
			n = max(n-(now-float64(t.began)), 0)
		}
		left += n
	}
	return left
}

func (t *Tracker) fresh(channel int) (float64, bool) {
	r := t.live.values[channel]
	if !series.Known(r.v) || float64(t.grid.next-1-r.second) > max(10, t.c.GapPeriods*float64(max(t.grid.strides[channel].median, 1))) {
		return 0, false
	}
	return r.v, true
}

func (t *Tracker) liveTemperatures(l *record.Live) {
	hot := -1
	for _, p := range t.roles.probes {
		if v, ok := t.fresh(p); ok {
			l.ProbesGood++
			if hot < 0 || v > t.live.values[hot].v {
				hot = p
			}
		}
	}
	if hot >= 0 {
		v := t.live.values[hot].v
		l.HotChannel, l.HotC = t.in.Channels[hot].Name, series.OrNil(v)
		l.HotExpandedK = series.OrNil(statedExpanded(t.c, &t.in.Channels[hot], v))
	}
	if t.roles.ambient >= 0 {
		if a, ok := t.fresh(t.roles.ambient); ok {
			l.AmbientC = series.OrNil(a)
			if hot >= 0 {
				l.RiseK = series.OrNil(t.live.values[hot].v - a)
			}
		}
	}
	if t.acc == nil {
		return
	}
	if i := t.acc.hottest(t.leftOut); i >= 0 {
		l.PeakChannel = t.in.Channels[t.roles.probes[i]].Name
		l.PeakC, l.PeakAtS = series.OrNil(t.acc.held[i].best), series.OrNil(float64(t.acc.held[i].at))
	}
}

// leftOut tells whether a mark left the probe out.
func (e *engine) leftOut(probe int) bool {
	_, out := e.excluded[e.in.Channels[e.roles.probes[probe]].Name]
	return out
}

func (t *Tracker) livePower(l *record.Live) {
	if p := t.roles.power; p >= 0 {
		if w, ok := t.fresh(p); ok {
			l.PowerW = series.OrNil(w)
		}
	}
	if t.acc != nil && t.acc.seconds > 0 {
		j, _, _ := t.acc.energy.total(float64(t.acc.seconds))
		l.EnergyJ = series.OrNil(j)
	}
}

func (t *Tracker) liveSettling(l *record.Live) {
	if t.acc == nil {
		return
	}
	i, tier := t.acc.unsettled(t.leftOut)
	if i < 0 {
		return
	}
	now, before := t.acc.settles[i].slope()
	l.SlopeKPerH, l.Tier = series.OrNil(now), tier
	if tier == tierSteady {
		l.ToSteadyS = series.OrNil(0)
		return
	}
	if tau := timeConstant(t.c, now, before); series.Known(tau) {
		wait := float64(tau*math.Log(max(now/t.c.SteadyKPerH, 1))) + t.c.SlopeApartS
		l.ToSteadyS = series.OrNil(min(wait, 7*86400))
	}
}

// verdictSoFar judges the limits by what was held so far; it does not foresee.
func (t *Tracker) verdictSoFar() record.Verdict {
	v := record.VerdictNone
	for i := range t.watch {
		w := &t.watch[i]
		if w.limit.Severity == severityNote || !w.hold.found {
			continue
		}
		x := w.hold.best
		if w.limit.Below {
			x = -x
		}
		guard := guardBand(t.c, w.limit, &t.in.Channels[w.channel], x)
		outcome, _ := judge(x, w.limit.Bound, guard, w.limit.Below)
		v = worse(v, outcome)
	}
	limited := slices.ContainsFunc(t.live.warnings, func(w record.Finding) bool { return w.Code == "thermal_limiting" })
	if limited && v == record.VerdictPass {
		return record.VerdictVoid
	}
	if lost, _ := t.lost(); lost && (v == record.VerdictPass || v == record.VerdictMarginal || v == record.VerdictNone) {
		return record.VerdictVoid
	}
	return v
}
