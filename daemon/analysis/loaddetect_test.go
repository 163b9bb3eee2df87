package analysis

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/finite"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// stretchW is a stretch of constant power.
type stretchW struct {
	seconds int
	w       float64
}

// powerRun feeds power (and a probe) second by second, or every period seconds.
func powerRun(t *testing.T, plan record.Plan, period int, parts ...stretchW) (*Recording, record.Result) {
	t.Helper()
	in := Input{Start: record.RunStart{Run: "r", Plan: plan}, Channels: []Channel{
		{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "w", Kind: record.Power, Role: record.RoleSupply}}}
	rec, err := NewRecording(in)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(7, 7))
	s, temp := 0, 25.0
	for _, p := range parts {
		for range p.seconds {
			temp += (25 + p.w/4 - temp) / 120
			if s%period == 0 {
				rec.Observe(Observation{AtS: float64(s), Channel: 0, Value: temp + 0.05*r.NormFloat64()})
				rec.Observe(Observation{AtS: float64(s), Channel: 1, Value: max(p.w+0.5*r.NormFloat64(), 0)})
			}
			s++
		}
	}
	rec.Stop(float64(s), "")
	res := rec.Evaluate()
	finite.Check(t, res)
	return rec, res
}

func TestLoadDetection(t *testing.T) {
	for _, c := range []struct {
		name       string
		loadS      float64
		period     int
		parts      []stretchW
		start, end float64 // -1: not seen
		tolerance  float64
		outcome    string
		lostTo     string
	}{
		{"plain", 600, 1, []stretchW{{120, 40}, {600, 200}, {200, 40}}, 120, 720, 0, "complete", ""},
		{"small step below 15 W is idle", 600, 1, []stretchW{{120, 40}, {600, 53}, {200, 40}}, -1, -1, 0, "not_seen", ""},
		{"just above the threshold", 600, 1, []stretchW{{120, 40}, {600, 58}, {200, 40}}, 120, 720, 0, "complete", ""},
		{"a burst of 9 s is no load", 600, 1, []stretchW{{60, 40}, {9, 200}, {60, 40}, {600, 200}, {200, 40}}, 129, 729, 0, "complete", ""},
		{"a gap of 85 s is part of the load", 600, 1, []stretchW{{60, 40}, {300, 200}, {85, 40}, {215, 200}, {200, 40}}, 60, 660, 0, "complete", ""},
		{"a gap of 120 s ends it", 600, 1, []stretchW{{60, 40}, {300, 200}, {120, 40}, {180, 200}, {200, 40}}, 60, 360, 0, "lost", "idle"},
		{"off", 3600, 1, []stretchW{{60, 40}, {600, 200}, {400, 0.5}}, 60, 660, 0, "lost", "off"},
		{"restarted", 3600, 1, []stretchW{{60, 40}, {600, 200}, {20, 1}, {400, 40}}, 60, 660, 0, "lost", "restarted"},
		{"idle", 3600, 1, []stretchW{{60, 40}, {600, 200}, {400, 42}}, 60, 660, 0, "lost", "idle"},
		{"stopped early", 3600, 1, []stretchW{{60, 40}, {600, 200}}, 60, 660, 0, "ended_early", ""},
		{"no planned length", 0, 1, []stretchW{{60, 40}, {600, 200}, {200, 40}}, 60, 660, 0, "complete", ""},
		{"power-on is not the load", 600, 1, []stretchW{{100, 1}, {30, 60}, {300, 40}, {600, 200}, {200, 40}}, 430, 1030, 0, "complete", ""},
		{"a supply switched on under load", 600, 1, []stretchW{{100, 0.5}, {600, 200}, {200, 0.5}}, 100, 700, 0, "complete", ""},
		{"every 10 s", 600, 10, []stretchW{{300, 40}, {600, 200}, {300, 40}}, 300, 900, 10, "complete", ""},
		{"every 30 s", 1800, 30, []stretchW{{300, 40}, {1800, 200}, {600, 40}}, 300, 2100, 30, "complete", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			plan := DefaultPlan(c.loadS, nil)
			_, res := powerRun(t, plan, c.period, c.parts...)
			l := res.Load
			if l.Outcome != c.outcome || l.LostTo != c.lostTo {
				t.Fatalf("outcome %s %q, want %s %q", l.Outcome, l.LostTo, c.outcome, c.lostTo)
			}
			if c.start < 0 {
				if l.StartS != nil {
					t.Fatalf("load from %v, none is there", *l.StartS)
				}
				return
			}
			if l.Source != "detected" || math.Abs(*l.StartS-c.start) > c.tolerance || math.Abs(*l.EndS-c.end) > c.tolerance {
				t.Errorf("%s %v..%v, want %v..%v", l.Source, *l.StartS, *l.EndS, c.start, c.end)
			}
		})
	}
}

// TestRecordingThatBeginsOnLoad: the first row is already on load.
func TestRecordingThatBeginsOnLoad(t *testing.T) {
	for _, plan := range []record.Plan{RecordingPlan(600, nil), DefaultPlan(600, nil)} {
		_, res := powerRun(t, plan, 1, stretchW{600, 200}, stretchW{300, 40})
		if res.Load.Source != "on_at_start" || *res.Load.StartS != 0 || math.Abs(*res.Load.EndS-600) > 1 || res.Load.Outcome != "complete" {
			t.Errorf("fall seen: %+v", res.Load)
		}
		if res.Load.IdleW == nil || math.Abs(*res.Load.IdleW-40) > 2 {
			t.Errorf("idle after the load %v", res.Load.IdleW)
		}
		_, res = powerRun(t, plan, 1, stretchW{610, 200})
		if res.Load.Source != "on_at_start" || res.Load.StartS == nil || *res.Load.StartS != 0 || res.Peak == nil || res.Verdict != record.VerdictNone {
			t.Errorf("nothing but load: %+v %v", res.Load, res.Reasons)
		}
		_, res = powerRun(t, plan, 1, stretchW{600, 1})
		for _, p := range res.Probes {
			if p.Health != "unjudged" { // a probe is judged by what it gives on load
				t.Errorf("probe %s is %s without a load", p.Channel, p.Health)
			}
		}
		if res.Load.Outcome != "not_seen" || res.Verdict != record.VerdictVoid {
			t.Errorf("nothing but idle: %+v %s", res.Load, res.Verdict)
		}
	}
}

func TestMarksTellTheLoad(t *testing.T) {
	run := func(power bool, loadAt, offAt int, marks map[int]string) record.Result {
		in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}}}
		if power {
			in.Channels = append(in.Channels, Channel{Name: "w", Kind: record.Power, Role: record.RoleSupply})
		}
		in.Start.Plan = DefaultPlan(600, nil)
		p := newPair(t, in)
		for s := range 1300 {
			if m, ok := marks[s]; ok {
				p.Mark(float64(s), m)
			}
			p.Observe(Observation{AtS: float64(s), Channel: 0, Value: 30 + 20*(1-math.Exp(-float64(max(s-loadAt, 0))/100))})
			w := 40.0
			if s >= loadAt && s < offAt {
				w = 200
			}
			if power {
				p.Observe(Observation{AtS: float64(s), Channel: 1, Value: w})
			}
		}
		p.Stop(1300, "")
		p.same(t, 1300)
		return p.r.Evaluate()
	}
	for _, c := range []struct {
		name          string
		power         bool
		loadAt, offAt int
		marks         map[int]string
		source        string
		start, end    float64
	}{
		{"marks alone", false, 200, 800, map[int]string{200: "load start", 800: "Load End"}, "marked", 200, 800},
		{"no power, no marks: the plan", false, 300, 900, nil, "planned", 300, 900},
		{"a mark before power rises gives way to power", true, 230, 830, map[int]string{200: "load start"}, "detected", 230, 830},
		{"a mark just after", true, 200, 800, map[int]string{205: "load start"}, "detected", 200, 800},
		{"a mark while nothing rises", true, 900, 1400, map[int]string{200: "load start", 800: "load end"}, "marked", 200, 800},
		{"a mark long after power rose", true, 200, 1000, map[int]string{400: "load start", 1000: "load end"}, "marked", 400, 1000},
		{"the end by mark though power stays", true, 200, 1300, map[int]string{800: "load end"}, "detected", 200, 800},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := run(c.power, c.loadAt, c.offAt, c.marks).Load
			if l.Source != c.source || l.StartS == nil || l.EndS == nil || *l.StartS != c.start || *l.EndS != c.end {
				t.Errorf("%s %v..%v, want %s %v..%v", l.Source, series.OrAbsent(l.StartS), series.OrAbsent(l.EndS), c.source, c.start, c.end)
			}
		})
	}
}

// TestDeadMeterDoesNotHoldTheRun: a meter that never answers, or stops answering on
// load, leaves the load to the plan.
func TestDeadMeterDoesNotHoldTheRun(t *testing.T) {
	for _, dies := range []int{0, 600} {
		in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "w", Kind: record.Power, Role: record.RoleSupply}}}
		in.Start.Plan = DefaultPlan(900, nil)
		p := newPair(t, in)
		for s := range 2500 {
			w := Observation{AtS: float64(s), Channel: 1, Value: 40}
			if s >= 300 {
				w.Value = 200
			}
			if s >= dies {
				w = Observation{AtS: float64(s), Channel: 1, Faults: record.Timeout}
			}
			p.Observe(Observation{AtS: float64(s), Channel: 0, Value: 50 + float64(s%3)})
			p.Observe(w)
		}
		phase, began := p.t.Phase()
		if phase != record.PhaseEnded || began < 1800 || began > 2200 {
			t.Errorf("meter dies at %d: %s since %g", dies, phase, began)
		}
		p.Stop(2500, "")
		p.same(t, 2500)
		res := p.r.Evaluate()
		if res.Load.StartS == nil || *res.Load.StartS != 300 || math.Abs(*res.Load.EndS-1200) > 300 || res.Peak == nil {
			t.Errorf("meter dies at %d: %+v", dies, res.Load)
		}
	}
}

// TestIdleNoiseOfDesktops injects a load into noisy idle power in 2 W steps.
func TestIdleNoiseOfDesktops(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 9))
		d := newDetector(constants.Default())
		var start, end int64 = -1, -1
		starts := 0
		for s := range int64(6000) {
			w := 60 + 4*r.NormFloat64()
			if r.IntN(40) == 0 {
				w += 25 * r.Float64() // a burst of a second
			}
			if s >= 1200 && s < 4800 {
				w += 150
			}
			switch what, at := d.push(s, math.Round(w/2)*2); what {
			case startEdge:
				start = at
				starts++
			case endEdge:
				end = at
			}
		}
		if starts != 1 || start < 1198 || start > 1202 || end < 4798 || end > 4802 {
			t.Errorf("seed %d: %d loads, %d..%d", seed, starts, start, end)
		}
	}
}

func TestPhases(t *testing.T) {
	started := "2026-05-02T22:00:00Z"
	plan := record.Plan{Phases: []record.PhasePlan{
		{Phase: record.PhaseBaseline, LengthS: 100, Begins: "time", At: "2026-05-02T22:01:00Z"},
		{Phase: record.PhaseLoad, LengthS: 400, Begins: "mark", At: "burn begins", Results: true},
		{Phase: record.PhaseCooldown, LengthS: 50, Begins: "call"},
	}}
	in := Input{Started: parseTime(t, started), Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}}}
	in.Start.Plan = plan
	p := newPair(t, in)
	var text []string
	for s := range 700 {
		switch s {
		case 200:
			p.Mark(200, "Burn begins")
		case 600:
			p.t.Begin(600, record.PhaseCooldown)
			p.r.Begin(600, record.PhaseCooldown)
		}
		p.Observe(Observation{AtS: float64(s), Channel: 0, Value: 40})
		for _, e := range p.t.Events() {
			text = append(text, e.Event+" "+string(e.Phase))
		}
	}
	p.Stop(700, "")
	p.same(t, 700)
	got := p.r.Evaluate().Phases
	want := []record.PhaseResult{{Phase: "waiting", StartS: 0, EndS: 60, Began: "now"}, {Phase: "baseline", StartS: 60, EndS: 200, Began: "planned"},
		{Phase: "load", StartS: 200, EndS: 600, Began: "marked"}, {Phase: "cooldown", StartS: 600, EndS: 650, Began: "called"}}
	if len(got) != len(want) {
		t.Fatalf("phases %+v", got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("phase %d: %+v, want %+v", i, got[i], want[i])
		}
	}
	if l := p.r.Evaluate().Load; l.Source != "marked" || *l.StartS != 200 || *l.EndS != 600 {
		t.Errorf("load %+v", l)
	}
	if all := strings.Join(text, ", "); !strings.HasSuffix(all, "phase ended") || strings.Count(all, "phase ") != 4 {
		t.Errorf("events %s", all)
	}
}
