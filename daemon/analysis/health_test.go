package analysis

import (
	"math"
	"strings"
	"testing"

	"soakrig/daemon/analysis/internal/traces"
	"soakrig/daemon/record"
)

func TestProbeHealth(t *testing.T) {
	for _, c := range []struct {
		fault      traces.Fault
		health     string
		code       string
		counts     bool
		lowerBound bool
		void       bool
		timed      bool
	}{
		{traces.Healthy, "good", "", true, false, false, false},
		{traces.Detached, "detached", "probe_detached", true, true, true, true},
		{traces.HalfDetached, "detached", "probe_detached", true, true, true, true},
		{traces.NeverAttached, "never_attached", "probe_never_attached", false, true, true, false},
		{traces.Reversed, "reversed", "probe_reversed", false, true, true, false},
		{traces.Stuck, "stuck", "probe_stuck", true, true, true, true},
		{traces.OpenCircuit, "lost", "probe_lost", true, true, true, true},
		{traces.PickupUp, "pickup", "pickup", true, false, false, false},
	} {
		t.Run(string(c.fault), func(t *testing.T) {
			tr := traces.Make(traces.Options{Seed: 11, Load: traces.Constant, Fault: c.fault})
			res := evaluate(t, inputOf(tr, probeLimit(150)), tr)
			i := max(tr.Truth.Probe, 0)
			p := res.Probes[i]
			if p.Health != c.health || p.Counts != c.counts {
				t.Fatalf("%s: health %s counts %v: %s", p.Channel, p.Health, p.Counts, p.Note)
			}
			if res.Peak.LowerBound != c.lowerBound || (res.Verdict == record.VerdictVoid) != c.void {
				t.Errorf("lower bound %v, verdict %s %v", res.Peak.LowerBound, res.Verdict, res.Reasons)
			}
			want := 8
			if c.void {
				want = 7
				if res.Reasons[0].Code != c.code || !strings.Contains(res.Reasons[0].Text, p.Channel) {
					t.Errorf("first reason %+v", res.Reasons[0])
				}
			}
			if res.Peak.ProbesGood != want || res.Peak.ProbesTotal != 8 {
				t.Errorf("%d of %d probes", res.Peak.ProbesGood, res.Peak.ProbesTotal)
			}
			for j, q := range res.Probes {
				if j != i && q.Health != "good" {
					t.Errorf("%s is %s: %s", q.Channel, q.Health, q.Note)
				}
			}
			for _, f := range res.Findings {
				if f.Code == c.code && c.timed && math.Abs(*f.FromS-tr.Truth.FaultS) > 20 {
					t.Errorf("dated %v, truth %v", *f.FromS, tr.Truth.FaultS)
				}
			}
		})
	}
}

// TestFailStandsWithALostProbe: the limit was passed before the probe went, so the
// run proves a fail; the lost probe cannot take it back.
func TestFailStandsWithALostProbe(t *testing.T) {
	tr := traces.Make(traces.Options{Seed: 11, Load: traces.Constant, Fault: traces.OpenCircuit})
	res := evaluate(t, inputOf(tr, probeLimit(tr.Truth.PeakC[tr.Truth.HotSpot]-10)), tr)
	codes := []string{}
	for _, r := range res.Reasons {
		codes = append(codes, r.Code)
	}
	if res.Verdict != record.VerdictFail || codes[0] != "limit" || !strings.Contains(strings.Join(codes, " "), "probe_lost") {
		t.Errorf("%s for %v", res.Verdict, codes)
	}
}

// TestExcludedProbe: a mark is the recorded decision to leave a probe out; the
// result says how many probes it rests on.
func TestExcludedProbe(t *testing.T) {
	tr := traces.Make(traces.Options{Seed: 11, Load: traces.Constant, Fault: traces.NeverAttached})
	rec, err := NewRecording(inputOf(tr, probeLimit(150)))
	if err != nil {
		t.Fatal(err)
	}
	name := tr.Channels[tr.Truth.Probe].Name
	rec.Mark(1, "exclude "+name+": bead was never glued", "who")
	rec.Mark(2, "exclude vr99: there is no such probe", "who")
	feed(tr, rec)
	res := rec.Evaluate()
	if res.Verdict != record.VerdictVoid && res.Verdict != record.VerdictPass {
		t.Fatalf("%s %v", res.Verdict, res.Reasons)
	}
	if res.Verdict != record.VerdictPass || res.Peak.ProbesGood != 7 || res.Probes[tr.Truth.Probe].Counts {
		t.Errorf("%s with %d probes; %v", res.Verdict, res.Peak.ProbesGood, res.Reasons)
	}
	if !strings.Contains(reasonText(res, "probe_excluded"), "7 of 8") {
		t.Errorf("reasons %v", res.Reasons)
	}
}

func reasonText(r record.Result, code string) string {
	for _, x := range r.Reasons {
		if x.Code == code {
			return x.Text
		}
	}
	return ""
}

// plateau is a run of an hour from detected load, probes at fixed levels, changed by
// the caller second by second.
func plateau(t *testing.T, limits []record.Limit, change func(s int, v []float64, faults []record.Faults)) record.Result {
	t.Helper()
	in := Input{Rig: "bench", Start: record.RunStart{Run: "r", Plan: DefaultPlan(3600, limits)}, Channels: []Channel{
		{Name: "a", Kind: record.Temperature, Role: record.RoleProbe, Unit: "degC"}, {Name: "b", Kind: record.Temperature, Role: record.RoleProbe, Unit: "degC"},
		{Name: "c", Kind: record.Temperature, Role: record.RoleProbe, Unit: "degC"}, {Name: "room", Kind: record.Temperature, Role: record.RoleAmbient, Unit: "degC"},
		{Name: "wall", Kind: record.Power, Role: record.RoleSupply, Unit: "W"}}}
	p := newPair(t, in)
	for s := range 4300 {
		on := s >= 300 && s < 3900
		f := 0.0
		if on {
			f = 1 - math.Exp(-float64(s-300)/200)
		} else if s >= 3900 {
			f = math.Exp(-float64(s-3900) / 200)
		}
		wobble := 0.05 * math.Sin(float64(s*s%97))
		v := []float64{25 + 50*f + wobble, 25 + 45*f - wobble, 25 + 40*f + 2*wobble, 23 + wobble/5, 40}
		if on {
			v[4] = 200 + wobble
		}
		faults := make([]record.Faults, 5)
		change(s, v, faults)
		for ch := range v {
			p.Observe(Observation{AtS: float64(s), Channel: ch, Value: v[ch], Faults: faults[ch]})
		}
	}
	p.Stop(4300, "")
	p.same(t, 4300)
	return p.r.Evaluate()
}

func TestCoverage(t *testing.T) {
	for _, c := range []struct {
		name        string
		missing     func(s int) bool
		health      string
		coverage    float64
		longest     float64
		lowerBound  bool
		faultsCount int
	}{
		{"all there", func(int) bool { return false }, "good", 1, 0, false, 0},
		{"4 % faults", func(s int) bool { return s >= 300 && s < 3900 && s%25 == 0 }, "good", 0.96, 1, false, 144},
		{"6 % faults", func(s int) bool { return s >= 300 && s < 3900 && s%50 < 3 }, "incomplete", 0.94, 3, true, 216},
		{"one hole of 59 s", func(s int) bool { return s >= 1000 && s < 1059 }, "good", 1 - 59.0/3600, 59, false, 59},
		{"one hole of 70 s", func(s int) bool { return s >= 1000 && s < 1070 }, "incomplete", 1 - 70.0/3600, 70, true, 70},
		{"gone for the last 61 s", func(s int) bool { return s >= 3839 && s < 3900 }, "lost", 1 - 61.0/3600, 61, true, 61},
		{"gone before the load only", func(s int) bool { return s < 300 }, "good", 1, 0, false, 300},
	} {
		t.Run(c.name, func(t *testing.T) {
			res := plateau(t, probeLimit(120), func(s int, _ []float64, f []record.Faults) {
				if c.missing(s) {
					f[1] = record.Open
				}
			})
			p := res.Probes[1]
			if p.Health != c.health || math.Abs(p.Coverage-c.coverage) > 1e-9 || p.LongestGapS != c.longest || p.Faults["open"] != c.faultsCount {
				t.Errorf("%+v", p)
			}
			if res.Peak.LowerBound != c.lowerBound || (res.Verdict == record.VerdictVoid) != c.lowerBound {
				t.Errorf("lower bound %v, %s %v", res.Peak.LowerBound, res.Verdict, res.Reasons)
			}
		})
	}
}

// TestNeverAValueFromAFault: full-scale codes with a fault bit are no temperatures.
func TestNeverAValueFromAFault(t *testing.T) {
	res := plateau(t, probeLimit(120), func(s int, v []float64, f []record.Faults) {
		if s%100 < 4 {
			v[0], f[0] = 2047, record.Open
		}
	})
	if *res.Probes[0].RawMaxC > 76 || res.Peak.HeldC > 76 {
		t.Errorf("raw maximum %v, peak %v", *res.Probes[0].RawMaxC, res.Peak.HeldC)
	}
}

func TestGroundedAndAbsent(t *testing.T) {
	res := plateau(t, nil, func(s int, _ []float64, f []record.Faults) {
		f[2] = record.NoChip
		if s > 1000 && s < 1010 {
			f[0] = record.ShortToGround
		}
	})
	if res.Probes[2].Health != "absent" || res.Probes[2].Counts || res.Probes[2].HeldC != nil || res.Probes[2].Coverage != 0 {
		t.Errorf("absent probe %+v", res.Probes[2])
	}
	if f := findingOf(res, "probe_grounded"); f == nil || f.Channel != "a" || f.Consistent == "" {
		t.Errorf("grounded: %+v", f)
	}
}

func findingOf(r record.Result, code string) *record.Finding {
	for i := range r.Findings {
		if r.Findings[i].Code == code {
			return &r.Findings[i]
		}
	}
	return nil
}

// TestTimeAboveLimit: hysteresis of 1 K, excursions of 10 s and more.
func TestTimeAboveLimit(t *testing.T) {
	limits := []record.Limit{{Name: "n", Channel: "a", Quantity: "value", Bound: 90, Severity: "note"}}
	res := plateau(t, limits, func(s int, v []float64, _ []record.Faults) {
		switch {
		case s >= 2000 && s < 2040: // 40 s
			v[0] = 91
			if s == 2020 {
				v[0] = 89.5 // within the hysteresis: the same excursion
			}
		case s >= 2500 && s < 2505: // too short
			v[0] = 95
		case s >= 3000 && s < 3015: // 15 s
			v[0] = 92
		}
	})
	p := res.Probes[0]
	if p.AboveCount != 2 || *p.AboveLimitS != 54 || p.AboveLongestS != 39 {
		t.Errorf("%d times, %v s, longest %v s", p.AboveCount, *p.AboveLimitS, p.AboveLongestS)
	}
	if *p.HeldC != 92 || *p.RawMaxC != 95 || *p.HeldAtS != 3000 {
		t.Errorf("held %v at %v, raw %v", *p.HeldC, *p.HeldAtS, *p.RawMaxC)
	}
	if f := findingOf(res, "limit"); f == nil || *f.FromS != 2000 {
		t.Errorf("first beyond the bound for the dwell: %+v", f)
	}
}

// TestAfterLoadMaximum: with the fans off the board soaks back.
func TestAfterLoadMaximum(t *testing.T) {
	res := plateau(t, probeLimit(120), func(s int, v []float64, _ []record.Faults) {
		if s >= 3900 && s < 4000 {
			v[2] = 88
		}
	})
	if p := res.Probes[2]; p.AfterLoadMaxC == nil || *p.AfterLoadMaxC != 88 || *p.HeldC > 66 {
		t.Errorf("after load %v, held %v", p.AfterLoadMaxC, *p.HeldC)
	}
	if res.Verdict != record.VerdictPass {
		t.Errorf("%s %v: what comes after the load is its own number", res.Verdict, res.Reasons)
	}
}

func TestRecirculationAndZeroSpread(t *testing.T) {
	in := Input{Channels: []Channel{{Name: "a", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "b", Kind: record.Temperature, Role: record.RoleProbe},
		{Name: "room", Kind: record.Temperature, Role: record.RoleAmbient}, {Name: "in", Kind: record.Temperature, Role: record.RoleIntake},
		{Name: "w", Kind: record.Power, Role: record.RoleSupply}}}
	in.Start.Plan = DefaultPlan(1200, nil)
	rec, err := NewRecording(in)
	if err != nil {
		t.Fatal(err)
	}
	for s := range 1800 {
		v := []float64{23, 26, 23, 23, 0.5}
		if s >= 300 && s < 1500 {
			v = []float64{60, 61, 23, 25.5, 150}
		}
		for ch := range v {
			rec.Observe(Observation{AtS: float64(s), Channel: ch, Value: v[ch]})
		}
	}
	rec.Stop(1800, "")
	res := rec.Evaluate()
	if f := findingOf(res, "recirculation"); f == nil || !strings.Contains(f.Seen, "2.5 K") || f.Consistent == "" {
		t.Errorf("recirculation %+v", f)
	}
	if f := findingOf(res, "zero_spread"); f == nil || !strings.Contains(f.Seen, "3.0 K") {
		t.Errorf("zero spread %+v", f)
	}
}

// TestStuckFromTheStart: a converter that gives one number all through is stuck; a bead
// in air, which it would be taken for by its rise, never reads so.
func TestStuckFromTheStart(t *testing.T) {
	tr := traces.Make(traces.Options{Seed: 11, Load: traces.Constant})
	in := inputOf(tr, probeLimit(150))
	for i := range tr.Readings {
		if in.Channels[tr.Readings[i].Channel].Role == record.RoleProbe {
			tr.Readings[i].Value = 23.25
			for j := range tr.Readings {
				if tr.Readings[j].Channel == tr.Readings[i].Channel {
					tr.Readings[j].Value = 23.25
				}
			}
			break
		}
	}
	res := evaluate(t, in, tr)
	if p := res.Probes[0]; p.Health != "stuck" {
		t.Errorf("%s is %s: %s", p.Channel, p.Health, p.Note)
	}
}
