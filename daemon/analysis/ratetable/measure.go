package main

import (
	"fmt"
	"math"
	"runtime"
	"strings"
	"sync"

	"soakrig/daemon/analysis"
	"soakrig/daemon/analysis/internal/traces"
	"soakrig/daemon/record"
)

// kind is one row: how its traces are made.
type kind struct {
	name string
	opts traces.Options
	sick bool // a probe is not healthy
}

// kinds are all rows of the table.
func kinds() []kind {
	load := func(l traces.Load) kind { return kind{name: string(l), opts: traces.Options{Load: l}} }
	fault := func(f traces.Fault) kind {
		return kind{name: "probe " + string(f), opts: traces.Options{Load: traces.Constant, Fault: f}, sick: true}
	}
	ks := []kind{
		load(traces.Constant), load(traces.RenderLoop), load(traces.Boost), load(traces.RoomStep), load(traces.FanFail),
		load(traces.Levels), load(traces.Trip), load(traces.FlatTop), load(traces.LoopTrip), load(traces.LoopFlat),
		load(traces.SlowFall), load(traces.CrashIdle), load(traces.CrashOff), load(traces.Restart),
		{name: "spikes 1/600 s", opts: traces.Options{Load: traces.Constant, SpikesPer: 600}},
		{name: "spikes 1/30 s, noise 0.3 K, 0.25 K steps", opts: traces.Options{Load: traces.Constant, SpikesPer: 30, NoiseK: 0.3, StepK: 0.25}},
		{name: "render loop, spikes 1/30 s, 2 W meter", opts: traces.Options{Load: traces.RenderLoop, SpikesPer: 30, MeterW: 2}},
		{name: "0.25 K steps, 2 W meter", opts: traces.Options{Load: traces.Constant, StepK: 0.25, MeterW: 2}},
		{name: "2 % of readings missing", opts: traces.Options{Load: traces.Constant, Missing: 0.02}},
		{name: "flat-top, 2 W meter", opts: traces.Options{Load: traces.FlatTop, MeterW: 2}},
		{name: "flat-top, no room sensor", opts: traces.Options{Load: traces.FlatTop, NoRoom: true}},
		{name: "constant, 4 h", opts: traces.Options{Load: traces.Constant, LoadS: 14400, PeriodS: 1}},
	}
	for _, f := range []traces.Fault{traces.Detached, traces.HalfDetached, traces.QuarterDetached, traces.NeverAttached,
		traces.Reversed, traces.PickupUp, traces.PickupDown, traces.Stuck, traces.Drift, traces.OpenCircuit} {
		ks = append(ks, fault(f))
	}
	loop := fault(traces.Detached)
	loop.name, loop.opts.Load = "probe detached, render loop", traces.RenderLoop
	return append(ks, loop)
}

// tally counts what the runs of a kind came to.
type tally struct {
	kind  kind
	runs  int
	found int // load found as one interval
	start float64
	end   float64 // largest errors of the load's edges, s

	thermal, notHeld, pattern, early, dips, silent int
	lossy, lossyMentioned                          int // runs that lost 3 % or more
	lossyThermal, lossyNotHeld                     int
	cooling                                        int
	hotRight, hotRuns                              int
	bias, biasWorst                                float64
	lost, lostRight                                int
	sick                                           map[string]int // health of the probe that has a fault
	falseHealth                                    int            // healthy probes called otherwise
	healthyProbes                                  int
	faultTime                                      float64 // largest error of the time of a fault
	extrapolated, covered                          int
	extrapolationBias                              float64
	void                                           int
}

func measureAll(seeds int, first uint64) []tally {
	ks := kinds()
	out := make([]tally, len(ks))
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				out[i] = measure(ks[i], seeds, first)
			}
		})
	}
	for i := range ks {
		next <- i
	}
	close(next)
	wg.Wait()
	return out
}

func measure(k kind, seeds int, first uint64) tally {
	t := tally{kind: k, sick: make(map[string]int)}
	for s := range seeds {
		o := k.opts
		o.Seed = first + uint64(s)
		tr := traces.Make(o)
		t.add(tr, judge(tr))
	}
	return t
}

// judge evaluates a trace by the default plan.
func judge(tr traces.Trace) record.Result {
	planned := 0.0 // as long as it runs, so that its end must be found
	if tr.Truth.CrashS != 0 {
		planned = 3600
	}
	in := analysis.Input{Rig: "bench", Start: record.RunStart{Run: "1", Unit: "u", Plan: analysis.DefaultPlan(planned, nil)}}
	for _, c := range tr.Channels {
		in.Channels = append(in.Channels, analysis.Channel{Name: c.Name, Kind: c.Kind, Unit: c.Unit, Role: c.Role})
	}
	rec, err := analysis.NewRecording(in)
	if err != nil {
		panic(fmt.Sprintf("the default plan was refused: %v", err))
	}
	for _, r := range tr.Readings {
		rec.Observe(analysis.Observation{AtS: r.AtS, Channel: r.Channel, Value: r.Value, Faults: r.Faults})
	}
	rec.Stop(tr.EndS, "")
	return rec.Evaluate()
}

func (t *tally) add(tr traces.Trace, r record.Result) {
	t.runs++
	if r.Verdict == record.VerdictVoid {
		t.void++
	}
	if l := r.Load; l != nil && l.StartS != nil && l.EndS != nil {
		start, end := math.Abs(*l.StartS-tr.Truth.StartS), math.Abs(*l.EndS-tr.Truth.EndS)
		t.start, t.end = max(t.start, start), max(t.end, end)
		if start <= 10 && end <= 10 {
			t.found++
		}
	}
	t.addPower(tr, r)
	t.addPeak(tr, r)
	t.addHealth(tr, r)
	t.addExtrapolation(tr, r)
}

func finding(r record.Result, code string) *record.Finding {
	for i := range r.Findings {
		if r.Findings[i].Code == code {
			return &r.Findings[i]
		}
	}
	return nil
}

func (t *tally) addPower(tr traces.Trace, r record.Result) {
	l := r.Load
	count := func(n *int, yes bool) {
		if yes {
			*n++
		}
	}
	count(&t.thermal, r.Limited)
	count(&t.notHeld, l.Pattern == "not_held")
	count(&t.pattern, l.Pattern == "load_pattern")
	early := finding(r, "early_step") != nil
	count(&t.early, early)
	count(&t.cooling, finding(r, "cooling_changed") != nil)
	count(&t.dips, finding(r, "power_dips") != nil)
	mentioned := r.Limited || l.Pattern == "not_held" || early
	if tr.Truth.Thermal || tr.Truth.Loss >= 0.03 {
		count(&t.silent, !mentioned)
	}
	if tr.Truth.Loss >= 0.03 && tr.Truth.CrashS == 0 {
		t.lossy++
		count(&t.lossyMentioned, mentioned)
		count(&t.lossyThermal, r.Limited)
		count(&t.lossyNotHeld, l.Pattern == "not_held")
	}
	if tr.Truth.CrashS > 0 {
		want := map[traces.Load]string{traces.CrashIdle: "idle", traces.CrashOff: "off", traces.Restart: "restarted"}[t.kind.opts.Load]
		count(&t.lost, l.Outcome == "lost")
		count(&t.lostRight, l.Outcome == "lost" && l.LostTo == want)
	}
}

func (t *tally) addPeak(tr traces.Trace, r record.Result) {
	if r.Peak == nil || t.kind.sick {
		return
	}
	t.hotRuns++
	if r.Peak.Channel == tr.Channels[tr.Truth.HotSpot].Name {
		t.hotRight++
	} else if tr.Truth.PeakC[tr.Truth.HotSpot]-tr.Truth.PeakC[indexOf(tr, r.Peak.Channel)] < 0.1 {
		t.hotRight++ // the two places are equally hot to within the noise
	}
	b := r.Peak.HeldC - tr.Truth.PeakC[tr.Truth.HotSpot]
	t.bias += b
	t.biasWorst = max(t.biasWorst, math.Abs(b))
}

func indexOf(tr traces.Trace, name string) int {
	for i, c := range tr.Channels {
		if c.Name == name {
			return i
		}
	}
	return 0
}

func (t *tally) addHealth(tr traces.Trace, r record.Result) {
	for i, p := range r.Probes {
		if i == tr.Truth.Probe {
			t.sick[p.Health]++
			for _, f := range r.Findings {
				if f.Channel == p.Channel && strings.HasPrefix(f.Code, "probe_") && f.FromS != nil {
					t.faultTime = max(t.faultTime, math.Abs(*f.FromS-tr.Truth.FaultS))
				}
			}
			continue
		}
		t.healthyProbes++
		if p.Health != "good" {
			t.falseHealth++
		}
	}
}

func (t *tally) addExtrapolation(tr traces.Trace, r record.Result) {
	if r.Steady == nil || r.Steady.ExtrapolatedC == nil || t.kind.sick || t.kind.opts.Load != traces.Constant {
		return
	}
	for _, s := range r.Statistics {
		if s.Name == "extrapolation_expanded" {
			t.extrapolated++
			i := indexOf(tr, s.Channel)
			err := *r.Steady.ExtrapolatedC - tr.Truth.RoomEndC - (tr.Truth.FinalC[i] - 23)
			t.extrapolationBias += err
			if math.Abs(err) <= s.Value {
				t.covered++
			}
		}
	}
}
