package analysis

import (
	"fmt"
	"math"
	"strings"
	"time"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// loadSpan is when the load ran and how that is known.
type loadSpan struct {
	source  string // detected, marked, planned, on_at_start; empty: not begun
	start   int64
	end     int64  // one past the last second on load, once ended
	ended   bool   //
	endedBy string // power, mark, plan, phase, stop
}

func (l loadSpan) begun() bool { return l.source != "" }

// engine is what Tracker and Recording share: it seals seconds, finds the load,
// moves through the phases and collects what was said about the run. What it
// decides depends on the past only, so that live and replay agree.
type engine struct {
	in        Input
	c         constants.Set
	roles     roles
	grid      grid
	det       detector
	early     detector // watches a load that was on when the run began
	warm      warmth   // what the probes show before a load is seen
	over      overrun
	span      loadSpan
	committed int64 // seconds before this one count as on load for good
	marks     []record.MarkResult
	gaps      []record.GapResult
	notes     []record.Finding // said by Restart, ClockStep, ...

	ring    []row
	refine  bool // power may still show when a marked load really began
	lowpass float64
	lowAt   int64

	phases    []record.PhaseResult
	phase     int // index into the plan's phases; -1: waiting
	began     int64
	complete  bool
	stopped   bool
	stopAtS   float64
	stopText  string
	called    map[record.Phase]int64
	markedAt  map[string]int64
	excluded  map[string]string // channel -> reason
	truncated int               // marks and gaps beyond what is kept

	sealed func(r *row)                     // sees every sealed second, in order
	event  func(e record.RunEvent)          // sees every event
	moved  func(now loadSpan)               // sees every change of the span
	after  func(r *row, phase record.Phase) // sees every sealed second with the phase as known then
}

const keptNotes = 10000

func newEngine(in Input) (*engine, error) {
	if err := checkInput(in); err != nil {
		return nil, err
	}
	c := constants.Default()
	if err := c.Override(in.Start.Plan.Constants); err != nil {
		return nil, err
	}
	if b := in.Start.Plan.AmbientBandC; b != nil {
		c.AmbientLowC, c.AmbientHighC = b.Low, b.High
	}
	if r := in.Start.Plan.ReferenceAmbientC; r != nil {
		c.ReferenceC = *r
	}
	e := &engine{in: in, c: c, roles: findRoles(in.Channels), grid: newGrid(len(in.Channels), c.SealLagS),
		det: newDetector(c), early: newDetector(c), lowpass: series.Absent(), phase: -1,
		called: make(map[record.Phase]int64), markedAt: make(map[string]int64), excluded: make(map[string]string)}
	e.ring = make([]row, ringRows)
	for i := range e.ring {
		e.ring[i] = row{second: math.MinInt64, cells: make([]cell, len(in.Channels))}
	}
	return e, nil
}

// Observe takes one reading. Readings at impossible times, of channels that do not
// exist, or with values that are no numbers are counted and left out.
func (e *engine) Observe(o Observation) {
	if e.stopped {
		return
	}
	if o.Channel < 0 || o.Channel >= len(e.in.Channels) || !e.advance(o.AtS) {
		e.grid.refused++
		return
	}
	if o.Faults == 0 && (math.IsNaN(o.Value) || math.IsInf(o.Value, 0)) {
		e.grid.refused++
		o.Faults = record.Implausible
	}
	e.grid.take(o)
}

// advance moves time forward and seals what is due. false: the time is impossible.
func (e *engine) advance(atS float64) bool {
	g := &e.grid
	if math.IsNaN(atS) || math.IsInf(atS, 0) || math.Abs(atS) > 1e12 {
		return false
	}
	if !g.begun {
		g.begin(atS)
		e.beginEarly()
	}
	if atS > g.last {
		if atS-g.last > longestRunS {
			return false
		}
		g.last = atS
		for due := int64(math.Floor(atS)) - g.lag - 1; g.next <= due; {
			e.sealOne()
		}
	}
	return true
}

func (e *engine) slot(second int64) *row {
	return &e.ring[uint64(second-math.MinInt64)%ringRows]
}

// rowAt is a sealed second that is still in the ring; nil otherwise.
func (e *engine) rowAt(second int64) *row {
	if r := e.slot(second); r.second == second {
		return r
	}
	return nil
}

func (e *engine) sealOne() {
	r := e.slot(e.grid.next)
	r.second = e.grid.seal(r.cells)
	if a := e.roles.ambient; a >= 0 && series.Known(r.cells[a].v) {
		if !series.Known(e.lowpass) {
			e.lowpass = r.cells[a].v
		} else if e.c.AmbientLagS > 0 {
			dt := float64(r.second - e.lowAt)
			e.lowpass += float64((r.cells[a].v - e.lowpass) * (1 - math.Exp(-dt/e.c.AmbientLagS)))
		} else {
			e.lowpass = r.cells[a].v
		}
		e.lowAt = r.second
	}
	r.ambient = e.lowpass
	if e.sealed != nil {
		e.sealed(r)
	}
	if e.roles.power >= 0 && series.Known(r.cells[e.roles.power].v) {
		e.power(r.second, r.cells[e.roles.power].v)
	}
	e.watchWarmth(r)
	e.advancePhase(r.second)
	if e.span.begun() && !e.span.ended {
		e.committed = max(e.committed, e.settled())
	}
	if e.after != nil {
		e.after(r, e.phaseNow())
	}
}

// power feeds the detector and follows its edges.
func (e *engine) power(second int64, w float64) {
	if e.span.ended {
		e.over.push(second, w, int(e.c.MedianSamples), e.c.StartDwellS, e.c.EndDwellS)
		return
	}
	if e.span.source == "marked" && e.det.state == loadOn {
		e.powerMarked(second, w)
		return
	}
	if !e.span.begun() || e.span.source == onAtStart {
		what, at := e.early.push(second, w)
		if what == endEdge && e.span.begun() {
			e.endLoad("power", at)
			return
		}
	}
	switch what, at := e.det.push(second, w); what {
	case startEdge:
		if e.risesAnew(w) {
			e.startLoad("detected", at)
		}
	case movedEdge:
		e.startLoad("detected", at)
	case endEdge:
		e.endLoad("power", at)
	}
}

// powerMarked looks for the rise that belongs to a mark, up to 120 s after it, and
// else watches for the end. Power that was up before the mark says nothing of it.
func (e *engine) powerMarked(second int64, w float64) {
	d := &e.det
	if !d.hadIdle || second-e.span.start > 120 {
		e.refine = false
	}
	if e.refine {
		d.state = loadIdle
	}
	switch what, at := d.push(second, w); {
	case what == startEdge && at >= e.span.start && at-e.span.start <= 120:
		e.refine = false
		e.startLoad("detected", at)
	case what == startEdge:
		e.refine = false
	case what == endEdge:
		e.endLoad("power", at)
	}
	d.state = max(d.state, loadOn)
}

// startLoad dates the load's start back, at most as far as the ring reaches.
func (e *engine) startLoad(source string, at int64) {
	old := e.span
	at = max(at, e.grid.next-ringRows+1)
	e.committed = at
	e.span = loadSpan{source: source, start: at}
	text := fmt.Sprintf("load %s at %s", source, e.when(at))
	if old.begun() {
		text = fmt.Sprintf("load start moved from %s to %s", e.when(old.start), e.when(at))
		e.moveLoadPhase(at)
	}
	e.emit(record.RunEvent{Event: "load_start", Phase: e.phaseNow(), AtS: float64(at), Text: text})
	if e.moved != nil {
		e.moved(e.span)
	}
}

// moveLoadPhase dates the running load phase again after its start moved.
func (e *engine) moveLoadPhase(at int64) {
	n := len(e.phases)
	if n == 0 || e.phases[n-1].Phase != record.PhaseLoad || e.in.Start.Plan.Phases[e.phase].Begins != beginsLoad {
		return
	}
	if n > 1 && float64(at) < e.phases[n-2].StartS {
		return
	}
	e.phases[n-1].StartS, e.began = float64(at), at
	if n > 1 {
		e.phases[n-2].EndS = float64(at)
	}
}

// endLoad dates the load's end back, but not into seconds that already count.
func (e *engine) endLoad(by string, at int64) {
	if !e.span.begun() || e.span.ended {
		return
	}
	e.span.ended, e.span.endedBy, e.span.end = true, by, max(at, e.span.start, e.committed)
	e.watchOverrun(e.loadDetector(), by)
	e.det.state, e.det.pending = loadEnded, false
	e.early.state, e.early.pending = loadEnded, false
	e.emit(record.RunEvent{Event: "load_end", Phase: e.phaseNow(), AtS: float64(e.span.end),
		Text: fmt.Sprintf("load ended at %s, after %s", e.when(e.span.end), wording.Length(e.span.end-e.span.start))})
	if e.moved != nil {
		e.moved(e.span)
	}
}

// settled is the first second of which it is not yet known whether it is on load.
func (e *engine) settled() int64 {
	if e.span.ended {
		return e.grid.next
	}
	s := min(e.loadDetector().settled(), e.grid.next)
	return max(s, e.grid.next-ringRows+1)
}

// Mark adds what a person or script said. "load start" and "load end" tell the
// load; "exclude CHANNEL: reason" leaves a probe out; any text may begin a phase
// that the plan begins by it.
func (e *engine) Mark(atS float64, text, author string) {
	if e.stopped || !e.advance(atS) {
		return
	}
	if len(e.marks) < keptNotes {
		e.marks = append(e.marks, record.MarkResult{AtS: atS, Text: text, Author: author})
	} else {
		e.truncated++
	}
	second := int64(math.Floor(atS))
	word := strings.ToLower(strings.TrimSpace(text))
	e.markedAt[word] = second
	switch {
	case word == MarkLoadStart:
		e.markStart(second)
	case word == MarkLoadEnd:
		e.markEnd(second)
	case strings.HasPrefix(word, MarkExclude):
		e.exclude(strings.TrimSpace(text)[len(MarkExclude):])
	}
	e.advancePhase(second)
}

func (e *engine) exclude(rest string) {
	name, reason, _ := strings.Cut(rest, ":")
	name = strings.TrimSpace(name)
	for _, p := range e.roles.probes {
		if e.in.Channels[p].Name == name {
			e.excluded[name] = strings.TrimSpace(reason)
		}
	}
}

func (e *engine) markStart(second int64) {
	if e.span.ended || e.span.source == "marked" {
		return
	}
	if e.span.source == "detected" && second-e.span.start <= 120 {
		return
	}
	raw, pending := e.det.raw, e.det.pending && e.det.state == loadIdle
	e.det.begin(second)
	if pending && second-raw <= 120 {
		e.startLoad("detected", raw)
		return
	}
	e.refine = true
	e.startLoad("marked", second)
}

func (e *engine) markEnd(second int64) {
	if d := e.loadDetector(); d.pending && d.state == loadOn && second-d.raw <= 120 {
		second = d.raw
	}
	e.endLoad("mark", max(second, e.settled()))
}

// Gap adds a hole that the record itself tells of.
func (e *engine) Gap(g record.GapResult) {
	if len(e.gaps) < keptNotes {
		e.gaps = append(e.gaps, g)
	} else {
		e.truncated++
	}
}

// Restart tells that recording stopped outageS before atS and went on. With
// durationKnown false the length was taken from a clock that was not synchronised.
func (e *engine) Restart(atS, outageS float64, durationKnown bool) {
	if e.stopped || !e.advance(atS) {
		return
	}
	text := fmt.Sprintf("recording was interrupted for %s", wording.Length(int64(outageS)))
	if !durationKnown {
		text += "; the length comes from a clock that was not synchronised"
	}
	e.Gap(record.GapResult{FromS: atS - outageS, ToS: atS, DurationS: outageS, Cause: "restart", Text: text})
	e.note(record.Finding{Code: "restart", Severity: "warning", FromS: series.OrNil(atS - outageS), ToS: series.OrNil(atS), Seen: text})
}

// ClockStep tells that wall time jumped by stepS. Run time is not affected.
func (e *engine) ClockStep(atS, stepS float64, synced bool) {
	seen := fmt.Sprintf("the board's clock was set by %+.1f s", stepS)
	if !synced {
		seen += " and is not synchronised"
	}
	e.note(record.Finding{Code: "clock_step", Severity: "note", FromS: series.OrNil(atS), Seen: seen})
}

func (e *engine) note(f record.Finding) {
	if len(e.notes) < keptNotes {
		e.notes = append(e.notes, f)
	} else {
		e.truncated++
	}
}

// Stop ends the run.
func (e *engine) Stop(atS float64, reason string) {
	if e.stopped {
		return
	}
	if !e.advance(atS) {
		atS = e.grid.last
	}
	for until := max(int64(math.Ceil(atS)), e.grid.lastSecond+1); e.grid.begun && e.grid.next < until; {
		e.sealOne()
	}
	e.stopped, e.stopAtS, e.stopText = true, atS, reason
	end := e.grid.next
	if d := e.loadDetector(); d.pending && d.state == loadOn {
		end = d.raw
	}
	e.endLoad("stop", end)
	e.finishPhases(e.grid.next)
}

func (e *engine) emit(ev record.RunEvent) {
	if e.event != nil {
		ev.Run = e.in.Start.Run
		e.event(ev)
	}
}

// secondsOf is a number of seconds as a duration.
func secondsOf(s int64) time.Duration { return time.Duration(s) * time.Second }

// when is a second for people: the wall time where it is known, else the run time.
func (e *engine) when(second int64) string {
	if e.in.Started.IsZero() {
		return wording.Clock(second)
	}
	return e.in.Started.UTC().Add(secondsOf(second)).Format("15:04:05 UTC")
}
