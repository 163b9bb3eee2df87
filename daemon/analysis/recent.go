package analysis

import (
	"slices"

	"soakrig/daemon/analysis/internal/limiting"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// recent keeps the newest stretch of the load, so that limiting shows while the run is
// open. It is judged by the code that judges the whole run: for a load that is no
// longer than the stretch, the live state says what the result would say at that
// moment. Memory is bounded by the stretch.
type recent struct {
	from     int64 // second of the first value kept
	whole    bool  // nothing of the load was dropped yet
	power    []float64
	room     []float64
	probes   [][]float64
	baseline []float64 // per probe, before the load
	judged   int64     // second of the newest judgement
}

const recentSlack = 600 // rows are dropped this many at a time

// newRecent begins at the load's start.
func newRecent(r roles, start int64, baseline []float64) recent {
	return recent{from: start, whole: true, probes: make([][]float64, len(r.probes)), baseline: baseline, judged: start}
}

// push adds the second that follows the ones so far. Seconds of which nothing is known
// stand as absent ones.
func (k *recent) push(r *row, roles roles, keep int) {
	for k.from+int64(len(k.power)) < r.second {
		k.add(series.Absent(), series.Absent(), func(int) float64 { return series.Absent() }, keep)
	}
	k.add(r.cells[roles.power].v, r.ambient, func(i int) float64 { return r.cells[roles.probes[i]].v }, keep)
}

func (k *recent) add(power, room float64, probe func(i int) float64, keep int) {
	if len(k.power) >= keep+recentSlack {
		drop := len(k.power) - keep
		k.from, k.whole = k.from+int64(drop), false
		k.power = k.power[:copy(k.power, k.power[drop:])]
		k.room = k.room[:copy(k.room, k.room[drop:])]
		for i := range k.probes {
			k.probes[i] = k.probes[i][:copy(k.probes[i], k.probes[i][drop:])]
		}
	}
	k.power, k.room = append(k.power, power), append(k.room, room)
	for i := range k.probes {
		k.probes[i] = append(k.probes[i], probe(i))
	}
}

// before is each probe's median before a load that begins now.
func (t *Tracker) before(start int64) []float64 {
	out := make([]float64, len(t.roles.probes))
	for i, p := range t.roles.probes {
		var x []float64
		for s := start - int64(t.c.ZeroWindowS); s < start; s++ {
			if r := t.rowAt(s); r != nil && series.Known(r.cells[p].v) {
				x = append(x, r.cells[p].v)
			}
		}
		out[i] = series.MedianInPlace(x)
	}
	return out
}

// liveLimiting are the findings that the newest stretch is judged for.
func liveLimiting() []string {
	return []string{"thermal_limiting", "power_not_held", "cooling_changed"}
}

// watchLimiting judges the newest stretch once a minute, and once more when the load
// has ended. What a stretch that was cut shows no longer keeps standing.
func (t *Tracker) watchLimiting() {
	k := &t.recent
	end := k.from + int64(len(k.power))
	if t.acc == nil || t.roles.power < 0 || end <= k.judged || len(k.power) < 600 || !t.span.ended && float64(end-k.judged) < t.c.LiveJudgeS {
		return
	}
	k.judged = end
	found := t.judgeRecent()
	for _, code := range liveLimiting() {
		at := slices.IndexFunc(found.Findings, func(f record.Finding) bool { return f.Code == code })
		if at < 0 {
			if k.whole {
				t.clear(code, "")
			}
			continue
		}
		f := found.Findings[at]
		if i := slices.IndexFunc(t.live.warnings, func(w record.Finding) bool { return w.Code == code }); i >= 0 {
			t.live.warnings[i] = f
		} else {
			t.warn(f)
		}
	}
}

// judgeRecent judges the newest stretch.
func (t *Tracker) judgeRecent() limiting.Found {
	k := &t.recent
	x := series.Present(k.power)
	slices.Sort(x)
	idle := t.det.idleW
	if idleUnknown(t.c, t.span.source, x, idle) {
		idle = series.Absent()
	}
	in := limiting.Load{Start: k.from, PowerW: k.power, StepW: stepOf(x, idle), Meter: t.in.Channels[t.roles.power].Name, Whole: k.whole, When: t.when}
	if !(in.StepW > 0) {
		return limiting.Found{}
	}
	n := len(k.power)
	hot := hottestAtEnd(len(k.probes), func(i int) bool { return !t.leftOut(i) }, func(i int) []float64 { return k.probes[i][max(n-300, 0):] })
	if hot >= 0 {
		in.Hot = &limiting.Probe{Channel: t.in.Channels[t.roles.probes[hot]].Name, ValueC: k.probes[hot], RoomC: k.room, BaselineC: k.baseline[hot]}
	}
	return limiting.Judge(t.c, in)
}
