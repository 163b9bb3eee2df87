package analysis

import (
	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
)

// coverage counts the seconds of a channel that have values.
type coverage struct {
	total, good float64
	gap         int64 // seconds without a value so far
	longest     int64
	bad         bool // readings came in the hole, but without values
	lastGood    int64
	seen        bool
}

// push adds a second.
func (k *coverage) push(second int64, c *cell, periods float64) {
	k.total++
	if c.good == 0 {
		k.gap++
		k.bad = k.bad || c.bad > 0
		return
	}
	if k.gap > 0 {
		if !k.bad && float64(k.gap) < max(periods*float64(c.stride), 2) {
			k.good += float64(k.gap)
		} else {
			k.longest = max(k.longest, k.gap)
		}
	}
	k.gap, k.bad = 0, false
	k.good += float64(c.good) / float64(c.good+c.bad)
	k.lastGood, k.seen = second, true
}

// share is the share of good seconds; the hole that is still open counts as one.
func (k *coverage) share() float64 {
	if k.total == 0 {
		return 0
	}
	return k.good / k.total
}

func (k *coverage) longestGap(stride uint16) int64 {
	if k.gap > int64(stride) {
		return max(k.longest, k.gap)
	}
	return k.longest
}

// onLoad is what accumulates over the seconds on load, in order. It holds what the
// live state and the result must agree on; memory is bounded by window lengths
// unless history is kept.
type onLoad struct {
	c       constants.Set
	roles   roles
	start   int64
	seconds int64
	rise    bool // the room was known when the load began

	held    []hold // per probe
	rawMax  []float64
	settles []settle
	cover   []coverage // per channel
	energy  energy
}

func newOnLoad(c constants.Set, r roles, channels []Channel, start int64, keep bool) *onLoad {
	a := &onLoad{c: c, roles: r, start: start, held: make([]hold, len(r.probes)),
		rawMax: make([]float64, len(r.probes)), settles: make([]settle, len(r.probes)),
		cover: make([]coverage, len(channels)), energy: energy{gapPeriods: c.GapPeriods}}
	if r.energy >= 0 {
		a.energy.modulus, a.energy.countedHere = channels[r.energy].Modulus, channels[r.energy].CountedHere
	}
	for i := range r.probes {
		a.held[i] = newHold(c.PeakHoldS, c.PeakGood)
		a.settles[i] = newSettle(c, keep)
		a.rawMax[i] = series.Absent()
	}
	return a
}

// push adds the second that follows the ones so far.
func (a *onLoad) push(r *row) {
	since := r.second - a.start
	if since == 0 {
		a.rise = series.Known(r.ambient)
	}
	a.seconds = since + 1
	for i := range a.cover {
		a.cover[i].push(r.second, &r.cells[i], a.c.GapPeriods)
	}
	for i, p := range a.roles.probes {
		c := &r.cells[p]
		if !series.Known(c.v) {
			continue
		}
		a.held[i].push(r.second, c.v, int64(c.stride))
		if !(c.max <= a.rawMax[i]) {
			a.rawMax[i] = c.max
		}
		rise := c.v
		if a.rise && series.Known(r.ambient) {
			rise -= r.ambient
		}
		a.settles[i].push(since, rise)
	}
	for i := range a.settles {
		a.settles[i].upTo(a.seconds / 60)
	}
	if p := a.roles.power; p >= 0 && series.Known(r.cells[p].v) {
		a.energy.power(r.second, r.cells[p].mean, r.cells[p].stride)
	}
	if p := a.roles.energy; p >= 0 && series.Known(r.cells[p].v) {
		a.energy.counter(r.second, r.cells[p].v, r.cells[p].stride)
	}
}

// hottest is the probe with the highest held level among those that skip does not
// name; -1: none has one.
func (a *onLoad) hottest(skip func(probe int) bool) int {
	best := -1
	for i := range a.held {
		if a.held[i].found && !skip(i) && (best < 0 || a.held[i].best > a.held[best].best) {
			best = i
		}
	}
	return best
}

// unsettled is the probe that settles last: the one with the steepest newest slope,
// and the worst tier of all. -1: no probe has a slope yet.
func (a *onLoad) unsettled(skip func(probe int) bool) (probe int, tier string) {
	probe = -1
	steepest, rank := -1.0, -1
	for i := range a.settles {
		now, before := a.settles[i].slope()
		t := tierOf(a.c, now, before)
		if t == "" || skip(i) {
			continue
		}
		if now < 0 {
			now = -now
		}
		r := map[string]int{tierSteady: 0, tierSettled: 1, tierRising: 2}[t]
		if r > rank || (r == rank && now > steepest) {
			probe, tier, steepest, rank = i, t, now, r
		}
	}
	return probe, tier
}
