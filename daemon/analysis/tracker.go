package analysis

import (
	"fmt"
	"math"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// Tracker follows an open run. Work per observation and memory are bounded by
// window lengths, whatever the length of the run. It is not safe for concurrent
// use.
type Tracker struct {
	engine
	acc    *onLoad
	next   int64   // next second that acc takes
	spare  *onLoad // from the run's first second, for a load that proves to have been on then; nil once a load began
	spared int64   // next second that spare takes
	recent recent
	events []record.RunEvent
	watch  []limitWatch
	live   liveState
}

// liveState is what the live state shows of the newest second.
type liveState struct {
	values    []reading // per channel: newest value
	lastHigh  int64     // newest second with power near its reference
	reference float64
	warnings  []record.Finding
}

// limitWatch follows one limit on one channel.
type limitWatch struct {
	limit   *record.Limit
	channel int
	hold    hold
	crossed bool
	after   hold // of a limit that asks to stop: while the load goes on after its planned end
}

const keptEvents = 1000

// NewTracker opens the live view of a run. The error lists everything wrong with
// the plan.
func NewTracker(in Input) (*Tracker, error) {
	e, err := newEngine(in)
	if err != nil {
		return nil, err
	}
	t := &Tracker{engine: *e}
	t.live.values = make([]reading, len(in.Channels))
	for i := range t.live.values {
		t.live.values[i] = reading{math.MinInt64, series.Absent()}
	}
	t.live.reference = series.Absent()
	t.watch = newWatches(in, t.c)
	t.event = func(ev record.RunEvent) {
		if len(t.events) < keptEvents {
			t.events = append(t.events, ev)
		}
	}
	t.moved = t.onMoved
	t.after = t.onSecond
	return t, nil
}

func newWatches(in Input, c constants.Set) []limitWatch {
	var ws []limitWatch
	for i := range in.Start.Plan.Limits {
		l := &in.Start.Plan.Limits[i]
		for ch := range in.Channels {
			if limitCovers(l, &in.Channels[ch]) {
				ws = append(ws, limitWatch{limit: l, channel: ch, hold: newHold(dwell(l, c), c.PeakGood), after: newHold(dwell(l, c), c.PeakGood)})
			}
		}
	}
	return ws
}

// onMoved follows the load's start and end. A start that is dated back takes the
// seconds it reaches back to from the ring.
func (t *Tracker) onMoved(now loadSpan) {
	if !now.ended && now.source == onAtStart {
		t.acc, t.next, t.spare = t.spare, t.spared, nil
		t.live.lastHigh, t.live.reference = t.spared, series.Absent()
	} else if !now.ended {
		t.spare = nil
		t.recent = newRecent(t.roles, now.start, t.before(now.start))
		t.acc = newOnLoad(t.c, t.roles, t.in.Channels, now.start, false)
		t.next = now.start
		t.live.lastHigh, t.live.reference = now.start, series.Absent()
	}
	t.consume()
	t.clear("load_awaited", "")
	if t.span.source == onAtStart {
		t.warn(t.onAtStartFinding())
	} else {
		t.clear("load_on_at_start", "")
	}
	if lost, missing := t.lost(); lost {
		t.warn(record.Finding{Code: "load_lost", Severity: "void", FromS: series.OrNil(float64(now.end)),
			Seen: fmt.Sprintf("the load ended at %s, %s before its plan", t.when(now.end), wording.Length(int64(missing)))})
	}
}

// spareS is how much earlier than planned a load may end: a load that pauses may end in
// a pause as long as the longest before.
func (e *engine) spareS() float64 { return e.c.LostBeforeS + float64(e.loadDetector().pause) }

// lost tells whether power showed that the load ended before its plan.
func (e *engine) lost() (bool, float64) {
	planned := e.plannedLoadS()
	if !e.span.ended || e.span.endedBy != "power" || planned <= 0 {
		return false, 0
	}
	missing := planned - float64(e.span.end-e.span.start)
	return missing > e.spareS(), missing
}

// consume takes every second that is known to be on load.
func (t *Tracker) consume() {
	if t.acc == nil {
		return
	}
	until := t.committed
	if t.span.ended {
		until = min(t.span.end, t.grid.next) // a mark may end a second that is still open
	}
	for ; t.next < until; t.next++ {
		if r := t.rowAt(t.next); r != nil {
			t.acc.push(r)
			if t.roles.power >= 0 {
				t.recent.push(r, t.roles, int(t.c.LiveStretchS))
			}
		}
	}
}

// takeSpare takes the seconds of which it is known that they are on load if the load
// was on when the run began.
func (t *Tracker) takeSpare() {
	if t.span.begun() || t.roles.power < 0 {
		return
	}
	if t.spare == nil {
		t.spared = t.firstS()
		t.spare = newOnLoad(t.c, t.roles, t.in.Channels, t.spared, false)
		t.recent = newRecent(t.roles, t.spared, t.before(t.spared))
	}
	until := max(min(t.early.settled(), t.grid.next), t.grid.next-ringRows+1)
	if planned := t.plannedLoadS(); planned > 0 {
		until = min(until, t.firstS()+int64(planned)) // it would end there
	}
	for ; t.spared < until; t.spared++ {
		if r := t.rowAt(t.spared); r != nil {
			t.spare.push(r)
			t.recent.push(r, t.roles, int(t.c.LiveStretchS))
		}
	}
}

// onSecond sees every sealed second.
func (t *Tracker) onSecond(r *row, phase record.Phase) {
	t.takeSpare()
	for i := range r.cells {
		if series.Known(r.cells[i].v) {
			t.live.values[i] = reading{r.second, r.cells[i].v}
		}
	}
	t.consume()
	t.watchLimits(r, phase)
	t.watchLoad(r)
	t.watchPower(r)
	t.watchLimiting()
	t.watchProbes(r)
	t.watchRoom(r)
}

func (t *Tracker) watchLimits(r *row, phase record.Phase) {
	for i := range t.watch {
		w := &t.watch[i]
		h := &w.hold
		if !limitApplies(w.limit, phase) {
			if w.limit.Severity != severityStop || !limitApplies(w.limit, record.PhaseLoad) || !t.over.still(t.c.EndDwellS) {
				continue
			}
			h = &w.after
		}
		v := quantityAt(w.limit, w.channel, r, t.in.Channels)
		if w.limit.Quantity == quantitySlope {
			v = t.slopeOf(w.channel)
		}
		if !series.Known(v) {
			continue
		}
		if w.limit.Below {
			v = -v
		}
		level, ok := h.push(r.second, v, int64(r.cells[w.channel].stride))
		if !ok || w.crossed || level <= signed(w.limit) {
			continue
		}
		w.crossed = true
		name, at := t.in.Channels[w.channel].Name, float64(r.second+1-h.span)
		text := fmt.Sprintf("%s: %s of %s has been beyond %g %s for %g s", w.limit.Name, w.limit.Quantity, name,
			w.limit.Bound, limitUnit(w.limit, &t.in.Channels[w.channel]), float64(h.span))
		t.emit(record.RunEvent{Event: "limit", Phase: phase, AtS: at, Text: text})
		t.warnOnly(record.Finding{Code: "limit", Severity: "warning", Channel: name, FromS: series.OrNil(at), Seen: text})
		if w.limit.Severity == severityStop {
			t.emit(record.RunEvent{Event: "stop_requested", Phase: phase, AtS: at, Text: text})
		}
	}
}

func (t *Tracker) slopeOf(channel int) float64 {
	if t.acc == nil {
		return series.Absent()
	}
	for i, p := range t.roles.probes {
		if p == channel {
			now, _ := t.acc.settles[i].slope()
			return now
		}
	}
	return series.Absent()
}

// watchLoad warns when the load does not come, and when it does not go.
func (t *Tracker) watchLoad(r *row) {
	plan := t.in.Start.Plan.Phases
	if t.over.still(t.c.EndDwellS) && t.over.lengthS() > t.c.LostBeforeS {
		t.warn(record.Finding{Code: "load_longer", Severity: "warning", Channel: t.in.Channels[t.roles.power].Name, FromS: series.OrNil(float64(t.span.end)),
			Seen: fmt.Sprintf("power is still up after the load's planned end at %s", t.when(t.span.end))})
	} else if t.over.plan {
		t.clear("load_longer", "")
	}
	if t.span.begun() || t.roles.power < 0 || t.complete || t.phase+1 >= len(plan) || plan[t.phase+1].Begins != beginsLoad {
		return
	}
	due := t.began
	if t.phase >= 0 {
		due += int64(plan[t.phase].LengthS)
	} else {
		due = t.firstS()
	}
	if float64(r.second-due) < t.c.AwaitLoadS || !series.Known(t.live.values[t.roles.power].v) {
		return
	}
	t.warn(record.Finding{Code: "load_awaited", Severity: "warning", Channel: t.in.Channels[t.roles.power].Name, FromS: series.OrNil(float64(due)),
		Seen: fmt.Sprintf("no load has been seen since %s: power has stayed near %.0f W; start the load, or, if it is on already, mark it: soak mark \"%s\"",
			t.when(due), t.live.values[t.roles.power].v, MarkLoadStart)})
}

// watchPower warns when power stays below its reference on load.
func (t *Tracker) watchPower(r *row) {
	p := t.roles.power
	if p < 0 || !t.span.begun() || t.span.ended || !series.Known(r.cells[p].v) {
		return
	}
	if t.acc != nil && t.acc.seconds < int64(t.c.LevelWindowS) || !series.Known(t.live.reference) {
		t.live.reference = t.det.loadW
	}
	w := r.cells[p].v
	if !series.Known(t.live.reference) || w >= t.c.LowPowerShare*t.live.reference {
		t.live.lastHigh = r.second
		t.clear("power_low", "")
	} else if float64(r.second-t.live.lastHigh) >= t.c.LowPowerS {
		t.warn(record.Finding{Code: "power_low", Severity: "warning", Channel: t.in.Channels[p].Name,
			FromS: series.OrNil(float64(t.live.lastHigh + 1)),
			Seen: fmt.Sprintf("power has been below %.0f %% of %.0f W since %s", 100*t.c.LowPowerShare,
				t.live.reference, t.when(t.live.lastHigh+1))})
	}
}

func (t *Tracker) watchProbes(r *row) {
	for _, p := range t.roles.probes {
		name := t.in.Channels[p].Name
		last := t.live.values[p].second
		if last == r.second {
			t.clear("probe_lost", name)
		} else if since := r.second - max(last, t.firstSecond()-1); float64(since) >= t.c.LostS {
			t.warn(record.Finding{Code: "probe_lost", Severity: "warning", Channel: name,
				FromS: series.OrNil(float64(r.second - since + 1)),
				Seen:  fmt.Sprintf("%s has had no value since %s", name, t.when(r.second-since+1))})
		}
	}
}

func (t *Tracker) watchRoom(r *row) {
	if t.roles.ambient < 0 || !series.Known(r.ambient) || !t.span.begun() || t.span.ended {
		return
	}
	name := t.in.Channels[t.roles.ambient].Name
	if r.ambient >= t.c.AmbientLowC && r.ambient <= t.c.AmbientHighC {
		t.clear("ambient_band", name)
		return
	}
	t.warn(record.Finding{Code: "ambient_band", Severity: "warning", Channel: name, FromS: series.OrNil(float64(r.second)),
		Seen: fmt.Sprintf("the room is at %.1f degC, outside %g..%g degC", r.ambient, t.c.AmbientLowC, t.c.AmbientHighC)})
}

// warn adds a warning that is not standing yet, and an event.
func (t *Tracker) warn(f record.Finding) {
	if t.warnOnly(f) {
		t.emit(record.RunEvent{Event: "warning", Phase: t.phaseNow(), AtS: *f.FromS, Text: f.Seen})
	}
}

func (t *Tracker) warnOnly(f record.Finding) bool {
	for _, w := range t.live.warnings {
		if w.Code == f.Code && w.Channel == f.Channel {
			return false
		}
	}
	t.live.warnings = append(t.live.warnings, f)
	return true
}

// clear takes back a warning that no longer stands.
func (t *Tracker) clear(code, channel string) {
	for i, w := range t.live.warnings {
		if w.Code == code && (channel == "" || w.Channel == channel) {
			t.live.warnings = append(t.live.warnings[:i], t.live.warnings[i+1:]...)
			return
		}
	}
}

// Phase is the phase and the run time at which it began.
func (t *Tracker) Phase() (record.Phase, float64) {
	if n := len(t.phases); n > 0 {
		last := t.phases[n-1]
		if t.complete || t.stopped {
			return record.PhaseEnded, last.EndS
		}
		return last.Phase, last.StartS
	}
	return t.phaseNow(), float64(t.firstSecond())
}

// Events gives what happened since the last call: phase, load_start, load_end,
// limit, warning, stop_requested.
func (t *Tracker) Events() []record.RunEvent {
	ev := t.events
	t.events = nil
	return ev
}
