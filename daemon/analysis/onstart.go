package analysis

import (
	"fmt"
	"math"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// onAtStart is the source of a load that was on when the run began: power shows no
// rise, and the probes show that the board is not idle.
const onAtStart = "on_at_start"

// warmth follows the probes until a load is seen. Memory is bounded by the first
// minute and the hold time.
type warmth struct {
	first  [][]float64 // per probe: the rise over the room in the first minute
	early  []float64   // its median; absent until the minute is over
	levels []hold      // of the temperature
	rises  []float64   // newest level above the room, or above zero without a room
	newest []float64   // newest level, degC
	room   bool        // rises are above a room
	text   string      // what was seen when the load was taken as on
}

// onAtStartFinding says that the load was on when the run began, and what follows.
func (e *engine) onAtStartFinding() record.Finding {
	return record.Finding{Code: "load_on_at_start", Severity: "warning", Channel: e.in.Channels[e.roles.power].Name, FromS: series.OrNil(float64(e.span.start)),
		Seen: e.warm.text, Consistent: "consistent with a load that was on before the run began; its start is taken as the run's"}
}

const onAtStartReason = "the load was on already when the run began: how long before is not known, and the warm-up from cold was not seen"

// firstS is the first second that was observed.
func (e *engine) firstS() int64 { return int64(math.Floor(e.grid.first)) }

// loadDetector is the detector that watches for the end of the load.
func (e *engine) loadDetector() *detector {
	if e.span.source == onAtStart {
		return &e.early
	}
	return &e.det
}

// beginEarly opens what watches for a load that is on already.
func (e *engine) beginEarly() {
	n := len(e.roles.probes)
	e.early.begin(e.firstS())
	e.early.idleW = 0
	e.warm = warmth{first: make([][]float64, n), early: make([]float64, n), levels: make([]hold, n), rises: make([]float64, n), newest: make([]float64, n)}
	for i := range n {
		e.warm.early[i], e.warm.rises[i], e.warm.newest[i] = series.Absent(), series.Absent(), series.Absent()
		e.warm.levels[i] = newHold(e.c.PeakHoldS, e.c.PeakGood)
	}
}

// watchWarmth looks whether the load is on though no rise of power was seen. It needs
// a few minutes, so that a board that cools from an earlier run is told apart.
func (e *engine) watchWarmth(r *row) {
	if e.span.begun() || e.roles.power < 0 || r.second < e.firstS() {
		return
	}
	e.warm.room = series.Known(r.ambient)
	for i, p := range e.roles.probes {
		c := &r.cells[p]
		if !series.Known(c.v) {
			continue
		}
		room := 0.0
		if e.warm.room {
			room = r.ambient
		}
		if r.second < e.firstS()+60 {
			e.warm.first[i] = append(e.warm.first[i], c.v-room)
		} else if !series.Known(e.warm.early[i]) {
			e.warm.early[i] = series.MedianInPlace(e.warm.first[i])
		}
		if level, ok := e.warm.levels[i].push(r.second, c.v, int64(c.stride)); ok {
			e.warm.rises[i], e.warm.newest[i] = level-room, level
		}
	}
	if e.onLoadAlready(r.second) {
		e.startOnLoad()
	}
}

// onLoadAlready weighs what the probes show: half of them far above the room without
// cooling, or much warmer than in the first minute.
func (e *engine) onLoadAlready(second int64) bool {
	d := &e.early
	if float64(second-e.firstS()) < e.c.OnAtStartS || d.state != loadOn || d.pending || e.det.pending || !(d.loadW > e.c.OffW) || second-d.last > 60 {
		return false
	}
	warm := 0
	for i := range e.warm.rises {
		now, early := e.warm.rises[i], e.warm.early[i]
		hot := e.warm.room && now > 2*e.c.FirstRowRiseK && now >= early-1
		if hot || now-early > e.c.FirstRowRiseK {
			warm++
		}
	}
	return warm > 0 && 2*warm >= len(e.warm.rises)
}

// startOnLoad takes the run's first second as the load's start.
func (e *engine) startOnLoad() {
	at := e.firstS()
	e.committed = at
	e.span = loadSpan{source: onAtStart, start: at}
	hot := 0
	for i, v := range e.warm.newest {
		if series.Known(v) && !(v <= e.warm.newest[hot]) {
			hot = i
		}
	}
	e.warm.text = fmt.Sprintf("power was near %.0f W from the first second on, without a rise, and %s was at %.1f degC", e.early.loadW, e.in.Channels[e.roles.probes[hot]].Name, e.warm.newest[hot])
	if e.warm.room {
		e.warm.text += fmt.Sprintf(", %.0f K above the room", e.warm.rises[hot])
	}
	e.emit(record.RunEvent{Event: "load_start", Phase: e.phaseNow(), AtS: float64(at),
		Text: fmt.Sprintf("the load was on already when the run began; its start is taken as %s", wording.Clock(at))})
	if e.moved != nil {
		e.moved(e.span)
	}
}

// risesAnew tells whether a rise of power after a load that was taken as on from the
// start is the real start: power at least doubles. A smaller one is a phase of the load.
func (e *engine) risesAnew(w float64) bool {
	if e.span.source != onAtStart || w >= 2*e.det.idleW {
		return true
	}
	e.det.state, e.det.pending = loadIdle, false
	return false
}
