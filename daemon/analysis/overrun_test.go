package analysis

import (
	"math"
	"slices"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// TestLoadThatDoesNotStop: the planned time is judged, the plan goes on to its end by
// itself, and the result says that power stayed up.
func TestLoadThatDoesNotStop(t *testing.T) {
	for _, c := range []struct {
		name     string
		parts    []stretchW
		end      float64
		severity string // of load_longer; empty: it is not said
		seen     string
	}{
		{"for ever", []stretchW{{60, 40}, {2000, 200}}, 660, "warning", "still up when the record ended"},
		{"by five minutes", []stretchW{{60, 40}, {900, 200}, {400, 40}}, 660, "note", "beyond the planned 10 min"},
		{"by 20 s", []stretchW{{60, 40}, {620, 200}, {400, 40}}, 660, "", ""},
		{"a pause over the planned end", []stretchW{{60, 40}, {580, 200}, {40, 40}, {300, 200}, {400, 40}}, 660, "note", "beyond the planned 10 min"},
		{"a fall just before the planned end", []stretchW{{60, 40}, {590, 200}, {400, 40}}, 650, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			plan := DefaultPlan(600, nil)
			plan.Phases[2].LengthS = 300
			tk, res := powerRun(t, plan, 1, c.parts...)
			l := res.Load
			if l.Outcome != "complete" || *l.StartS != 60 || math.Abs(*l.EndS-c.end) > 1 {
				t.Errorf("%s, %v..%v, want complete, 60..%v", l.Outcome, *l.StartS, *l.EndS, c.end)
			}
			f := findingOf(res, "load_longer")
			if c.severity == "" {
				if f != nil {
					t.Errorf("said %q", f.Seen)
				}
			} else if f == nil || f.Severity != c.severity || !strings.Contains(f.Seen, c.seen) {
				t.Errorf("%+v, want a %s that says %q", f, c.severity, c.seen)
			}
			if !tk.complete {
				t.Error("the plan did not come to its end")
			}
			if n := len(res.Phases); n < 2 || res.Phases[n-1].Phase != record.PhaseCooldown || math.Abs(res.Phases[n-1].EndS-c.end-300) > 1 {
				t.Errorf("phases %+v", res.Phases)
			}
		})
	}
}

// TestLostShortlyBeforeThePlannedEnd: whatever begins the next phase, power that fell
// a minute before the planned end is a lost load, not a complete one.
func TestLostShortlyBeforeThePlannedEnd(t *testing.T) {
	after := DefaultPlan(600, nil)
	after.Phases[2].Begins = "after"
	last := DefaultPlan(600, nil)
	last.Phases = last.Phases[:2]
	for name, plan := range map[string]record.Plan{"default": DefaultPlan(600, nil), "cooldown after the load": after, "load last": last} {
		_, res := powerRun(t, plan, 1, stretchW{60, 40}, stretchW{540, 200}, stretchW{900, 40})
		if res.Load.Outcome != "lost" || math.Abs(*res.Load.EndS-600) > 1 {
			t.Errorf("%s: %s, ended %v", name, res.Load.Outcome, *res.Load.EndS)
		}
	}
}

// boardRun feeds a plan with a board whose probes follow hot above the room.
func boardRun(t *testing.T, plan record.Plan, seconds int, watts, hot func(s int) float64) (pair, record.Result, map[int][]string) {
	t.Helper()
	in := Input{Rig: "r", Start: record.RunStart{Run: "1", Unit: "u", Plan: plan}, Started: parseTime(t, "2026-05-02T22:00:00Z"),
		Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe, Unit: "degC"}, {Name: "q", Kind: record.Temperature, Role: record.RoleProbe, Unit: "degC"},
			{Name: "w", Kind: record.Power, Role: record.RoleSupply, Unit: "W"}, {Name: "room", Kind: record.Temperature, Role: record.RoleAmbient, Unit: "degC"}}}
	p := newPair(t, in)
	warned := map[int][]string{}
	for s := range seconds {
		wobble := float64(s%5)/50 - 0.04
		for ch, v := range []float64{23 + hot(s) + wobble, 23 + 0.9*hot(s) - wobble, watts(s) + 10*wobble, 23} {
			p.Observe(Observation{AtS: float64(s), Channel: ch, Value: v})
		}
		if s%50 == 0 {
			for _, w := range p.t.Live().Warnings {
				warned[s] = append(warned[s], w.Code)
			}
		}
		if s%333 == 0 {
			p.same(t, float64(s))
		}
	}
	p.Stop(float64(seconds), "end")
	p.same(t, float64(seconds))
	return p, p.r.Evaluate(), warned
}

// warmUp is a rise towards top with a time constant of 500 s, from a second on.
func warmUp(s, from int, top float64) float64 {
	if s < from {
		return 0
	}
	return top * -math.Expm1(-float64(s-from)/500)
}

// TestLoadOnWhenTheRunBegins: there is no rise of power to find; the probes tell.
func TestLoadOnWhenTheRunBegins(t *testing.T) {
	plan := DefaultPlan(1200, probeLimit(95))
	for _, c := range []struct {
		name   string
		watts  func(s int) float64
		hot    func(s int) float64
		source string
		start  float64
		end    float64
	}{
		{"hot and level", func(s int) float64 { return 300 }, func(int) float64 { return 55 }, onAtStart, 0, 1200},
		{"warming since a minute ago", func(s int) float64 { return 300 }, func(s int) float64 { return warmUp(s, -60, 50) }, onAtStart, 0, 1200},
		{"hot, lost after 15 min", func(s int) float64 { return 60 + 240*when01(s < 900) }, func(s int) float64 { return 55*when01(s < 900) + 10 }, onAtStart, 0, 900},
		{"cooling from an earlier run", func(s int) float64 { return 60 + 240*when01(s >= 700) }, func(s int) float64 { return 50*math.Exp(-float64(s)/600) + warmUp(s, 700, 45) }, "detected", 700, 1900},
		{"a hot idle unit, then the load", func(s int) float64 { return 60 + 240*when01(s >= 700) }, func(s int) float64 { return 33 + warmUp(s, 700, 30) }, "detected", 700, 1900},
		{"a phase of the load is not its start", func(s int) float64 { return 220 + 80*when01(s >= 700) }, func(s int) float64 { return 45 + warmUp(s, 700, 10) }, onAtStart, 0, 1200},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, res, warned := boardRun(t, plan, 2700, c.watts, c.hot)
			l := res.Load
			if l.Source != c.source || math.Abs(*l.StartS-c.start) > 2 || math.Abs(*l.EndS-c.end) > 2 {
				t.Fatalf("%s %v..%v, want %s %v..%v", l.Source, *l.StartS, *l.EndS, c.source, c.start, c.end)
			}
			if !p.t.complete {
				t.Error("the plan did not come to its end")
			}
			f := findingOf(res, "load_on_at_start")
			if said := slices.ContainsFunc(res.Reasons, func(r record.Reason) bool { return r.Code == "load_on_at_start" }); said != (c.source == onAtStart) || said != (f != nil) {
				t.Errorf("said %v, %+v", said, f)
			}
			if c.source == onAtStart && !slices.Contains(warned[350], "load_on_at_start") {
				t.Errorf("live at 350 s: %v", warned[350])
			}
		})
	}
}

func when01(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// TestLoadIsAskedFor: a run that waits for a load that does not come, or that can't be
// told, says so, and a mark helps.
func TestLoadIsAskedFor(t *testing.T) {
	plan := DefaultPlan(600, nil)
	_, res, warned := boardRun(t, plan, 2400, func(int) float64 { return 300 }, func(int) float64 { return 12 })
	if slices.Contains(warned[850], "load_awaited") || !slices.Contains(warned[950], "load_awaited") {
		t.Errorf("baseline is over at 300 s: at 850 s %v, at 950 s %v", warned[850], warned[950])
	}
	if res.Verdict != record.VerdictVoid || res.Reasons[0].Code != "load_not_seen" {
		t.Errorf("%s %+v", res.Verdict, res.Reasons)
	}
	in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "w", Kind: record.Power, Role: record.RoleSupply}}}
	in.Start.Plan = plan
	p := newPair(t, in)
	for s := range 2000 {
		p.Observe(Observation{AtS: float64(s), Channel: 0, Value: 35})
		p.Observe(Observation{AtS: float64(s), Channel: 1, Value: 300})
		if s == 1000 {
			p.Mark(1000, "load start")
		}
	}
	p.same(t, 2000)
	if len(p.t.Live().Warnings) != 0 {
		t.Errorf("after the mark: %+v", p.t.Live().Warnings)
	}
	if l := p.r.Evaluate().Load; l.Source != "marked" || *l.StartS != 1000 || *l.EndS != 1600 {
		t.Errorf("%s %v..%v", l.Source, *l.StartS, l.EndS)
	}
}
