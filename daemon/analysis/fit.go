package analysis

import (
	"fmt"
	"math"

	"soakrig/daemon/record"
)

// exponential is final - amp*exp(-(x-x0)/tau), fitted.
type exponential struct {
	final, amp, tau float64
	sse             float64
	seFinal         float64 // standard error of final, widened for residuals that hang together
	edge            bool    // tau lies at the end of what was searched: the data don't bound it
}

// fitExponential fits by variable projection: for a fixed tau the model is linear in
// final and amp, so only tau is searched, on a grid of its logarithm and then by
// golden section. There are no starting values and nothing can diverge. fromZero
// ties amp to final, so that the curve is zero at x0 = 0. ok is false when there
// are fewer points than parameters or no spread.
func fitExponential(x, y []float64, tauLow, tauHigh float64, fromZero bool) (exponential, bool) {
	params := 3
	if fromZero {
		params = 2
	}
	if len(x) <= params || !(tauLow > 0 && tauHigh > tauLow) {
		return exponential{}, false
	}
	x0 := x[0]
	if fromZero {
		x0 = 0
	}
	at := func(logTau float64) exponential { return solveAt(x, y, x0, math.Exp(logTau), fromZero) }
	const grid = 60
	low, high := math.Log(tauLow), math.Log(tauHigh)
	step := (high - low) / (grid - 1)
	best, bestI := exponential{sse: math.Inf(1)}, 0
	for i := range grid {
		if f := at(low + float64(float64(i)*step)); f.sse < best.sse {
			best, bestI = f, i
		}
	}
	if math.IsInf(best.sse, 1) {
		return exponential{}, false
	}
	a, b := low+float64(float64(max(bestI-1, 0))*step), low+float64(float64(min(bestI+1, grid-1))*step)
	ratio := (math.Sqrt(5) - 1) / 2
	c, d := b-float64(ratio*(b-a)), a+float64(ratio*(b-a))
	fc, fd := at(c), at(d)
	for i := 0; i < 100 && b-a > 1e-10; i++ {
		if fc.sse < fd.sse {
			b, d, fd = d, c, fc
			c = b - float64(ratio*(b-a))
			fc = at(c)
		} else {
			a, c, fc = c, d, fd
			d = a + float64(ratio*(b-a))
			fd = at(d)
		}
	}
	f := at((a + b) / 2)
	if best.sse < f.sse {
		f = best
	}
	f.edge = bestI == 0 || bestI == grid-1
	f.seFinal = f.standardError(x, y, x0, params)
	return f, true
}

// solveAt is the least squares solution for one tau.
func solveAt(x, y []float64, x0, tau float64, fromZero bool) exponential {
	f := exponential{tau: tau, sse: math.Inf(1)}
	if fromZero {
		num, den := 0.0, 0.0
		for i := range x {
			g := -math.Expm1(-(x[i] - x0) / tau)
			num += float64(g * y[i])
			den += float64(g * g)
		}
		if den == 0 {
			return f
		}
		f.final = num / den
		f.amp = f.final
	} else {
		n, e1, e2, sy, sey := float64(len(x)), 0.0, 0.0, 0.0, 0.0
		for i := range x {
			e := math.Exp(-(x[i] - x0) / tau)
			e1, e2, sy, sey = e1+e, e2+float64(e*e), sy+y[i], sey+float64(e*y[i])
		}
		det := float64(n*e2) - float64(e1*e1)
		if !(det > 1e-12*n*e2) {
			return f
		}
		f.final = (float64(e2*sy) - float64(e1*sey)) / det
		f.amp = (float64(e1*sy) - float64(n*sey)) / det
	}
	f.sse = 0
	for i := range x {
		r := y[i] - f.at(x[i]-x0)
		f.sse += float64(r * r)
	}
	return f
}

func (f *exponential) at(x float64) float64 { return f.final - float64(f.amp*math.Exp(-x/f.tau)) }

// standardError is the standard error of the final value from the full Jacobian.
func (f *exponential) standardError(x, y []float64, x0 float64, params int) float64 {
	var m [3][3]float64
	lag, prev := 0.0, 0.0
	for i := range x {
		t := x[i] - x0
		e := math.Exp(-t / f.tau)
		j := [3]float64{1, -e, -f.amp * e * t / (f.tau * f.tau)}
		if params == 2 {
			j = [3]float64{1 - e, j[2], 0}
		}
		for a := range params {
			for b := range params {
				m[a][b] += float64(j[a] * j[b])
			}
		}
		r := y[i] - f.at(t)
		if i > 0 {
			lag += float64(r * prev)
		}
		prev = r
	}
	inv, ok := firstOfInverse(m, params)
	if !ok {
		return math.Inf(1)
	}
	rho := 0.0
	if f.sse > 0 {
		rho = min(max(lag/f.sse, 0), 0.95)
	}
	dof := float64(len(x) - params)
	return math.Sqrt(f.sse/dof*inv) * math.Sqrt((1+rho)/(1-rho))
}

// firstOfInverse is the first element of the inverse of a symmetric matrix.
func firstOfInverse(m [3][3]float64, n int) (float64, bool) {
	if n == 2 {
		det := float64(m[0][0]*m[1][1]) - float64(m[0][1]*m[1][0])
		return m[1][1] / det, det > 0
	}
	minor := float64(m[1][1]*m[2][2]) - float64(m[1][2]*m[2][1])
	det := float64(m[0][0]*minor) - float64(m[0][1]*(float64(m[1][0]*m[2][2])-float64(m[1][2]*m[2][0]))) +
		float64(m[0][2]*(float64(m[1][0]*m[2][1])-float64(m[1][1]*m[2][0])))
	return minor / det, det > 0
}

// tailBlockS is the length of the medians that a tail is fitted on.
const tailBlockS = 20

// tail gives the last share of a probe's rise on load as 20 s medians against
// seconds of load.
func (ev *evaluation) tail(probe int, share float64) (x, y []float64) {
	n := ev.to - ev.from
	from := ev.to - int64(share*float64(n))
	v := ev.r.series(ev.roles.probes[probe], from, ev.to)
	for i := range v {
		if room := ev.r.ambient[from+int64(i)-ev.r.base]; ev.acc.rise && has(room) {
			v[i] -= room
		}
	}
	for i, m := range blockMedians(v, tailBlockS) {
		if has(m) {
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
		s.ExtrapolationNote = fmt.Sprintf("not extrapolated: the load ran %s, which is too short", length(int64(ran)))
		return
	}
	final, u, tau, method, ok := ev.extrapolateFree(hot)
	if known && (!ok || ran < ev.c.ExtrapolateS) {
		final, u, tau, method, ok = ev.extrapolateKnown(hot)
	}
	if !ok {
		s.ExtrapolationNote = "not extrapolated: " + method
		return
	}
	room := 0.0
	if ev.acc.rise {
		if room = ev.ambientBefore(ev.to - 1); !has(room) {
			s.ExtrapolationNote = "not extrapolated: the room was not measured to the end"
			return
		}
	}
	c := final + room
	s.TauS = number(tau)
	s.RemainingK = number(max(c-ev.probes[hot].last, 0))
	s.ExtrapolatedC = number(c)
	s.ExtrapolatedExpandedK = number(math.Hypot(u, ev.c.CoverageFactor*combine(ev.linesOf(hot))))
	s.ExtrapolationNote = fmt.Sprintf("%s by %s: %.1f degC measured last, %+.1f K added, +-%.1f K for the extrapolation itself",
		ev.channel(ev.roles.probes[hot]).Name, method, ev.probes[hot].last, c-ev.probes[hot].last, u)
	ev.statistic("extrapolation_expanded", ev.channel(ev.roles.probes[hot]).Name, u, "K")
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

// extrapolateFree fits tau too. Its uncertainty holds the disagreement of two fit
// windows, which is the honest part: the fit's own error is far too small for short
// loads.
func (ev *evaluation) extrapolateFree(probe int) (final, u, tau float64, method string, ok bool) {
	fit := func(share float64) (exponential, bool) {
		x, y := ev.tail(probe, share)
		if len(x) < 10 {
			return exponential{}, false
		}
		return fitExponential(x, y, 60, 4*ev.loadedS(), false)
	}
	a, okA := fit(ev.c.TailFreeShare)
	b, okB := fit(ev.c.TailFreeCheck)
	if !okA || !okB {
		return 0, 0, 0, "too few values at the end of the load", false
	}
	apart := a.final - b.final
	u = ev.c.CoverageFactor * math.Sqrt(float64(a.seFinal*a.seFinal)+float64(apart*apart)+float64(ev.c.ExtrapFloorK*ev.c.ExtrapFloorK))
	if a.edge && math.Abs(a.amp) > 0.5 || math.IsInf(u, 0) || math.IsNaN(u) || u > 20 || math.Abs(a.amp) > 200 {
		return 0, 0, 0, "the tail does not bound the time constant", false
	}
	return a.final, u, a.tau, fmt.Sprintf("one exponential with free time constant over the last %.0f %% of the load", 100*ev.c.TailFreeShare), true
}

// extrapolateKnown takes tau from the constants.
func (ev *evaluation) extrapolateKnown(probe int) (final, u, tau float64, method string, ok bool) {
	tau = ev.c.KnownTauS
	at := func(share, tau float64) (float64, bool) {
		x, y := ev.tail(probe, share)
		if len(x) < 5 {
			return 0, false
		}
		f := solveAt(x, y, x[0], tau, false)
		return f.final, !math.IsInf(f.sse, 1)
	}
	mid, ok1 := at(ev.c.TailTauShare, tau)
	short, ok2 := at(ev.c.TailTauCheck, tau)
	low, ok3 := at(ev.c.TailTauShare, tau*(1-ev.c.TauTolerance))
	high, ok4 := at(ev.c.TailTauShare, tau*(1+ev.c.TauTolerance))
	if !ok1 || !ok2 || !ok3 || !ok4 {
		return 0, 0, 0, "too few values at the end of the load", false
	}
	spread := max(math.Abs(high-mid), math.Abs(low-mid))
	u = ev.c.CoverageFactor * math.Sqrt(float64(spread*spread)+float64((short-mid)*(short-mid))+float64(ev.c.ExtrapFloorK*ev.c.ExtrapFloorK))
	return mid, u, tau, fmt.Sprintf("one exponential with the known time constant %.0f s over the last %.0f %% of the load", tau, 100*ev.c.TailTauShare), true
}
