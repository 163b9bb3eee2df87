package analysis

import (
	"fmt"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// describeSteady fills how settled the run was at the end of its load: by the probe
// that settles last.
func (ev *evaluation) describeSteady() {
	skip := func(i int) bool { return !ev.probes[i].counts || !ev.probes[i].sound() }
	i, tier := ev.acc.unsettled(skip)
	if i < 0 {
		if ev.span.begun() && ev.res.Peak != nil {
			ev.remarks = append(ev.remarks, record.Reason{Code: "not_settled",
				Text: fmt.Sprintf("the load was too short to tell whether the board settled: %s, a slope takes %s", wording.Length(ev.to-ev.from), wording.Length(int64(ev.c.SlopeWindowS)))})
		}
		return
	}
	now, before := ev.acc.settles[i].slope()
	s := &record.Steady{Tier: tier, Channel: ev.channel(ev.roles.probes[i]).Name, SlopeKPerH: now,
		SlopeSEKPerH: series.OrNil(ev.acc.settles[i].se()), Valid: ev.powerHeld()}
	if m := ev.reached(tier, skip); m >= 0 {
		s.ReachedAtS = series.OrNil(float64(ev.from + 60*int64(m+1)))
	}
	if tau := timeConstant(ev.c, now, before); series.Known(tau) {
		s.TauS, s.RemainingK = series.OrNil(tau), series.OrNil(max(tau*now/3600, 0))
	} else if ev.c.KnownTauS > 0 {
		s.TauS, s.RemainingK = series.OrNil(ev.c.KnownTauS), series.OrNil(max(ev.c.KnownTauS*now/3600, 0))
	}
	ev.res.Steady = s
	ev.extrapolate(s)
	if tier == tierRising {
		ev.remarks = append(ev.remarks, record.Reason{Code: "not_settled",
			Text: fmt.Sprintf("%s still changed by %+.1f K/h at the end of the load", s.Channel, now)})
	}
	if !s.Valid && tier != tierRising {
		ev.remarks = append(ev.remarks, record.Reason{Code: "steady_not_valid",
			Text: "the temperatures are flat but power was not shown to be held, so flat does not mean settled"})
	}
}

// powerHeld tells whether flat temperatures may be taken as settled.
func (ev *evaluation) powerHeld() bool {
	l := ev.res.Load
	if l == nil {
		return false
	}
	if l.Channel == "" || l.MedianW == nil {
		return true // nothing says otherwise
	}
	return l.Held
}

// reached is the first minute of the load at whose end every counting probe was in
// the tier or better; -1: none, or the tier is rising.
func (ev *evaluation) reached(tier string, skip func(int) bool) int {
	if tier == tierRising {
		return -1
	}
	apart := int(ev.c.SlopeApartS / 60)
	for m := range int(ev.to-ev.from) / 60 {
		all, any := true, false
		for i := range ev.acc.settles {
			h := ev.acc.settles[i].history
			if skip(i) || m >= len(h) {
				continue
			}
			before := series.Absent()
			if m >= apart {
				before = h[m-apart]
			}
			t := tierOf(ev.c, h[m], before)
			any = true
			all = all && (t == tier || t == tierSteady)
		}
		if all && any {
			return m
		}
	}
	return -1
}
