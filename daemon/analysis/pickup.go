package analysis

import (
	"fmt"
	"math"

	"soakrig/daemon/analysis/internal/series"
)

// judgePickup looks for a jump at both edges of the load that heat can't make.
func (ev *evaluation) judgePickup(i int) {
	fell, ok := ev.fellAt()
	if ev.span.source != "detected" || !ev.span.ended || !ok {
		return
	}
	up, upOK := ev.edgeJump(i, ev.from)
	down, downOK := ev.edgeJump(i, fell)
	if !upOK || !downOK || up*down >= 0 {
		return
	}
	ev.probes[i].health = healthPickup
	ev.findProbe(i, "pickup", "warning", float64(ev.from),
		fmt.Sprintf("jumped by %+.1f K when the load began and by %+.1f K when it ended, faster than heat can", up, down),
		"consistent with interference from the load on the probe's wires")
}

// edgeLook is what a probe shows around a load edge.
type edgeLook struct{ before, m1, d1, d2 float64 }

func (ev *evaluation) look(i int, edge int64) edgeLook {
	p := ev.roles.probes[i]
	at := func(from, to int64) float64 { return series.Median(ev.r.series(p, edge+from, edge+to)) }
	l := edgeLook{before: at(-6, -1), m1: at(1, 4)} // m1 is centred on 2.5 s after the edge
	m2, m3 := at(4, 7), at(7, 10)
	l.d1, l.d2 = m2-l.m1, m3-m2
	return l
}

// edgeJump is the jump of a probe at a load edge beyond the heat that came until the
// first look. That heat is taken from how far the other probes had come by then,
// compared with how they went on, which takes out an error of the edge's time; with
// too few others it is taken from the probe's own course. Noise counts threefold.
func (ev *evaluation) edgeJump(i int, edge int64) (float64, bool) {
	p := ev.roles.probes[i]
	l := ev.look(i, edge)
	if !series.Known(l.before) || !series.Known(l.d1) || !series.Known(l.d2) {
		return 0, false
	}
	decay := 1.0 // of the slope in three seconds
	if l.d1*l.d2 > 0 {
		decay = min(max(l.d2/l.d1, 0.5), 0.999)
	} else if math.Abs(l.d1) > 0.3 {
		decay = 0.5
	}
	heat := l.d1 * (math.Pow(decay, -2.5/3) - 1) / (1 - decay)
	if decay == 1 {
		heat = l.d1 * 2.5 / 3
	}
	ratio, n := ev.others(i, func(j int) float64 {
		o := ev.look(j, edge)
		if !series.Known(o.before) || !series.Known(o.d1) || math.Abs(o.d1) < 0.3 {
			return series.Absent()
		}
		return (o.m1 - o.before) / o.d1
	})
	if n >= 3 {
		heat = ratio * l.d1
	}
	first := math.Abs(l.d1) / 3 / decay // K/s at the edge
	jump := l.m1 - l.before - heat
	noise := series.Noise(ev.r.series(p, edge-60, edge))
	return jump, math.Abs(jump) > ev.c.PickupK+float64(ev.c.PickupSlopeS*first)+float64(3*noise)
}
