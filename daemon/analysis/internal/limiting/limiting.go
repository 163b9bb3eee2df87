package limiting

import (
	"fmt"
	"math"
	"slices"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// Patterns of power on load.
const (
	PatternConstant = "constant"
	PatternLoad     = "load_pattern"
	PatternNotHeld  = "not_held"
	PatternCycling  = "thermal_cycling"
	PatternFlatTop  = "flat_top"
	PatternUnknown  = "unknown"
)

const thermalText = "consistent with thermal limiting"

// Load is the power of a load, second by second, with the hottest probe beside it.
type Load struct {
	Start  int64     // run time of the first second
	PowerW []float64 // absent where not measured
	StepW  float64   // of the load above idle, more than 0
	Meter  string    // channel of the power
	Hot    *Probe    // nil: no probe measured the board to the end
	Whole  bool      // it begins where the load began, so that an early step shows
	When   func(second int64) string
}

// Probe is the probe that is hottest at the end of the load, over the same seconds.
type Probe struct {
	Channel   string
	ValueC    []float64 // absent where not measured
	RoomC     []float64 // low-passed; absent before its first value
	BaselineC float64   // before the load; absent: not measured
}

// Found is what the power of a load shows.
type Found struct {
	Pattern    string
	Held       bool         // power was held
	Limited    bool         // thermal limiting was seen
	LossShare  *float64     // of the step; nil: the load was too short to tell
	EarlyStepW *float64     // nil: none
	Dips       *record.Dips // nil: none
	Findings   []record.Finding
	Remarks    []record.Reason
}

// judgement is one judgement under way.
type judgement struct {
	c   constants.Set
	in  Load
	out Found
}

func (g *judgement) find(f record.Finding) { g.out.Findings = append(g.out.Findings, f) }

// end is one past the last second.
func (g *judgement) end() int64 { return g.in.Start + int64(len(g.in.PowerW)) }

// Judge looks for limiting, in this order: early step, dips, load pattern, thermal
// cycling, flat-top, power not held. Each is worded as what was seen first.
func Judge(c constants.Set, in Load) Found {
	g := &judgement{c: c, in: in, out: Found{Pattern: PatternConstant, Held: true}}
	p, hot := newPowerTrace(in.PowerW, in.StepW), newHotTrace(in.Hot, len(in.PowerW))
	if in.Whole {
		g.earlyStep(p)
	}
	loss := loss(p)
	g.out.LossShare = series.OrNil(loss)
	p.findDips(c)
	g.out.Dips = p.describe(onsetsOf(p, hot.c))
	switch {
	case g.loadPattern(p, loss):
		g.out.Pattern = PatternLoad
	case g.thermalCycling(p, hot, loss):
		g.out.Pattern, g.out.Held, g.out.Limited = PatternCycling, false, true
	}
	if g.out.Pattern != PatternCycling && g.flatTop(p, hot) {
		g.out.Pattern, g.out.Held, g.out.Limited = PatternFlatTop, false, true
	}
	if g.out.Held {
		g.notHeld(p, loss)
	}
	if g.out.Pattern == PatternConstant && len(p.dips) > 0 {
		g.otherDips(p)
	}
	g.coolingChanged(p, hot)
	return g.out
}

// hotTrace is the hottest probe, ready for the search for limiting.
type hotTrace struct {
	there bool      // false: no probe, and everything below is absent
	c     []float64 // median of 15 seconds
	theta []float64 // rise since the load began as a share of the largest
	rise  []float64 // above the room
}

func newHotTrace(probe *Probe, n int) hotTrace {
	h := hotTrace{there: probe != nil, c: make([]float64, n), theta: make([]float64, n), rise: make([]float64, n)}
	if !h.there {
		for i := range n {
			h.c[i], h.theta[i], h.rise[i] = series.Absent(), series.Absent(), series.Absent()
		}
		return h
	}
	window := make([]float64, 0, 15)
	for i := range probe.ValueC {
		window = window[:0]
		for _, v := range probe.ValueC[max(i-7, 0):min(i+8, n)] {
			if series.Known(v) {
				window = append(window, v)
			}
		}
		h.c[i] = series.MedianInPlace(window)
	}
	sorted := series.Present(h.c)
	slices.Sort(sorted)
	start, top := probe.BaselineC, series.Quantile(sorted, 0.99)
	if !series.Known(start) {
		start = series.Quantile(sorted, 0)
	}
	for i := range n {
		h.theta[i] = (h.c[i] - start) / max(top-start, 1e-9)
		h.rise[i] = h.c[i] - start
		if room := probe.RoomC[i]; series.Known(room) {
			h.rise[i] = h.c[i] - room
		}
	}
	return h
}

// earlyStep tells a fall of power within three minutes. A timed boost and an
// immediate limit look the same in wall power.
func (g *judgement) earlyStep(p *powerTrace) {
	if len(p.raw) < 240 {
		return
	}
	first, then := series.Median(p.raw[5:23]), series.Median(p.raw[90:181])
	fall := first - then
	if !series.Known(fall) || math.Abs(fall) <= g.c.EarlyShare*p.step {
		return
	}
	p.skip = 180
	g.out.EarlyStepW = series.OrNil(fall)
	verb := "down"
	if fall < 0 {
		verb = "up"
	}
	f := record.Finding{Code: "early_step", Severity: "note", Channel: g.in.Meter, FromS: series.OrNil(float64(g.in.Start)), ToS: series.OrNil(float64(g.in.Start + 180)),
		Seen: fmt.Sprintf("power stepped %s by %.0f W within 3 minutes of the load's start", verb, math.Abs(fall))}
	if fall > 0 {
		f.Consistent = "consistent with a timed boost or with a limit that acted at once; wall power can't tell which"
	}
	g.find(f)
}

// loss is the power lost from minutes 0.5..15 to the last third, as a share of the
// step; absent for a load below ten minutes.
func loss(p *powerTrace) float64 {
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
func (g *judgement) loadPattern(p *powerTrace, loss float64) bool {
	r := p.rhythm()
	if len(p.dips) < 3 || !(r.regularity <= g.c.PatternRegular) || !p.fromStart(r, 1.5) || !(math.Abs(loss) < g.c.PatternLoss) {
		return false
	}
	g.find(record.Finding{Code: "load_pattern", Severity: "note", Channel: g.in.Meter, FromS: series.OrNil(float64(g.in.Start + int64(p.dips[0].from))),
		Seen:       fmt.Sprintf("power dips %d times for %.0f s, every %.0f s, from the first cycle on and without loss", len(p.dips), r.length, r.interval),
		Consistent: "consistent with the load program's own rhythm"})
	return true
}

// fromStart tells whether the first dip comes within some intervals of the start.
func (p *powerTrace) fromStart(r rhythm, intervals float64) bool {
	return len(p.dips) > 0 && float64(p.dips[0].from-p.skip) <= float64(intervals*r.interval)+30
}

// thermalCycling tells dips that belong to heat.
func (g *judgement) thermalCycling(p *powerTrace, hot hotTrace, loss float64) bool {
	r := p.rhythm()
	onset := onsetsOf(p, hot.theta)
	if !hot.there || float64(len(p.dips)) < g.c.CycleMinDips || !(r.length <= g.c.CycleMaxS) || len(onset) < 4 || !series.Known(loss) {
		return false
	}
	if !g.cyclingEvidence(p, hot, r, onset, loss) {
		return false
	}
	c := onsetsOf(p, hot.c)
	slices.Sort(c)
	g.find(record.Finding{Code: "thermal_limiting", Severity: "warning", Channel: g.in.Hot.Channel,
		FromS: series.OrNil(float64(g.in.Start + int64(p.dips[0].from))), ToS: series.OrNil(float64(g.in.Start + int64(p.dips[len(p.dips)-1].to))),
		Seen: fmt.Sprintf("power dipped %d times for %.0f s with the hot spot at %.1f degC (%.1f..%.1f), and %.1f %% of the load step was lost",
			len(p.dips), r.length, series.Quantile(c, 0.5), series.Quantile(c, 0.1), series.Quantile(c, 0.9), 100*loss),
		Consistent: thermalText})
	return true
}

func (g *judgement) cyclingEvidence(p *powerTrace, hot hotTrace, r rhythm, onset []float64, loss float64) bool {
	first := float64(p.dips[0].from - p.skip)
	theta := hot.theta[p.dips[0].from]
	slices.Sort(onset)
	band := series.Quantile(onset, 0.9) - series.Quantile(onset, 0.1)
	cold, coldDips, n := 0, 0, 0
	for _, t := range hot.theta[min(p.skip, len(hot.theta)):] {
		if series.Known(t) {
			n++
			if t < g.c.CycleColdTheta {
				cold++
			}
		}
	}
	for _, t := range onset {
		if t < g.c.CycleColdTheta {
			coldDips++
		}
	}
	late := first > float64(2.5*r.interval)+30
	switch {
	case len(p.dips) >= 8 && n > 0 && loss > g.c.CycleLoss &&
		binomialAtMost(coldDips, len(onset), float64(cold)/float64(n)) < g.c.CycleProbability:
	case late && theta >= 0.5 && band <= 0.2 && loss > g.c.CycleLoss:
	case theta >= 0.6 && band <= 0.15 && loss >= g.c.LossShare:
	case loss >= g.c.LossShare && series.Quantile(onset, 0.5) >= 0.85 && !p.fromStart(r, 1.5):
	default:
		return false
	}
	return true
}

// notHeld tells that power fell for a reason that was not shown.
func (g *judgement) notHeld(p *powerTrace, loss float64) {
	b := g.blocks(p, hotTrace{}, false)
	fall := 0.0
	if n := len(b.w); n >= 20 {
		fall = (series.Median(b.w[:5]) - series.Median(b.w[n-5:])) / p.step
	}
	if !(loss >= g.c.LossShare) && !(fall > g.c.BlockFall) {
		return
	}
	g.out.Pattern, g.out.Held = PatternNotHeld, false
	seen := fmt.Sprintf("power fell by %.1f %% of the load step from the first minutes to the last third", 100*loss)
	if !(loss >= g.c.LossShare) {
		seen = fmt.Sprintf("power fell by %.1f %% of the load step from the first to the last minutes", 100*fall)
	}
	g.find(record.Finding{Code: "power_not_held", Severity: "warning", Channel: g.in.Meter, FromS: series.OrNil(float64(g.in.Start)), ToS: series.OrNil(float64(g.end())),
		Seen: seen, Consistent: "the cause is not shown"})
	g.out.Remarks = append(g.out.Remarks, record.Reason{Code: "power_not_held", Text: seen})
}

// otherDips tells of dips that are neither the program's rhythm nor shown to belong
// to heat.
func (g *judgement) otherDips(p *powerTrace) {
	if float64(len(p.dips)) >= g.c.CycleMinDips {
		g.out.Pattern = PatternUnknown
	}
	r := p.rhythm()
	g.find(record.Finding{Code: "power_dips", Severity: "note", Channel: g.in.Meter, FromS: series.OrNil(float64(g.in.Start + int64(p.dips[0].from))),
		Seen: fmt.Sprintf("power dipped %s, typically for %.0f s, without a lasting loss", wording.Times(len(p.dips)), r.length)})
}

// coolingChanged tells a jump of the hot spot's thermal resistance, which a fan that
// stops or a probe or mount that shifts makes, late enough not to be warm-up.
func (g *judgement) coolingChanged(p *powerTrace, hot hotTrace) {
	b := g.blocks(p, hot, false)
	apart := int(g.c.ResistanceS / g.c.BlockS)
	warm := int(1800 / g.c.BlockS)
	for i := warm + apart; i+4 < len(b.w); i++ {
		before, now := ratioOf(b, i-apart-4, i-apart+1), ratioOf(b, i, i+5)
		if !series.Known(before) || !series.Known(now) || before <= 0 || !steadyPower(b.w[max(i-apart-24, 0):i+5], g.c.BlockFall*p.step) {
			continue
		}
		if change := now/before - 1; math.Abs(change) > g.c.ResistanceShare {
			at := g.in.Start + int64(b.at[i])
			g.find(record.Finding{Code: "cooling_changed", Severity: "warning", Channel: g.in.Hot.Channel, FromS: series.OrNil(float64(at) - g.c.ResistanceS), ToS: series.OrNil(float64(at)),
				Seen:       fmt.Sprintf("the hot spot's rise per watt changed by %+.0f %% within %.0f minutes around %s", 100*change, g.c.ResistanceS/60, g.in.When(at)),
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
