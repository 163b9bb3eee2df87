package analysis

import (
	"fmt"
	"math"
	"strings"
	"time"

	"soakrig/daemon/record"
)

// phaseNow is the phase as a word.
func (e *engine) phaseNow() record.Phase {
	switch {
	case e.complete || e.stopped:
		return record.PhaseEnded
	case e.phase < 0:
		return record.PhaseWaiting
	}
	return e.in.Start.Plan.Phases[e.phase].Phase
}

// Begin tells that the named phase begins now by a call from outside.
func (e *engine) Begin(atS float64, phase record.Phase) {
	if e.stopped || !e.advance(atS) {
		return
	}
	e.called[phase] = int64(math.Floor(atS))
	e.advancePhase(int64(math.Floor(atS)))
}

// advancePhase enters every phase that is due at a second.
func (e *engine) advancePhase(second int64) {
	plan := e.in.Start.Plan.Phases
	e.endAsPlanned(second)
	for !e.complete {
		next := e.phase + 1
		if next == len(plan) {
			if l := plan[e.phase].LengthS; l > 0 && float64(second+1-e.began) >= l {
				e.finishPhases(e.began + int64(l))
			}
			return
		}
		at, how, due := e.due(plan[next], second)
		if !due {
			return
		}
		e.enter(next, max(at, e.began), how)
	}
}

// due tells whether a phase begins, when and how.
func (e *engine) due(p record.PhasePlan, second int64) (at int64, how string, ok bool) {
	switch p.Begins {
	case beginsNow:
		return e.firstSecond(), "now", true
	case beginsLoad:
		if e.span.begun() {
			return e.span.start, e.span.source, true
		}
		return e.plannedLoad(second)
	case beginsLoadEnd:
		if e.span.ended {
			how = map[string]string{"power": "detected", "mark": "marked"}[e.span.endedBy]
			if how == "" {
				how = "planned"
			}
			return e.span.end, how, true
		}
	case beginsAfter:
		at = e.began + int64(e.in.Start.Plan.Phases[e.phase].LengthS)
		return at, "planned", second >= at
	case beginsMark:
		at, ok = e.markedAt[strings.ToLower(strings.TrimSpace(p.At))]
		return at, "marked", ok
	case beginsTime:
		t, err := time.Parse(time.RFC3339, p.At)
		if err != nil || e.in.Started.IsZero() {
			return 0, "", false
		}
		at = int64(t.Sub(e.in.Started) / time.Second)
		return at, "planned", second >= at
	case beginsCall:
		at, ok = e.called[p.Phase]
		return at, "called", ok
	}
	return 0, "", false
}

func (e *engine) firstSecond() int64 {
	if e.grid.first >= 0 && e.grid.first < 3600 {
		return 0
	}
	return int64(math.Floor(e.grid.first))
}

// silentPower tells that the power channel cannot show the load.
func (e *engine) silentPower(since, second int64) bool {
	return e.roles.power < 0 || (e.det.samples == 0 && second-since >= 60)
}

// plannedLoad begins the load by the plan where no power channel can show it.
func (e *engine) plannedLoad(second int64) (int64, string, bool) {
	at := e.firstSecond()
	if e.phase >= 0 {
		at = e.began + int64(e.in.Start.Plan.Phases[e.phase].LengthS)
	} else if e.grid.begun {
		at = int64(math.Floor(e.grid.first))
	}
	if second < at || !e.silentPower(at, second) {
		return 0, "", false
	}
	e.det.begin(at)
	e.startLoad("planned", at)
	return at, "planned", true
}

// plannedLoadS is the planned length of the load; zero: none.
func (e *engine) plannedLoadS() float64 {
	for _, p := range e.in.Start.Plan.Phases {
		if p.Phase == record.PhaseLoad {
			return p.LengthS
		}
	}
	return 0
}

// enter begins a phase of the plan.
func (e *engine) enter(i int, at int64, how string) {
	if n := len(e.phases); n > 0 {
		e.phases[n-1].EndS = float64(at)
	} else if f := e.firstSecond(); at > f {
		e.phases = append(e.phases, record.PhaseResult{Phase: record.PhaseWaiting, StartS: float64(f), EndS: float64(at), Began: "now"})
	}
	leaving := e.phase >= 0 && e.in.Start.Plan.Phases[e.phase].Phase == record.PhaseLoad
	e.phase, e.began = i, at
	p := e.in.Start.Plan.Phases[i].Phase
	e.phases = append(e.phases, record.PhaseResult{Phase: p, StartS: float64(at), EndS: float64(at), Began: how})
	e.emit(record.RunEvent{Event: "phase", Phase: p, AtS: float64(at), Text: fmt.Sprintf("%s begins (%s)", p, how)})
	if p == record.PhaseLoad && !e.span.begun() && e.silentPower(at, max(at+60, e.grid.next)) {
		source := "planned"
		if how == "marked" {
			source = how
		}
		e.det.begin(at)
		e.startLoad(source, at)
	}
	if leaving {
		by, end := e.planEnds(at)
		e.endLoad(by, end)
	}
}

// finishPhases ends the plan.
func (e *engine) finishPhases(at int64) {
	if e.complete {
		return
	}
	e.complete = true
	if n := len(e.phases); n > 0 {
		e.phases[n-1].EndS = max(float64(at), e.phases[n-1].StartS)
	}
	if e.phase >= 0 && e.in.Start.Plan.Phases[e.phase].Phase == record.PhaseLoad {
		by, end := e.planEnds(at)
		e.endLoad(by, end)
	}
	e.emit(record.RunEvent{Event: "phase", Phase: record.PhaseEnded, AtS: float64(at), Text: "the plan is complete"})
}
