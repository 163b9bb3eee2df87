package analysis

import (
	"math"

	"soakrig/daemon/analysis/internal/series"
)

// overrun watches power after the end of a load: a load script that does not stop by
// itself must not keep the run open, nor stretch what is judged, and a load that comes
// again is told.
type overrun struct {
	on    bool
	plan  bool    // the load was ended by its plan, not by power
	again int64   // first second of a load that came again, for at least the start dwell
	rose  int64   // since when power is up again
	up    bool    //
	watts float64 // power above it is still load
	from  int64   // the planned end
	until int64   // one past the newest second on load; from: it ended in time
	last  int64   // newest second with power
	win   []float64
	med   []float64
}

// never stands for a second that did not come.
const never = math.MinInt64

// watchOverrun begins to watch. The threshold is the detector's.
func (e *engine) watchOverrun(d *detector, by string) {
	idle := d.idleW
	if !series.Known(idle) {
		idle = 0
	}
	if !series.Known(d.loadW) || d.loadW-idle < max(e.c.StartRiseW, e.c.StartRiseShare*idle) {
		return
	}
	e.over = overrun{on: true, watts: idle + float64(e.c.EndShare*(d.loadW-idle)), plan: by == "plan" || by == "phase", from: e.span.end, until: e.span.end, last: never, again: never}
}

// push takes the power of a second after the planned end.
func (o *overrun) push(second int64, w float64, samples int, startDwellS, endDwellS float64) {
	if !o.on || second < o.from {
		return
	}
	if len(o.win) >= samples {
		o.win = o.win[:copy(o.win, o.win[len(o.win)-samples+1:])]
	}
	o.win = append(o.win, w)
	o.med = append(o.med[:0], o.win...)
	high := w >= o.watts && series.MedianInPlace(o.med) >= o.watts
	fell := !o.plan || float64(second-o.until) >= endDwellS
	switch {
	case high && fell && !o.up:
		o.up, o.rose = true, second
	case high && o.up && o.again == never && float64(second-o.rose) >= startDwellS:
		o.again = o.rose
	case !high && o.again == never:
		o.up = false
	}
	if high && !o.up {
		o.until = second + 1
	}
	o.last = second
}

// lengthS is how long the load went on after its planned end.
func (o *overrun) lengthS() float64 {
	if !o.on || !o.plan {
		return 0
	}
	return float64(o.until - o.from)
}

// still tells whether the load is on, as far as a pause of dwellS allows.
func (o *overrun) still(dwellS float64) bool {
	return o.on && o.plan && o.until > o.from && float64(o.last-o.until) < dwellS
}

// dropped is the second at which power really fell after a load that its plan ended;
// false where it was not seen to.
func (o *overrun) dropped(dwellS float64) (int64, bool) {
	return o.until, o.on && o.plan && o.last > o.until && !o.still(dwellS)
}

// endAsPlanned ends the load when its planned time is over. A fall of power that is
// not yet certain is waited for: it tells a load that was lost shortly before.
func (e *engine) endAsPlanned(second int64) {
	length := e.plannedLoadS()
	if !e.span.begun() || e.span.ended || length <= 0 {
		return
	}
	at := e.span.start + int64(length)
	if second+1 < at {
		return
	}
	d := e.loadDetector()
	if !d.pending || d.state != loadOn {
		e.endLoad("plan", at)
	} else if e.powerSilent(d, second) {
		e.endLoad("power", d.raw)
	}
}

// powerSilent tells that no power channel shows the load, or that it fell silent.
func (e *engine) powerSilent(d *detector, second int64) bool {
	return e.silentPower(e.span.start, second) || second-d.last >= 300
}

// planEnds is where a load ends whose phase is over: at the fall of power that is
// under way, where one is.
func (e *engine) planEnds(at int64) (by string, end int64) {
	if d := e.loadDetector(); d.pending && d.state == loadOn && d.raw < at {
		return "power", d.raw
	}
	return "phase", at
}
