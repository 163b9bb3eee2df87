package analysis

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"soakrig/daemon/analysis/internal/finite"
	"soakrig/daemon/analysis/internal/traces"
	"soakrig/daemon/record"
)

// scene is a soak second by second whose right judgement was worked out by hand: probes
// a, b and c, a room and a meter, one reading of each per second unless it says
// otherwise. Nil functions mean: the plain soak.
type scene struct {
	plan    record.Plan
	seconds int
	watts   func(s int) float64
	rise    func(s int) float64 // of probe a above 23 degC; b has 90 %, c 80 %
	room    func(s int) float64
	fault   func(s, channel int) record.Faults
	skip    func(s, channel int) bool
	twice   bool  // every reading comes twice
	drop    []int // channels that the rig does not have: 0..2 probes, 3 room, 4 meter
	every   int
	happen  func(s int, p pair)
}

// plainLoad is 60 W, then 300 W from a second to another.
func plainLoad(from, to int) func(int) float64 {
	return func(s int) float64 { return 60 + 240*when01(s >= from && s < to) }
}

// plainRise follows a load from..to with 300 s, to 60 K.
func plainRise(from, to int) func(int) float64 {
	top := 60 * -math.Expm1(-float64(to-from)/300)
	return func(s int) float64 {
		switch {
		case s < from:
			return 2
		case s < to:
			return 2 + 60*-math.Expm1(-float64(s-from)/300)
		}
		return 2 + top*math.Exp(-float64(s-to)/300)
	}
}

// run feeds the scene to a tracker and a recording, which must agree all along.
func (sc scene) run(t *testing.T) (record.Result, record.Live) {
	t.Helper()
	if sc.plan.Phases == nil {
		sc.plan = DefaultPlan(3600, probeLimit(100))
	}
	sc.plan.Constants = map[string]float64{"live_judge_s": 900} // TestLiveLimiting looks at that
	if sc.seconds == 0 {
		sc.seconds = 300 + 3600 + 700
	}
	if sc.watts == nil {
		sc.watts = plainLoad(300, 3900)
	}
	if sc.rise == nil {
		sc.rise = plainRise(300, 3900)
	}
	if sc.room == nil {
		sc.room = func(int) float64 { return 23 }
	}
	if sc.every == 0 {
		sc.every = 1
	}
	all := []Channel{{Name: "a", Unit: "degC", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "b", Unit: "degC", Kind: record.Temperature, Role: record.RoleProbe},
		{Name: "c", Unit: "degC", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "room", Unit: "degC", Kind: record.Temperature, Role: record.RoleAmbient},
		{Name: "w", Unit: "W", Kind: record.Power, Role: record.RoleSupply}}
	in := Input{Rig: "r", Start: record.RunStart{Run: "1", Unit: "u", Plan: sc.plan}}
	index := make([]int, len(all))
	for i, c := range all {
		if index[i] = -1; !slices.Contains(sc.drop, i) {
			index[i] = len(in.Channels)
			in.Channels = append(in.Channels, c)
		}
	}
	p := newPair(t, in)
	var live record.Live
	for s := 0; s < sc.seconds; s += sc.every {
		wobble := float64((s*7)%11)/50 - 0.1
		up := sc.rise(s)
		for ch, v := range []float64{23 + up + wobble, 23 + 0.9*up - wobble, 23 + 0.8*up + wobble/2, sc.room(s) + wobble/5, sc.watts(s) + 5*wobble} {
			if index[ch] < 0 || sc.skip != nil && sc.skip(s, ch) {
				continue
			}
			o := Observation{AtS: float64(s), Channel: index[ch], Value: v}
			if sc.fault != nil {
				o.Faults = sc.fault(s, ch)
			}
			p.Observe(o)
			if sc.twice {
				p.Observe(o)
			}
		}
		if sc.happen != nil {
			sc.happen(s, p)
		}
		if s == 2000 {
			p.same(t, float64(s))
		}
		live = p.t.Live()
	}
	p.Stop(float64(sc.seconds), "end")
	p.same(t, float64(sc.seconds))
	res := p.r.Evaluate()
	finite.Check(t, res)
	return res, live
}

func faultOf(channel, from, to int) func(int, int) record.Faults {
	return func(s, ch int) record.Faults {
		if ch == channel && s >= from && s < to {
			return record.Open
		}
		return 0
	}
}

// TestScenes: each was judged by hand first. The plain soak ends at 85 degC on a in a room
// at 23 degC; the limit is 100 degC with a guard band of 2.8 K. A held peak is the level
// ten seconds before the end: 2 + 60 (1 - exp(-t/300)) K above 23 degC at t less 10 s.
func TestScenes(t *testing.T) {
	hold := func(bound, dwellS float64) []record.Limit {
		return []record.Limit{{Name: "l", Role: record.RoleProbe, Quantity: "value", Bound: bound, DwellS: dwellS, Severity: "fail"}}
	}
	for _, c := range []struct {
		name     string
		sc       scene
		verdict  record.Verdict
		outcome  string
		peak     float64 // 0: none; within 0.3 K
		lower    bool
		codes    []string // findings that must be there
		never    []string // and those that must not
		reasons  []string // codes of reasons that must be there
		startEnd [2]float64
	}{
		{"plain", scene{}, "pass", "complete", 85, false, nil, []string{"load_longer", "load_again", "early_step", "thermal_limiting", "power_not_held", "pickup"}, []string{"limit"}, [2]float64{300, 3900}},
		{"pauses of a minute every ten", scene{watts: func(s int) float64 {
			return plainLoad(300, 3900)(s) - 240*when01(s >= 300 && s < 3900 && (s-300)%600 >= 540)
		}}, "pass", "complete", 85, false, []string{"load_pattern"}, []string{"thermal_limiting", "power_not_held", "load_lost"}, nil, [2]float64{300, 3840}},
		{"two loads", scene{watts: func(s int) float64 { return 60 + 240*when01(s >= 300 && s < 1500 || s >= 2100 && s < 3900) }}, "void", "lost", 83.85, false,
			[]string{"load_lost", "load_again"}, nil, []string{"load_lost"}, [2]float64{300, 1500}},
		{"a boost of 5 s", scene{watts: func(s int) float64 { return plainLoad(300, 3900)(s) + 100*when01(s >= 300 && s < 305) }}, "pass", "complete", 85, false,
			nil, []string{"early_step", "thermal_limiting", "power_not_held"}, nil, [2]float64{300, 3900}},
		{"the room climbs by 3 K/h from 24", scene{room: func(s int) float64 { return 24 + float64(s)/1200 }}, "void", "complete", 85, false,
			[]string{"ambient_band", "ambient_drift"}, nil, []string{"ambient_band"}, [2]float64{300, 3900}},
		{"a fails when the load begins", scene{fault: faultOf(0, 300, 9999)}, "void", "complete", 78.8, true, []string{"probe_absent"}, nil, []string{"probe_absent"}, [2]float64{300, 3900}},
		{"a fails when the load ends", scene{fault: faultOf(0, 3900, 9999)}, "pass", "complete", 85, false, nil, []string{"probe_absent", "probe_lost", "coverage"}, nil, [2]float64{300, 3900}},
		{"a fails only before the load", scene{fault: faultOf(0, 0, 300)}, "pass", "complete", 85, false, nil, []string{"probe_absent", "probe_lost", "coverage"}, nil, [2]float64{300, 3900}},
		{"every probe fails", scene{fault: func(_, ch int) record.Faults { return record.Open * record.Faults(when01(ch < 3)) }}, "void", "complete", 0, false,
			[]string{"probe_absent"}, nil, []string{"no_peak", "probe_absent", "limit_unmeasured"}, [2]float64{300, 3900}},
		{"no room", scene{drop: []int{3}}, "pass", "complete", 85, false, nil, []string{"ambient_band"}, []string{"no_ambient"}, [2]float64{300, 3900}},
		{"no meter", scene{drop: []int{4}}, "pass", "complete", 85, false, nil, []string{"load_not_seen"}, []string{"load_planned"}, [2]float64{300, 3900}},
		{"a meter that only fails", scene{fault: func(_, ch int) record.Faults { return record.Timeout * record.Faults(when01(ch == 4)) }}, "pass", "complete", 85, false, nil, []string{"load_not_seen"}, []string{"load_planned"}, [2]float64{300, 3900}},
		{"only pushed temperatures, every 10 s", scene{drop: []int{3, 4}, every: 10}, "pass", "complete", 85, false, nil, nil, []string{"load_planned", "no_ambient"}, [2]float64{300, 3900}},
		{"a plan of a minute", scene{plan: DefaultPlan(60, probeLimit(100)), watts: plainLoad(300, 360), rise: plainRise(300, 360), seconds: 1100}, "pass", "complete", 34.2, false, nil, []string{"load_longer"}, []string{"not_settled"}, [2]float64{300, 360}},
		{"a plan without length", scene{plan: DefaultPlan(0, probeLimit(100))}, "pass", "complete", 85, false, nil, []string{"load_longer"}, nil, [2]float64{300, 3900}},
		{"stopped in the baseline", scene{seconds: 200}, "void", "not_seen", 0, false, []string{"load_not_seen"}, nil, []string{"load_not_seen"}, [2]float64{}},
		{"a restart in the cooldown", scene{happen: func(s int, p pair) {
			if s == 4100 {
				p.t.Restart(4130, 29, true)
				p.r.Restart(4130, 29, true)
			}
		}}, "pass", "complete", 85, false, []string{"restart"}, nil, nil, [2]float64{300, 3900}},
		{"every reading comes twice", scene{twice: true}, "pass", "complete", 85, false, nil, []string{"probe_stuck", "refused_readings", "late_readings"}, nil, [2]float64{300, 3900}},
		{"nothing for ten minutes", scene{skip: func(s, _ int) bool { return s >= 1800 && s < 2400 }}, "void", "complete", 85, true, []string{"coverage", "energy_coverage"}, []string{"load_lost"}, []string{"coverage"}, [2]float64{300, 3900}},
		{"no probe for 50 s", scene{skip: func(s, ch int) bool { return ch < 3 && s >= 1800 && s < 1850 }}, "pass", "complete", 85, false, nil, []string{"coverage", "probe_lost"}, nil, [2]float64{300, 3900}},
		{"a limit at 0", scene{plan: DefaultPlan(3600, hold(0, 0))}, "fail", "complete", 85, false, []string{"limit"}, nil, []string{"limit"}, [2]float64{300, 3900}},
		{"a limit at -1e6", scene{plan: DefaultPlan(3600, hold(-1e6, 0))}, "fail", "complete", 85, false, nil, nil, []string{"limit"}, [2]float64{300, 3900}},
		{"a limit at 1e12", scene{plan: DefaultPlan(3600, hold(1e12, 0))}, "pass", "complete", 85, false, nil, nil, []string{"limit"}, [2]float64{300, 3900}},
		{"a dwell longer than the load", scene{plan: DefaultPlan(600, hold(100, 900)), watts: plainLoad(300, 900), rise: plainRise(300, 900), seconds: 1700}, "void", "complete", 76.6, false,
			nil, nil, []string{"limit_unmeasured"}, [2]float64{300, 900}},
		{"over the limit by spikes of 3 s alone", scene{rise: func(s int) float64 { return plainRise(300, 3900)(s) + 30*when01(s > 2000 && s < 3800 && s%200 < 3) }}, "pass", "complete", 85, false,
			nil, []string{"limit"}, nil, [2]float64{300, 3900}},
		{"a lead of 2 K, guard band 2.8 K", scene{plan: DefaultPlan(3600, hold(87, 0))}, "marginal", "complete", 85, false, nil, []string{"limit"}, []string{"guard_band"}, [2]float64{300, 3900}},
		{"over by 1 K", scene{plan: DefaultPlan(3600, hold(84, 0))}, "marginal", "complete", 85, false, []string{"limit"}, nil, []string{"guard_band"}, [2]float64{300, 3900}},
		{"the meter is silent from the middle on", scene{fault: faultOf(4, 2000, 9999)}, "pass", "complete", 85, false, []string{"energy_coverage"}, []string{"load_lost"}, []string{"power_unseen"}, [2]float64{300, 3900}},
		{"the meter repeats one number from the middle on", scene{watts: func(s int) float64 {
			if s >= 2000 { // the scene's wobble taken away again
				return 300.25 - 5*(float64((s*7)%11)/50-0.1)
			}
			return plainLoad(300, 3900)(s)
		}}, "pass", "complete", 85, false, []string{"meter_stuck"}, []string{"load_lost", "power_not_held"}, []string{"power_unseen"}, [2]float64{300, 3900}},
		{"a boost of a minute", scene{watts: func(s int) float64 { return plainLoad(300, 3900)(s) + 60*when01(s >= 300 && s < 360) }}, "pass", "complete", 85, false,
			[]string{"early_step"}, []string{"power_dips", "power_not_held"}, nil, [2]float64{300, 3900}},
		{"off for 12 s, half a minute of starting up, then idle", scene{watts: func(s int) float64 {
			return 60 + 240*when01(s >= 300 && s < 1800) - 57*when01(s >= 1800 && s < 1812) + 90*when01(s >= 1812 && s < 1845)
		}}, "void", "lost", 84.6, false, []string{"load_lost"}, []string{"power_not_held"}, []string{"load_lost"}, [2]float64{300, 1800}},
		{"half the load for the second half", scene{watts: func(s int) float64 { return plainLoad(300, 3900)(s) - 120*when01(s >= 2100 && s < 3900) }}, "pass", "complete", 85, false,
			[]string{"power_not_held"}, []string{"load_lost"}, []string{"power_not_held"}, [2]float64{300, 3900}},
		{"a load of 20 W on 60", scene{watts: func(s int) float64 { return 60 + 20*when01(s >= 300 && s < 3900) }}, "pass", "complete", 85, false, nil, []string{"thermal_limiting", "power_not_held"}, nil, [2]float64{300, 3900}},
		{"the unit is off before", scene{watts: func(s int) float64 {
			return 1 + 59*when01(s >= 100) + 240*when01(s >= 300 && s < 3900)
		}}, "pass", "complete", 85, false, nil, []string{"load_on_at_start", "load_again"}, nil, [2]float64{300, 3900}},
	} {
		t.Run(c.name, func(t *testing.T) {
			res, _ := c.sc.run(t)
			if res.Verdict != c.verdict || res.Load.Outcome != c.outcome {
				t.Errorf("%s, load %s; want %s, %s; reasons %+v", res.Verdict, res.Load.Outcome, c.verdict, c.outcome, res.Reasons)
			}
			switch {
			case c.peak == 0 && res.Peak != nil:
				t.Errorf("a peak of %g", res.Peak.HeldC)
			case c.peak != 0 && (res.Peak == nil || math.Abs(res.Peak.HeldC-c.peak) > 0.3 || res.Peak.LowerBound != c.lower):
				t.Errorf("peak %+v, want %g, lower bound %v", res.Peak, c.peak, c.lower)
			}
			for _, code := range c.codes {
				if findingOf(res, code) == nil {
					t.Errorf("%s was not found: %+v", code, res.Findings)
				}
			}
			for _, code := range c.never {
				if f := findingOf(res, code); f != nil {
					t.Errorf("%s: %s", code, f.Seen)
				}
			}
			for _, code := range c.reasons {
				if !slices.ContainsFunc(res.Reasons, func(r record.Reason) bool { return r.Code == code }) {
					t.Errorf("no reason %s: %+v", code, res.Reasons)
				}
			}
			if c.startEnd[1] > 0 && (math.Abs(*res.Load.StartS-c.startEnd[0]) > 10 || math.Abs(*res.Load.EndS-c.startEnd[1]) > 10) {
				t.Errorf("load %g..%g, want %g..%g", *res.Load.StartS, *res.Load.EndS, c.startEnd[0], c.startEnd[1])
			}
			for _, f := range res.Findings {
				if f.Seen == "" || strings.Contains(f.Seen, "NaN") || strings.Contains(f.Seen, "%!") {
					t.Errorf("%s says %q", f.Code, f.Seen)
				}
			}
			for _, r := range res.Reasons {
				if r.Text == "" || strings.Contains(r.Text, "NaN") || strings.Contains(r.Text, "%!") {
					t.Errorf("%s says %q", r.Code, r.Text)
				}
			}
		})
	}
}

// TestRandomSoaksLiveAndReplayed: whatever the load, the fault, the rate, the meter and
// the plan, the live state and the replayed result agree at a random moment and at the
// end.
func TestRandomSoaksLiveAndReplayed(t *testing.T) {
	loads := []traces.Load{traces.Constant, traces.RenderLoop, traces.Boost, traces.Levels, traces.Trip, traces.FlatTop, traces.LoopTrip, traces.LoopFlat,
		traces.SlowFall, traces.CrashIdle, traces.CrashOff, traces.Restart, traces.FanFail, traces.RoomStep}
	faults := []traces.Fault{traces.Healthy, traces.Detached, traces.NeverAttached, traces.Reversed, traces.PickupUp, traces.Stuck, traces.OpenCircuit}
	rapid.Check(t, func(rt *rapid.T) {
		o := traces.Options{Seed: rapid.Uint64().Draw(rt, "seed"), Load: rapid.SampledFrom(loads).Draw(rt, "load"), Fault: rapid.SampledFrom(faults).Draw(rt, "fault"),
			BaselineS: float64(rapid.IntRange(20, 400).Draw(rt, "baseline")), LoadS: float64(rapid.IntRange(700, 1500).Draw(rt, "length")), AfterS: float64(rapid.IntRange(10, 300).Draw(rt, "after")),
			PeriodS: rapid.SampledFrom([]float64{1, 2, 5}).Draw(rt, "period"), Probes: rapid.IntRange(1, 4).Draw(rt, "probes"), MeterW: rapid.SampledFrom([]float64{0.1, 2}).Draw(rt, "meter"),
			Missing: rapid.SampledFrom([]float64{0, 0.1}).Draw(rt, "missing"), NoRoom: rapid.Bool().Draw(rt, "no room"), NoPower: rapid.Bool().Draw(rt, "no power"), Counter: rapid.Bool().Draw(rt, "counter")}
		tr := traces.Make(o)
		in := inputOf(tr, probeLimit(80))
		in.Start.Plan = DefaultPlan(float64(rapid.SampledFrom([]int{0, 60, 600, 1000, 3600}).Draw(rt, "plan")), probeLimit(80))
		in.Start.Plan.Constants = map[string]float64{"live_judge_s": 900}
		look := rapid.Float64Range(0, tr.EndS).Draw(rt, "look")
		cut := rapid.SampledFrom([]float64{0, 0, 350, 700}).Draw(rt, "cut") // the recording begins late: perhaps on load
		p := newPair(t, in)
		for _, r := range tr.Readings {
			if r.AtS < cut {
				continue
			}
			if r.AtS >= look {
				p.same(t, r.AtS)
				look = math.Inf(1)
			}
			p.Observe(Observation{AtS: r.AtS - cut, Channel: r.Channel, Value: r.Value, Faults: r.Faults})
		}
		p.Stop(tr.EndS-cut, "end")
		p.same(t, tr.EndS)
		if t.Failed() {
			rt.FailNow()
		}
	})
}
