package analysis

import (
	"math"
	"slices"
	"strings"
	"testing"

	"soakrig/daemon/analysis/internal/finite"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/traces"
	"soakrig/daemon/record"
)

func nothing(int, []float64, []record.Faults) {}

// TestVerdicts: the plateau's hottest probe ends at 75.0 degC; without a stated
// budget U is 2.8 K.
func TestVerdicts(t *testing.T) {
	for _, c := range []struct {
		name   string
		limits []record.Limit
		change func(int, []float64, []record.Faults)
		want   record.Verdict
		side   string
		first  string // code of the first reason
	}{
		{"no limit", nil, nothing, record.VerdictNone, "", "uncertainty_not_stated"},
		{"pass", probeLimit(78.5), nothing, record.VerdictPass, "", "limit"},
		{"marginal below", probeLimit(76), nothing, record.VerdictMarginal, "below", "guard_band"},
		{"marginal above", probeLimit(74), nothing, record.VerdictMarginal, "above", "guard_band"},
		{"fail", probeLimit(72), nothing, record.VerdictFail, "", "limit"},
		{"only a note", []record.Limit{{Name: "n", Role: record.RoleProbe, Quantity: "value", Bound: 50, Severity: "note"}}, nothing, record.VerdictNone, "", "uncertainty_not_stated"},
		{"a stop limit fails too", []record.Limit{{Name: "n", Role: record.RoleProbe, Quantity: "value", Bound: 50, Severity: "stop"}}, nothing, record.VerdictFail, "", "limit"},
		{"must not fall below", []record.Limit{{Name: "n", Channel: "wall", Quantity: "value", Bound: 180, Below: true, Severity: "fail"}}, nothing, record.VerdictPass, "", "limit"},
		{"fell below", []record.Limit{{Name: "n", Channel: "wall", Quantity: "value", Bound: 230, Below: true, Severity: "fail"}}, nothing, record.VerdictFail, "", "limit"},
		{"rise", []record.Limit{{Name: "n", Role: record.RoleProbe, Quantity: "rise", Bound: 47, Severity: "fail"}}, nothing, record.VerdictFail, "", "limit"},
		{"difference", []record.Limit{{Name: "n", Channel: "a", Quantity: "difference", Bound: 12, Severity: "fail"}}, nothing, record.VerdictPass, "", "limit"},
		{"slope at the start is steep", []record.Limit{{Name: "n", Channel: "a", Quantity: "slope", Bound: 30, Severity: "fail"}}, nothing, record.VerdictFail, "", "limit"},
		{"the room is an hour out of band", probeLimit(90), func(_ int, v []float64, _ []record.Faults) { v[3] += 3 }, record.VerdictVoid, "", "ambient_band"},
		{"a hot room explains a fail", probeLimit(72), func(_ int, v []float64, _ []record.Faults) {
			for i := range 4 {
				v[i] += 6
			}
		}, record.VerdictFail, "", "limit"},
		{"the hot room alone made it fail", probeLimit(77.5), func(_ int, v []float64, _ []record.Faults) {
			for i := range 4 {
				v[i] += 6
			}
		}, record.VerdictVoid, "", "ambient_band"},
		{"a minute out of band is allowed", probeLimit(90), func(s int, v []float64, _ []record.Faults) {
			if s > 2000 && s < 2060 {
				v[3] += 4
			}
		}, record.VerdictPass, "", "limit"},
		{"the load was lost", probeLimit(90), func(s int, v []float64, _ []record.Faults) {
			if s > 2500 {
				v[4] = 41
			}
		}, record.VerdictVoid, "", "load_lost"},
		{"no load at all", probeLimit(90), func(_ int, v []float64, _ []record.Faults) { v[4] = 40; v[0], v[1], v[2] = 26, 26, 26 }, record.VerdictVoid, "", "load_not_seen"},
		{"the bounded channel gave nothing", []record.Limit{{Name: "n", Channel: "c", Quantity: "value", Bound: 90, Severity: "fail"}}, func(_ int, _ []float64, f []record.Faults) { f[2] = record.Open }, record.VerdictVoid, "", "probe_absent"},
		{"no room sensor", probeLimit(90), func(_ int, _ []float64, f []record.Faults) { f[3] = record.NoChip }, record.VerdictPass, "", "limit"},
	} {
		t.Run(c.name, func(t *testing.T) {
			res := plateau(t, c.limits, c.change)
			if res.Verdict != c.want || res.MarginalSide != c.side || len(res.Reasons) == 0 || res.Reasons[0].Code != c.first {
				t.Errorf("%s %q %+v, want %s %q for %s", res.Verdict, res.MarginalSide, res.Reasons, c.want, c.side, c.first)
			}
		})
	}
}

// TestLimitedOverridesAPass: a limiter held the peak; the run can't pass, but it can
// fail.
func TestLimitedOverridesAPass(t *testing.T) {
	tr := traces.Make(traces.Options{Seed: 2, Load: traces.FlatTop})
	res := evaluate(t, inputOf(tr, probeLimit(150)), tr)
	if !res.Limited || res.Verdict != record.VerdictVoid || res.Reasons[0].Code != "thermal_limiting" || res.Load.Pattern != "flat_top" || res.Load.Held || res.Steady.Valid {
		t.Errorf("limited %v, %s %+v, %+v", res.Limited, res.Verdict, res.Reasons, res.Load)
	}
	f := findingOf(res, "thermal_limiting")
	if f == nil || !strings.Contains(f.Seen, "held at") || !strings.HasPrefix(f.Consistent, "consistent with thermal limiting") {
		t.Errorf("wording: seen first, cause second: %+v", f)
	}
	res = evaluate(t, inputOf(tr, probeLimit(40)), tr)
	if !res.Limited || res.Verdict != record.VerdictFail {
		t.Errorf("over the limit in spite of limiting: %s", res.Verdict)
	}
}

// TestWhenTheLoadCrashedAtNight reads like the morning page: the time of day, how
// long it had run, what is missing and how hot it was.
func TestWhenTheLoadCrashedAtNight(t *testing.T) {
	tr := traces.Make(traces.Options{Seed: 5, Load: traces.CrashOff})
	in := inputOf(tr, probeLimit(120))
	in.Started = parseTime(t, "2026-05-03T01:30:00Z")
	res := evaluate(t, in, tr)
	f := findingOf(res, "load_lost")
	if f == nil || res.Load.LostTo != "off" || !strings.Contains(f.Consistent, "lost power") {
		t.Fatalf("%+v %+v", f, res.Load)
	}
	for _, want := range []string{"of the plan missing", "the hot spot " + res.Peak.Channel + " was at"} {
		if !strings.Contains(f.Seen, want) {
			t.Errorf("%q is missing in %q", want, f.Seen)
		}
	}
	at := in.Started.Add(secondsOf(int64(*res.Load.EndS))).Format("15:04:05 UTC")
	if why := res.Reasons[0].Text; !strings.Contains(why, "was lost at "+at) || !strings.Contains(why, "before its planned end") {
		t.Errorf("%q does not say that the load was lost at %s", why, at)
	}
	if math.Abs(*res.Load.MissingS-(3900-tr.Truth.CrashS)) > 3 {
		t.Errorf("missing %v", *res.Load.MissingS)
	}
}

// TestRestartOfTheRecorder: the run goes on with a hole that is told, not stitched.
func TestRestartOfTheRecorder(t *testing.T) {
	in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "w", Kind: record.Power, Role: record.RoleSupply}}}
	in.Start.Plan = DefaultPlan(3600, probeLimit(120))
	p := newPair(t, in)
	for s := range 4200 {
		if s >= 1500 && s < 1700 {
			continue
		}
		if s == 1700 {
			p.t.Restart(1700, 200, false)
			p.r.Restart(1700, 200, false)
			p.t.ClockStep(1700, -3600, true)
			p.r.ClockStep(1700, -3600, true)
		}
		w := 40.0
		if s >= 300 && s < 3900 {
			w = 200
		}
		p.Observe(Observation{AtS: float64(s), Channel: 0, Value: 30 + w/10})
		p.Observe(Observation{AtS: float64(s), Channel: 1, Value: w})
	}
	p.Stop(4200, "")
	p.same(t, 4200)
	res := p.r.Evaluate()
	if len(res.Gaps) != 1 || res.Gaps[0].Cause != "restart" || res.Gaps[0].FromS != 1500 || res.Gaps[0].DurationS != 200 || !strings.Contains(res.Gaps[0].Text, "not synchronised") {
		t.Errorf("gaps %+v", res.Gaps)
	}
	if res.Load.Outcome != "complete" || *res.Load.EndS != 3900 || res.Verdict != record.VerdictVoid || res.Probes[0].Health != "incomplete" || res.Probes[0].LongestGapS != 200 {
		t.Errorf("%s %+v %+v", res.Verdict, res.Load, res.Probes[0])
	}
	if want := 3400 * 200.0; math.Abs(*res.Load.EnergyJ-want) > 300 || math.Abs(*res.Load.EnergyCoverage-3400.0/3600) > 0.002 || math.Abs(*res.Load.MeanW-200) > 1e-6 {
		t.Errorf("energy %v covers %v, mean %v", *res.Load.EnergyJ, *res.Load.EnergyCoverage, *res.Load.MeanW)
	}
	if findingOf(res, "restart") == nil || findingOf(res, "clock_step") == nil || findingOf(res, "energy_coverage") == nil {
		t.Errorf("findings %+v", res.Findings)
	}
}

func TestEnergyByCounterAndReset(t *testing.T) {
	const modulus = 9999.99 * 3.6e6 // J: a module that counts to 9999.99 kWh
	run := func(counter func(s int) float64) *record.Load {
		in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "w", Kind: record.Power, Role: record.RoleSupply}, {Name: "e", Kind: record.Energy, Role: record.RoleSupply, Modulus: modulus}}}
		in.Start.Plan = DefaultPlan(1000, nil)
		rec, err := NewRecording(in)
		if err != nil {
			t.Fatal(err)
		}
		for s := range 1400 {
			w := 40.0
			if s >= 100 && s < 1100 {
				w = 200
			}
			rec.Observe(Observation{AtS: float64(s), Channel: 0, Value: 40})
			rec.Observe(Observation{AtS: float64(s), Channel: 1, Value: w})
			rec.Observe(Observation{AtS: float64(s), Channel: 2, Value: counter(s)})
		}
		rec.Stop(1400, "")
		res := rec.Evaluate()
		finite.Check(t, res)
		if f := findingOf(res, "counter_reset"); (f != nil) != (res.Load.EnergyBy == "integral") {
			t.Errorf("reset finding %+v with energy by %s", f, res.Load.EnergyBy)
		}
		return res.Load
	}
	l := run(func(s int) float64 { return 5e6 + 210*float64(s) })
	if l.EnergyBy != "counter" || math.Abs(*l.EnergyJ-210e3) > 1 || l.MeanBy != "counter" || math.Abs(*l.MeanW-210) > 1e-6 {
		t.Errorf("counter: %+v %v", l, *l.EnergyJ)
	}
	l = run(func(s int) float64 { return 210 * float64(s%600) })
	if l.EnergyBy != "integral" || math.Abs(*l.EnergyJ-200e3) > 300 {
		t.Errorf("reset: %s %v", l.EnergyBy, *l.EnergyJ)
	}
	l = run(func(s int) float64 { return math.Mod(modulus-100e3+210*float64(s), modulus) })
	if l.EnergyBy != "counter" || math.Abs(*l.EnergyJ-210e3) > 1 {
		t.Errorf("wrap: %s %v", l.EnergyBy, *l.EnergyJ)
	}
	l = run(func(s int) float64 { // the counter jumps by 20 kWh within a second
		return 5e6 + 210*float64(s) + 72e6*float64(s/600)
	})
	if l.EnergyBy != "integral" {
		t.Errorf("jump: %s %v", l.EnergyBy, *l.EnergyJ)
	}
}

// TestPowerIsWordedAsSeen: every kind of limiting and what must not be taken for it.
func TestPowerIsWordedAsSeen(t *testing.T) {
	for _, c := range []struct {
		load    traces.Load
		seed    uint64
		pattern []string
		limited bool
		code    string
	}{
		{traces.Constant, 3, []string{"constant"}, false, ""},
		{traces.RenderLoop, 3, []string{"load_pattern"}, false, "load_pattern"},
		{traces.Boost, 3, []string{"constant"}, false, "early_step"},
		{traces.Trip, 3, []string{"thermal_cycling", "flat_top"}, true, "thermal_limiting"},
		{traces.FlatTop, 2, []string{"flat_top"}, true, "thermal_limiting"},
		{traces.RoomStep, 3, []string{"constant"}, false, "ambient_band"},
		{traces.FanFail, 3, []string{"constant"}, false, "cooling_changed"},
	} {
		tr := traces.Make(traces.Options{Seed: c.seed, Load: c.load})
		res := evaluate(t, inputOf(tr, nil), tr)
		if !slices.Contains(c.pattern, res.Load.Pattern) || res.Limited != c.limited {
			t.Errorf("%s: %s, limited %v (loss %v, truth %.3f)", c.load, res.Load.Pattern, res.Limited, series.OrAbsent(res.Load.LossShare), tr.Truth.Loss)
		}
		if f := findingOf(res, c.code); c.code != "" && (f == nil || f.Seen == "") {
			t.Errorf("%s: no %s among %+v", c.load, c.code, res.Findings)
		}
	}
}

func TestUnreadableReadingsAreCounted(t *testing.T) {
	in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}}}
	in.Start.Plan = RecordingPlan(100, nil)
	rec, err := NewRecording(in)
	if err != nil {
		t.Fatal(err)
	}
	for s := range 100 {
		rec.Observe(Observation{AtS: float64(s), Channel: 0, Value: 40})
	}
	rec.Observe(Observation{AtS: 20, Channel: 0, Value: 40})
	rec.Observe(Observation{AtS: 50, Channel: 7, Value: 40})
	rec.Observe(Observation{AtS: math.NaN(), Channel: 0, Value: 40})
	rec.Observe(Observation{AtS: 1e11, Channel: 0, Value: 40})
	rec.Stop(100, "")
	rec.Observe(Observation{AtS: 101, Channel: 0, Value: 99})
	res := rec.Evaluate()
	if f := findingOf(res, "refused_readings"); f == nil || !strings.HasPrefix(f.Seen, "3 ") {
		t.Errorf("refused %+v", f)
	}
	if f := findingOf(res, "late_readings"); f == nil || !strings.HasPrefix(f.Seen, "1 ") {
		t.Errorf("late %+v", f)
	}
	if res.Peak == nil || res.Peak.HeldC != 40 || res.DurationS != 100 {
		t.Errorf("peak %+v over %v s", res.Peak, res.DurationS)
	}
}
