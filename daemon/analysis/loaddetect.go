package analysis

import (
	"math"
	"slices"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
)

// loadState is where the detector stands.
type loadState int

const (
	loadIdle loadState = iota
	loadOn
	loadEnded
)

// detector finds the start and the end of the load in the power of each second.
// Hysteresis with dwell on a short median; both edges are dated back to the first
// raw value beyond the threshold. Memory is bounded by its windows.
type detector struct {
	c       constants.Set
	state   loadState
	samples int
	last    int64 // second of the newest value
	win     []reading
	idle    []reading // quiet values before the load
	level   []float64 // ring of loaded values
	levelAt int
	scratch []float64

	idleW, sigmaW float64
	loadW         float64 // 90 % level of the loaded values
	levelAge      int
	pause         int64 // longest pause of the load that was bridged, s
	pending       bool
	since, raw    int64 // of the pending edge
	partly        int64 // second at which power came back in part; zero: it did not
	hadIdle       bool

	rebase               bool // watching for a further rise
	rebaseSince, baseRaw int64
}

func newDetector(c constants.Set) detector {
	return detector{c: c, idleW: series.Absent(), loadW: series.Absent()}
}

// edge is what a value brought about.
type edge int

const (
	noEdge edge = iota
	startEdge
	movedEdge // the load began later than thought: what came before was power-on
	endEdge
)

// push takes the power of a second and returns an edge and the second it is dated
// back to.
func (d *detector) push(second int64, w float64) (edge, int64) {
	d.samples++
	d.last = second
	if n := int(d.c.MedianSamples); len(d.win) >= n {
		d.win = d.win[:copy(d.win, d.win[len(d.win)-n+1:])]
	}
	d.win = append(d.win, reading{second, w})
	d.scratch = d.scratch[:0]
	for _, r := range d.win {
		d.scratch = append(d.scratch, r.v)
	}
	med := series.MedianInPlace(d.scratch)
	switch d.state {
	case loadIdle:
		return d.pushIdle(second, w, med)
	case loadOn:
		return d.pushOn(second, w, med)
	}
	return noEdge, 0
}

func (d *detector) startThreshold() float64 {
	return d.idleW + max(d.c.StartRiseW, d.c.StartRiseShare*d.idleW, d.c.StartSigma*d.sigmaW)
}

func (d *detector) pushIdle(second int64, w, med float64) (edge, int64) {
	if d.hadIdle && med > d.startThreshold() {
		if !d.pending {
			d.pending, d.since, d.raw = true, second, d.crossing(d.startThreshold(), true)
		}
		if float64(second-d.since) >= d.c.StartDwellS {
			raw := d.raw
			d.begin(raw)
			return startEdge, raw
		}
		return noEdge, 0
	}
	d.pending = false
	if !d.hadIdle || w <= d.startThreshold() {
		d.idle = append(d.idle, reading{second, w})
		d.measureIdle(second)
	}
	return noEdge, 0
}

func (d *detector) measureIdle(second int64) {
	from := 0
	for float64(second-d.idle[from].second) > d.c.IdleWindowS {
		from++
	}
	d.idle = d.idle[:copy(d.idle, d.idle[from:])]
	d.scratch = d.scratch[:0]
	for _, r := range d.idle {
		d.scratch = append(d.scratch, r.v)
	}
	slices.Sort(d.scratch)
	d.idleW, d.sigmaW = series.Quantile(d.scratch, 0.5), series.RobustSD(d.scratch)
	d.hadIdle = len(d.idle) >= 3 || d.hadIdle
}

// begin turns to loadOn from the second given; also used when a mark says so.
func (d *detector) begin(int64) {
	d.state, d.pending, d.rebase, d.pause = loadOn, false, false, 0
	d.level, d.levelAt, d.levelAge, d.loadW = d.level[:0], 0, 0, series.Absent()
}

// crossing is the second of the first value beyond the threshold in the newest
// unbroken row of such values of the window.
func (d *detector) crossing(threshold float64, above bool) int64 {
	i := len(d.win) - 1
	beyond := func(v float64) bool { return (v > threshold) == above }
	for i > 0 && !beyond(d.win[i].v) {
		i--
	}
	for i > 0 && beyond(d.win[i-1].v) {
		i--
	}
	return d.win[i].second
}

// pushLevel keeps the loaded values and measures their 90 % level now and then.
func (d *detector) pushLevel(w float64) {
	n := int(d.c.LevelWindowS)
	if len(d.level) < n {
		d.level = append(d.level, w)
	} else {
		d.level[d.levelAt%n] = w
	}
	d.levelAt++
	d.levelAge++
	if d.levelAge >= 30 || d.levelAt <= 10 || !series.Known(d.loadW) {
		d.scratch = append(d.scratch[:0], d.level...)
		slices.Sort(d.scratch)
		d.loadW, d.levelAge = series.Quantile(d.scratch, 0.9), 0
	}
}

func (d *detector) pushOn(second int64, w, med float64) (edge, int64) {
	idle := d.idleW
	if !series.Known(idle) {
		idle = 0
	}
	known := series.Known(d.loadW) && d.loadW-idle >= max(d.c.StartRiseW, d.c.StartRiseShare*idle)
	threshold := idle + float64(d.c.EndShare*(d.loadW-idle))
	if !known || w >= threshold {
		if d.watchRebase(second, w, med) {
			return movedEdge, d.baseRaw
		}
		if !d.rebase {
			d.pushLevel(w)
		}
	}
	if !known || med >= threshold {
		if d.pending && known && !d.cameBack(second, med, idle) {
			return noEdge, 0
		}
		d.pending, d.partly = false, 0
		return noEdge, 0
	}
	d.partly = 0
	if !d.pending {
		d.pending, d.since, d.raw = true, second, d.crossing(threshold, false)
	}
	if float64(second-d.raw) >= d.c.EndDwellS {
		d.state, d.pending = loadEnded, false
		return endEdge, d.raw
	}
	return noEdge, 0
}

// cameBack tells whether power that fell is the load again. A unit that starts up draws
// half the load's power for a while, and that is no load: less than most of the step
// must stay.
func (d *detector) cameBack(second int64, med, idle float64) bool {
	back := second
	if med < idle+float64(d.c.ReboundShare*(d.loadW-idle)) {
		if d.partly == 0 {
			d.partly = second
		}
		if float64(second-d.partly) < d.c.ReboundS {
			return false
		}
		back = d.partly
	}
	d.pause = max(d.pause, back-d.raw)
	return true
}

// watchRebase tells whether what was taken for the load's start was the unit being
// switched on: idle was off, and now power rises a good deal further.
func (d *detector) watchRebase(second int64, w, med float64) bool {
	if !series.Known(d.idleW) || !series.Known(d.loadW) || d.idleW > max(d.c.OffW, d.c.OffShare*d.loadW) || d.levelAt < 20 {
		return false
	}
	base := d.loadW
	threshold := base + max(d.c.StartRiseW, d.c.RebaseShare*(base-d.idleW))
	if med <= threshold {
		d.rebase = w > threshold
		d.rebaseSince = 0
		return false
	}
	if d.rebaseSince == 0 {
		d.rebase, d.rebaseSince, d.baseRaw = true, second, d.crossing(threshold, true)
	}
	if float64(second-d.rebaseSince) < d.c.StartDwellS {
		return false
	}
	sorted := append([]float64(nil), d.level...)
	slices.Sort(sorted)
	d.idleW, d.sigmaW = series.Quantile(sorted, 0.5), series.RobustSD(sorted)
	d.begin(d.baseRaw)
	d.rebaseSince = 0
	return true
}

// settled is the first second of which it is not yet known whether it is on load.
func (d *detector) settled() int64 {
	switch {
	case d.state == loadEnded || len(d.win) == 0:
		return math.MaxInt64
	case d.pending:
		return d.raw
	case d.rebase && d.rebaseSince != 0:
		return d.baseRaw
	}
	return d.win[0].second
}
