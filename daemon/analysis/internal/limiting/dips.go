package limiting

import (
	"slices"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// dip is one short loss of power; seconds count from the load's start.
type dip struct {
	from, to int // to is one past
	depthW   float64
}

// powerTrace is power on load, ready for the search for limiting. Seconds count
// from the load's start.
type powerTrace struct {
	raw    []float64 // absent where not measured
	smooth []float64 // median of three seconds
	step   float64   // watts
	sigma  float64   // noise of the meter and the load, second to second
	skip   int       // seconds left out at the start: an early step
	dips   []dip
	inDip  []bool
}

func newPowerTrace(watts []float64, step float64) *powerTrace {
	return &powerTrace{raw: watts, step: step, smooth: series.SlidingMedian3(watts), sigma: series.Noise(watts)}
}

// findDips finds where power falls below its surroundings for a short while.
func (p *powerTrace) findDips(c constants.Set) {
	searched := slices.Clone(p.smooth)
	for i := range min(p.skip, len(searched)) {
		searched[i] = series.Absent() // else the level before an early step makes a dip of what follows it
	}
	env := series.Envelope(searched, int(c.DipWindowS))
	threshold := max(c.DipShare*p.step, c.DipSigma*p.sigma, c.DipW)
	p.inDip = make([]bool, len(p.raw))
	var all []dip
	in := false
	from, depth := 0, 0.0
	for i, v := range p.smooth {
		if !series.Known(v) || !series.Known(env[i]) || i < p.skip {
			continue
		}
		d := env[i] - v
		switch {
		case !in && d > threshold:
			in, from, depth = true, i, d
		case in && d < threshold/2:
			all = append(all, dip{from, i, depth})
			in = false
		case in:
			depth = max(depth, d)
		}
	}
	if in && len(p.smooth) > 0 {
		all = append(all, dip{from, len(p.smooth), depth})
	}
	for _, d := range all {
		if n := len(p.dips); n > 0 && float64(d.from-p.dips[n-1].to) < c.DipMergeS {
			p.dips[n-1].to, p.dips[n-1].depthW = d.to, max(p.dips[n-1].depthW, d.depthW)
			continue
		}
		p.dips = append(p.dips, d)
	}
	p.dips = slices.DeleteFunc(p.dips, func(d dip) bool {
		n := float64(d.to - d.from)
		return n < c.DipMinS || n > c.DipMaxS
	})
	for _, d := range p.dips {
		for i := max(d.from-1, 0); i < min(d.to+1, len(p.inDip)); i++ {
			p.inDip[i] = true
		}
	}
}

// rhythm is how dips follow each other.
type rhythm struct {
	interval, regularity, length float64 // medians in seconds; regularity absent below three dips
}

func (p *powerTrace) rhythm() rhythm {
	r := rhythm{series.Absent(), series.Absent(), series.Absent()}
	var intervals, lengths []float64
	for i, d := range p.dips {
		lengths = append(lengths, float64(d.to-d.from))
		if i > 0 {
			intervals = append(intervals, float64(d.from-p.dips[i-1].from))
		}
	}
	r.length = series.MedianInPlace(lengths)
	slices.Sort(intervals)
	r.interval = series.Quantile(intervals, 0.5)
	if len(intervals) >= 2 && r.interval > 0 {
		r.regularity = (series.Quantile(intervals, 0.75) - series.Quantile(intervals, 0.25)) / r.interval
	}
	return r
}

// describe words the dips for the result.
func (p *powerTrace) describe(onset []float64) *record.Dips {
	if len(p.dips) == 0 {
		return nil
	}
	r := p.rhythm()
	out := &record.Dips{Count: len(p.dips), MedianS: r.length, IntervalS: series.OrNil(r.interval), Regularity: series.OrNil(r.regularity),
		OnsetC: series.OrNil(series.Median(onset))}
	total := 0
	for _, d := range p.dips {
		out.MeanDepthW += d.depthW / float64(len(p.dips))
		total += d.to - d.from
	}
	out.Duty = float64(total) / float64(len(p.raw))
	return out
}
