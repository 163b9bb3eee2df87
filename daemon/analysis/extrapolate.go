package analysis

import (
	"errors"
	"fmt"
	"math"

	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// tailBlockS is the length of the medians that a tail is fitted on.
const tailBlockS = 20

// tail gives the last share of a probe's rise on load as 20 s medians against
// seconds of load.
func (ev *evaluation) tail(probe int, share float64) (x, y []float64) {
	n := ev.to - ev.from
	from := ev.to - int64(share*float64(n))
	v := ev.r.series(ev.roles.probes[probe], from, ev.to)
	for i := range v {
		if room := ev.r.ambient[from+int64(i)-ev.r.base]; ev.acc.rise && series.Known(room) {
			v[i] -= room
		}
	}
	for i, m := range series.BlockMedians(v, tailBlockS) {
		if series.Known(m) {
			x = append(x, float64(from-ev.from)+float64((float64(i)+0.5)*tailBlockS))
			y = append(y, m)
		}
	}
	return x, y
}

// extrapolate says where the hot spot would end, only where the rules allow it: an
// hour of load, or 45 minutes with a time constant known from a longer run, and
// power held.
func (ev *evaluation) extrapolate(s *record.Steady) {
	hot := ev.hotIndex()
	ran := ev.loadedS()
	known := ev.c.KnownTauS > 0
	switch {
	case hot < 0:
		return
	case !s.Valid:
		s.ExtrapolationNote = "not extrapolated: power was not held"
		return
	case ran < ev.c.ExtrapKnownS || !known && ran < ev.c.ExtrapolateS:
		s.ExtrapolationNote = fmt.Sprintf("not extrapolated: the load ran %s, which is too short", wording.Length(int64(ran)))
		return
	}
	end, err := ev.extrapolateFree(hot)
	if known && (err != nil || ran < ev.c.ExtrapolateS) {
		end, err = ev.extrapolateKnown(hot)
	}
	if err != nil {
		s.ExtrapolationNote = "not extrapolated: " + err.Error()
		return
	}
	room := 0.0
	if ev.acc.rise {
		if room = ev.ambientBefore(ev.to - 1); !series.Known(room) {
			s.ExtrapolationNote = "not extrapolated: the room was not measured to the end"
			return
		}
	}
	c := end.level + room
	s.TauS = series.OrNil(end.tauS)
	s.RemainingK = series.OrNil(max(c-ev.probes[hot].last, 0))
	s.ExtrapolatedC = series.OrNil(c)
	s.ExtrapolatedExpandedK = series.OrNil(math.Hypot(end.expandedK, ev.c.CoverageFactor*budget.Combine(ev.linesOf(hot))))
	s.ExtrapolationNote = fmt.Sprintf("%s by %s: %.1f degC measured last, %+.1f K added, +-%.1f K for the extrapolation itself",
		ev.channel(ev.roles.probes[hot]).Name, end.method, ev.probes[hot].last, c-ev.probes[hot].last, end.expandedK)
	ev.statistic("extrapolation_expanded", ev.channel(ev.roles.probes[hot]).Name, end.expandedK, "K")
}

// hotIndex is the probe of the reported peak; -1: none.
func (ev *evaluation) hotIndex() int {
	if ev.res.Peak == nil {
		return -1
	}
	for i, p := range ev.roles.probes {
		if ev.channel(p).Name == ev.res.Peak.Channel {
			return i
		}
	}
	return -1
}

// asymptote is where a probe would end, as far as one fit tells.
type asymptote struct {
	level     float64 // above the room, or in degC where no room was known
	expandedK float64 // of the extrapolation alone
	tauS      float64
	method    string
}

var (
	errTail      = errors.New("too few values at the end of the load")
	errUnbounded = errors.New("the tail does not bound the time constant")
)

// extrapolateFree fits tau too. Its uncertainty holds the disagreement of two fit
// windows, which is the honest part: the fit's own error is far too small for short
// loads.
func (ev *evaluation) extrapolateFree(probe int) (asymptote, error) {
	fit := func(share float64) (series.Exponential, bool) {
		x, y := ev.tail(probe, share)
		if len(x) < 10 {
			return series.Exponential{}, false
		}
		return series.FitExponential(x, y, 60, 4*ev.loadedS(), false)
	}
	a, okA := fit(ev.c.TailFreeShare)
	b, okB := fit(ev.c.TailFreeCheck)
	if !okA || !okB {
		return asymptote{}, errTail
	}
	apart := a.Final - b.Final
	u := ev.c.CoverageFactor * math.Sqrt(float64(a.FinalError*a.FinalError)+float64(apart*apart)+float64(ev.c.ExtrapFloorK*ev.c.ExtrapFloorK))
	if a.Unbounded && math.Abs(a.Amplitude) > 0.5 || math.IsInf(u, 0) || math.IsNaN(u) || u > 20 || math.Abs(a.Amplitude) > 200 {
		return asymptote{}, errUnbounded
	}
	return asymptote{level: a.Final, expandedK: u, tauS: a.Tau,
		method: fmt.Sprintf("one exponential with free time constant over the last %.0f %% of the load", 100*ev.c.TailFreeShare)}, nil
}

// extrapolateKnown takes tau from the constants.
func (ev *evaluation) extrapolateKnown(probe int) (asymptote, error) {
	tau := ev.c.KnownTauS
	at := func(share, tau float64) (float64, bool) {
		x, y := ev.tail(probe, share)
		if len(x) < 5 {
			return 0, false
		}
		f := series.ExponentialAt(x, y, x[0], tau, false)
		return f.Final, !math.IsInf(f.SumSquares, 1)
	}
	mid, ok1 := at(ev.c.TailTauShare, tau)
	short, ok2 := at(ev.c.TailTauCheck, tau)
	low, ok3 := at(ev.c.TailTauShare, tau*(1-ev.c.TauTolerance))
	high, ok4 := at(ev.c.TailTauShare, tau*(1+ev.c.TauTolerance))
	if !ok1 || !ok2 || !ok3 || !ok4 {
		return asymptote{}, errTail
	}
	spread := max(math.Abs(high-mid), math.Abs(low-mid))
	u := ev.c.CoverageFactor * math.Sqrt(float64(spread*spread)+float64((short-mid)*(short-mid))+float64(ev.c.ExtrapFloorK*ev.c.ExtrapFloorK))
	return asymptote{level: mid, expandedK: u, tauS: tau,
		method: fmt.Sprintf("one exponential with the known time constant %.0f s over the last %.0f %% of the load", tau, 100*ev.c.TailTauShare)}, nil
}
