package limiting

import (
	"fmt"
	"math"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// blocks are means of power and medians of the hot spot over stretches of the load,
// dips left out.
type blocks struct {
	at   []int // middle, seconds since the load's start
	w    []float64
	hot  []float64
	rise []float64
}

// blocks cuts the load into blocks: of the usual length, or of one cycle each where
// power follows a regular pattern.
func (g *judgement) blocks(p *powerTrace, hot hotTrace, cycles bool) blocks {
	var b blocks
	n := int(g.c.BlockS)
	edges := []int{}
	if cycles {
		for _, d := range p.dips {
			edges = append(edges, d.from)
		}
	} else {
		for i := p.skip; i <= len(p.raw); i += n {
			edges = append(edges, i)
		}
	}
	w, c, r := make([]float64, 0, n), make([]float64, 0, n), make([]float64, 0, n)
	for k := 1; k < len(edges); k++ {
		from, to := edges[k-1], edges[k]
		if cycles && to-from > 4*n+300 {
			continue
		}
		w, c, r = w[:0], c[:0], r[:0]
		for i := from; i < to; i++ {
			if series.Known(p.raw[i]) && (p.inDip == nil || !p.inDip[i]) {
				w = append(w, p.raw[i])
			}
			if hot.there && series.Known(hot.c[i]) {
				c, r = append(c, hot.c[i]), append(r, hot.rise[i])
			}
		}
		if len(w) == 0 || hot.there && len(c) == 0 {
			continue
		}
		b.at = append(b.at, (from+to)/2)
		b.w = append(b.w, series.Mean(w))
		b.hot, b.rise = append(b.hot, series.MedianInPlace(c)), append(b.rise, series.MedianInPlace(r))
	}
	return b
}

// flatTop looks for a stretch in which the hot spot stands still while power falls
// that should have cooled it.
func (g *judgement) flatTop(p *powerTrace, hot hotTrace) bool {
	if !hot.there {
		return false
	}
	r := p.rhythm()
	cycles := len(p.dips) >= 6 && r.regularity <= g.c.PatternRegular && r.interval >= 10
	b := g.blocks(p, hot, cycles)
	best, found := stretch{}, false
	var room flatRoom
	for i := range b.at {
		for j := i + 8; j < len(b.at); j++ {
			length := float64(b.at[j] - b.at[i])
			if length < g.c.FlatSpanS {
				continue
			}
			if length > g.c.FlatSpanMaxS {
				break
			}
			if (j-i)%4 != 0 {
				continue
			}
			s, ok := g.flatStretch(b, i, j+1, p.step, &room)
			if ok && (!found || s.fall > best.fall) {
				best, found = s, true
			}
		}
	}
	if !found {
		return false
	}
	g.find(record.Finding{Code: "thermal_limiting", Severity: "warning", Channel: g.in.Hot.Channel,
		FromS: series.OrNil(float64(g.in.Start + int64(best.from))), ToS: series.OrNil(float64(g.in.Start + int64(best.to))),
		Seen: fmt.Sprintf("the hot spot held at %.1f +- %.1f degC from %s to %s while power fell by %.1f %% of the load step, which should have cooled it by %.1f K",
			best.level, best.half, g.in.When(g.in.Start+int64(best.from)), g.in.When(g.in.Start+int64(best.to)), 100*best.fall/p.step, best.expected),
		Consistent: thermalText})
	return true
}

type stretch struct {
	from, to              int
	fall, expected        float64
	level, half, realised float64
}

// flatRoom is the room that judging many stretches works in.
type flatRoom struct{ x, pairs, sorted []float64 }

// median is the median of values that are all there.
func (m *flatRoom) median(v []float64) float64 {
	m.sorted = append(m.sorted[:0], v...)
	return series.MedianInPlace(m.sorted)
}

// times are the seconds of a stretch; pairs has room for its slopes.
func (m *flatRoom) times(at []int) []float64 {
	m.x = m.x[:0]
	for _, s := range at {
		m.x = append(m.x, float64(s))
	}
	if n := len(at) * len(at) / 2; cap(m.pairs) < n {
		m.pairs = make([]float64, 0, n)
	}
	return m.x
}

// flatStretch judges one stretch. Cheap tests come first.
func (g *judgement) flatStretch(b blocks, i, j int, step float64, room *flatRoom) (stretch, bool) {
	n := j - i
	quick := room.median(b.w[i:i+n/4+1]) - room.median(b.w[j-n/4-1:j])
	if quick < 0.5*g.c.FlatFall*step {
		return stretch{}, false
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range b.hot[i:j] {
		low, high = min(low, v), max(high, v)
	}
	if high-low > g.c.FlatHotK {
		return stretch{}, false
	}
	x := room.times(b.at[i:j])
	length := x[n-1] - x[0]
	fall := -series.TheilSen(x, b.w[i:j], room.pairs) * length
	se := series.SlopeError(x, b.w[i:j]) * length
	if fall < g.c.FlatFall*step || !(fall >= g.c.FlatSE*se) || series.Kendall(b.w[i:j]) > g.c.FlatKendall {
		return stretch{}, false
	}
	for k := i + 1; k < j; k++ {
		if b.w[k-1]-b.w[k] > fall/2 {
			return stretch{}, false
		}
	}
	s := stretch{from: b.at[i], to: b.at[j-1], fall: fall, expected: room.median(b.rise[i:j]) * fall / step,
		realised: -series.TheilSen(x, b.hot[i:j], room.pairs) * length, half: (high - low) / 2, level: (high + low) / 2}
	if s.expected < g.c.FlatCoolK || s.realised >= g.c.FlatRealised*s.expected {
		return stretch{}, false
	}
	return s, true
}
