package analysis

import (
	"fmt"
	"math"
	"slices"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// Patterns of power on load.
const (
	patternConstant = "constant"
	patternLoad     = "load_pattern"
	patternNotHeld  = "not_held"
	patternCycling  = "thermal_cycling"
	patternFlatTop  = "flat_top"
	patternUnknown  = "unknown"
)

const thermalText = "consistent with thermal limiting"

// judgePower looks for limiting, in this order: early step, dips, load pattern,
// thermal cycling, flat-top, power not held. Each is worded as what was seen first.
func (ev *evaluation) judgePower() {
	l := ev.res.Load
	if ev.roles.power < 0 || l.MedianW == nil || ev.loadedS() < 120 || !(ev.stepW > 0) {
		return
	}
	p := ev.newPowerTrace()
	hot := ev.hotTrace()
	if ev.recent == nil || ev.recent.whole {
		ev.earlyStep(p, l)
	}
	loss := ev.loss(p)
	l.LossShare = series.OrNil(loss)
	p.findDips(ev.c)
	l.Dips = p.describe(onsetsOf(p, hot.c))
	l.Pattern, l.Held = patternConstant, true
	switch {
	case ev.loadPattern(p, loss):
		l.Pattern = patternLoad
	case ev.thermalCycling(p, hot, loss):
		l.Pattern, l.Held, ev.res.Limited = patternCycling, false, true
	}
	if l.Pattern != patternCycling && ev.flatTop(p, hot) {
		l.Pattern, l.Held, ev.res.Limited = patternFlatTop, false, true
	}
	if l.Held {
		ev.notHeld(p, l, loss)
	}
	if l.Pattern == patternConstant && len(p.dips) > 0 {
		ev.otherDips(p, l)
	}
	ev.coolingChanged(p, hot)
}

// hotTrace is the probe that is hottest at the end of the load. Seconds count from
// the load's start.
type hotTrace struct {
	probe int       // -1: none
	c     []float64 // median of 15 seconds
	theta []float64 // rise since the load began as a share of the largest
	rise  []float64 // above the room
}

func (ev *evaluation) hotTrace() hotTrace {
	h := hotTrace{probe: -1}
	best := series.Absent()
	for i, p := range ev.roles.probes {
		if !ev.probes[i].counts || ev.probes[i].health == healthStuck || ev.probes[i].health == healthDetached {
			continue
		}
		if m := series.Median(ev.series(p, max(ev.to-300, ev.from), ev.to)); series.Known(m) && !(m <= best) {
			best, h.probe = m, i
		}
	}
	n := int(ev.to - ev.from)
	h.c, h.theta, h.rise = make([]float64, n), make([]float64, n), make([]float64, n)
	if h.probe < 0 {
		for i := range n {
			h.c[i], h.theta[i], h.rise[i] = series.Absent(), series.Absent(), series.Absent()
		}
		return h
	}
	x := ev.series(ev.roles.probes[h.probe], ev.from, ev.to)
	window := make([]float64, 0, 15)
	for i := range x {
		window = window[:0]
		for _, v := range x[max(i-7, 0):min(i+8, n)] {
			if series.Known(v) {
				window = append(window, v)
			}
		}
		h.c[i] = series.MedianInPlace(window)
	}
	sorted := series.Present(h.c)
	slices.Sort(sorted)
	start, top := ev.probes[h.probe].baseline, series.Quantile(sorted, 0.99)
	if !series.Known(start) {
		start = series.Quantile(sorted, 0)
	}
	for i := range n {
		h.theta[i] = (h.c[i] - start) / max(top-start, 1e-9)
		h.rise[i] = h.c[i] - start
		if room := ev.room(ev.from + int64(i)); series.Known(room) {
			h.rise[i] = h.c[i] - room
		}
	}
	return h
}

// earlyStep tells a fall of power within three minutes. A timed boost and an
// immediate limit look the same in wall power.
func (ev *evaluation) earlyStep(p *powerTrace, l *record.Load) {
	if len(p.raw) < 240 {
		return
	}
	first, then := series.Median(p.raw[5:23]), series.Median(p.raw[90:181])
	fall := first - then
	if !series.Known(fall) || math.Abs(fall) <= ev.c.EarlyShare*p.step {
		return
	}
	p.skip = 180
	l.EarlyStepW = series.OrNil(fall)
	verb := "down"
	if fall < 0 {
		verb = "up"
	}
	f := record.Finding{Code: "early_step", Severity: "note", Channel: l.Channel, FromS: series.OrNil(float64(ev.from)), ToS: series.OrNil(float64(ev.from + 180)),
		Seen: fmt.Sprintf("power stepped %s by %.0f W within 3 minutes of the load's start", verb, math.Abs(fall))}
	if fall > 0 {
		f.Consistent = "consistent with a timed boost or with a limit that acted at once; wall power can't tell which"
	}
	ev.find(f)
}

// loss is the power lost from minutes 0.5..15 to the last third, as a share of the
// step; absent for a load below ten minutes.
func (ev *evaluation) loss(p *powerTrace) float64 {
	n := len(p.raw)
	if n < 600 {
		return series.Absent()
	}
	from := max(30, p.skip)
	early, late := series.Mean(p.raw[from:max(min(900, n/3), from+60)]), series.Mean(p.raw[n-n/3:])
	return (early - late) / p.step
}

func onsetsOf(p *powerTrace, x []float64) []float64 {
	out := make([]float64, 0, len(p.dips))
	for _, d := range p.dips {
		if v := x[d.from]; series.Known(v) {
			out = append(out, v)
		}
	}
	return out
}

// loadPattern tells dips of the load program itself: regular, from the first cycle
// on, cold or hot, and without loss.
func (ev *evaluation) loadPattern(p *powerTrace, loss float64) bool {
	r := p.rhythm()
	if len(p.dips) < 3 || !(r.regularity <= ev.c.PatternRegular) || !p.fromStart(r, 1.5) || !(math.Abs(loss) < ev.c.PatternLoss) {
		return false
	}
	ev.find(record.Finding{Code: "load_pattern", Severity: "note", Channel: ev.res.Load.Channel, FromS: series.OrNil(float64(ev.from + int64(p.dips[0].from))),
		Seen:       fmt.Sprintf("power dips %d times for %.0f s, every %.0f s, from the first cycle on and without loss", len(p.dips), r.length, r.interval),
		Consistent: "consistent with the load program's own rhythm"})
	return true
}

// fromStart tells whether the first dip comes within some intervals of the start.
func (p *powerTrace) fromStart(r rhythm, intervals float64) bool {
	return len(p.dips) > 0 && float64(p.dips[0].from-p.skip) <= float64(intervals*r.interval)+30
}

// thermalCycling tells dips that belong to heat.
func (ev *evaluation) thermalCycling(p *powerTrace, hot hotTrace, loss float64) bool {
	r := p.rhythm()
	onset := onsetsOf(p, hot.theta)
	if hot.probe < 0 || float64(len(p.dips)) < ev.c.CycleMinDips || !(r.length <= ev.c.CycleMaxS) || len(onset) < 4 || !series.Known(loss) {
		return false
	}
	if !ev.cyclingEvidence(p, hot, r, onset, loss) {
		return false
	}
	c := onsetsOf(p, hot.c)
	slices.Sort(c)
	ev.find(record.Finding{Code: "thermal_limiting", Severity: "warning", Channel: ev.channel(ev.roles.probes[hot.probe]).Name,
		FromS: series.OrNil(float64(ev.from + int64(p.dips[0].from))), ToS: series.OrNil(float64(ev.from + int64(p.dips[len(p.dips)-1].to))),
		Seen: fmt.Sprintf("power dipped %d times for %.0f s with the hot spot at %.1f degC (%.1f..%.1f), and %.1f %% of the load step was lost",
			len(p.dips), r.length, series.Quantile(c, 0.5), series.Quantile(c, 0.1), series.Quantile(c, 0.9), 100*loss),
		Consistent: thermalText})
	return true
}

func (ev *evaluation) cyclingEvidence(p *powerTrace, hot hotTrace, r rhythm, onset []float64, loss float64) bool {
	first := float64(p.dips[0].from - p.skip)
	theta := hot.theta[p.dips[0].from]
	slices.Sort(onset)
	band := series.Quantile(onset, 0.9) - series.Quantile(onset, 0.1)
	cold, coldDips, n := 0, 0, 0
	for _, t := range hot.theta[min(p.skip, len(hot.theta)):] {
		if series.Known(t) {
			n++
			if t < ev.c.CycleColdTheta {
				cold++
			}
		}
	}
	for _, t := range onset {
		if t < ev.c.CycleColdTheta {
			coldDips++
		}
	}
	late := first > float64(2.5*r.interval)+30
	switch {
	case len(p.dips) >= 8 && n > 0 && loss > ev.c.CycleLoss &&
		binomialAtMost(coldDips, len(onset), float64(cold)/float64(n)) < ev.c.CycleProbability:
	case late && theta >= 0.5 && band <= 0.2 && loss > ev.c.CycleLoss:
	case theta >= 0.6 && band <= 0.15 && loss >= ev.c.LossShare:
	case loss >= ev.c.LossShare && series.Quantile(onset, 0.5) >= 0.85 && !p.fromStart(r, 1.5):
	default:
		return false
	}
	return true
}

// notHeld tells that power fell for a reason that was not shown.
func (ev *evaluation) notHeld(p *powerTrace, l *record.Load, loss float64) {
	b := ev.blocks(p, hotTrace{probe: -1}, false)
	fall := 0.0
	if n := len(b.w); n >= 20 {
		fall = (series.Median(b.w[:5]) - series.Median(b.w[n-5:])) / p.step
	}
	if !(loss >= ev.c.LossShare) && !(fall > ev.c.BlockFall) {
		return
	}
	l.Pattern, l.Held = patternNotHeld, false
	seen := fmt.Sprintf("power fell by %.1f %% of the load step from the first minutes to the last third", 100*loss)
	if !(loss >= ev.c.LossShare) {
		seen = fmt.Sprintf("power fell by %.1f %% of the load step from the first to the last minutes", 100*fall)
	}
	ev.find(record.Finding{Code: "power_not_held", Severity: "warning", Channel: l.Channel, FromS: series.OrNil(float64(ev.from)), ToS: series.OrNil(float64(ev.to)),
		Seen: seen, Consistent: "the cause is not shown"})
	ev.remarks = append(ev.remarks, record.Reason{Code: "power_not_held", Text: seen})
}

// otherDips tells of dips that are neither the program's rhythm nor shown to belong
// to heat.
func (ev *evaluation) otherDips(p *powerTrace, l *record.Load) {
	if float64(len(p.dips)) >= ev.c.CycleMinDips {
		l.Pattern = patternUnknown
	}
	r := p.rhythm()
	ev.find(record.Finding{Code: "power_dips", Severity: "note", Channel: l.Channel, FromS: series.OrNil(float64(ev.from + int64(p.dips[0].from))),
		Seen: fmt.Sprintf("power dipped %s, typically for %.0f s, without a lasting loss", wording.Times(len(p.dips)), r.length)})
}

// coolingChanged tells a jump of the hot spot's thermal resistance, which a fan that
// stops or a probe or mount that shifts makes, late enough not to be warm-up.
func (ev *evaluation) coolingChanged(p *powerTrace, hot hotTrace) {
	b := ev.blocks(p, hot, false)
	apart := int(ev.c.ResistanceS / ev.c.BlockS)
	warm := int(1800 / ev.c.BlockS)
	for i := warm + apart; i+4 < len(b.w); i++ {
		before, now := ratioOf(b, i-apart-4, i-apart+1), ratioOf(b, i, i+5)
		if !series.Known(before) || !series.Known(now) || before <= 0 || !steadyPower(b.w[max(i-apart-24, 0):i+5], ev.c.BlockFall*p.step) {
			continue
		}
		if change := now/before - 1; math.Abs(change) > ev.c.ResistanceShare {
			at := ev.from + int64(b.at[i])
			ev.find(record.Finding{Code: "cooling_changed", Severity: "warning", Channel: ev.channel(ev.roles.probes[hot.probe]).Name, FromS: series.OrNil(float64(at) - ev.c.ResistanceS), ToS: series.OrNil(float64(at)),
				Seen:       fmt.Sprintf("the hot spot's rise per watt changed by %+.0f %% within %.0f minutes around %s", 100*change, ev.c.ResistanceS/60, ev.r.when(at)),
				Consistent: "consistent with a change of cooling (fan, air path) or of the probe's mounting"})
			return
		}
	}
}

// steadyPower tells whether power stayed within a band: temperatures lag power, so
// that a change of power alone changes their ratio for a while.
func steadyPower(w []float64, band float64) bool {
	return slices.Max(w)-slices.Min(w) <= band
}

func ratioOf(b blocks, from, to int) float64 {
	return series.Median(b.rise[from:to]) / series.Median(b.w[from:to])
}

// binomialAtMost is the probability of at most k hits in n trials of chance p.
func binomialAtMost(k, n int, p float64) float64 {
	if k >= n || p <= 0 {
		return 1
	}
	if p >= 1 {
		return 0
	}
	sum := 0.0
	lgN, _ := math.Lgamma(float64(n + 1))
	for i := 0; i <= k; i++ {
		lgI, _ := math.Lgamma(float64(i + 1))
		lgR, _ := math.Lgamma(float64(n - i + 1))
		sum += math.Exp(lgN - lgI - lgR + float64(float64(i)*math.Log(p)) + float64(float64(n-i)*math.Log1p(-p)))
	}
	return min(sum, 1)
}
