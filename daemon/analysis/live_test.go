package analysis

import (
	"fmt"
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"soakrig/daemon/analysis/internal/finite"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/traces"
	"soakrig/daemon/record"
)

// pair feeds a tracker and a recording the same.
type pair struct {
	t *Tracker
	r *Recording
}

func newPair(t testing.TB, in Input) pair {
	t.Helper()
	tr, err := NewTracker(in)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := NewRecording(in)
	if err != nil {
		t.Fatal(err)
	}
	return pair{tr, rec}
}

func (p pair) Observe(o Observation)     { p.t.Observe(o); p.r.Observe(o) }
func (p pair) Stop(at float64, s string) { p.t.Stop(at, s); p.r.Stop(at, s) }
func (p pair) Mark(at float64, s string) { p.t.Mark(at, s, "test"); p.r.Mark(at, s, "test") }

// same fails where the live state and the replayed result disagree. Both run the
// same code on the same seconds, so that they agree to the last bit.
func (p pair) same(t testing.TB, at float64) {
	t.Helper()
	live, res := p.t.Live(), p.r.Evaluate()
	finite.Check(t, live)
	finite.Check(t, res)
	if p.t.span != p.r.span {
		t.Fatalf("at %g: load live %+v, replayed %+v", at, p.t.span, p.r.span)
	}
	if !reflect.DeepEqual(p.t.phases, p.r.phases) {
		t.Fatalf("at %g: phases live %+v, replayed %+v", at, p.t.phases, p.r.phases)
	}
	if live.PeakC != nil && res.Peak != nil && live.PeakChannel == res.Peak.Channel {
		if *live.PeakC != res.Peak.HeldC || *live.PeakAtS != res.Peak.AtS {
			t.Errorf("at %g: peak live %v at %v, replayed %+v", at, *live.PeakC, *live.PeakAtS, *res.Peak)
		}
	} else if live.PeakC != nil && !anyUncounted(res) {
		t.Errorf("at %g: peak live %s %v, replayed %+v; %+v committed %d next %d acc %d", at, live.PeakChannel, *live.PeakC, res.Peak, p.t.span, p.t.committed, p.t.grid.next, p.t.next)
	}
	if live.EnergyJ != nil && res.Load.EnergyJ != nil && *live.EnergyJ != *res.Load.EnergyJ {
		t.Errorf("at %g: energy live %v, replayed %v; %+v committed %d next %d acc %d of %d marks %v", at, *live.EnergyJ, *res.Load.EnergyJ, p.t.span, p.t.committed, p.t.grid.next, p.t.next, p.t.acc.seconds, res.Marks)
	}
	if p.t.acc != nil && p.t.span.begun() {
		for i := range p.t.acc.settles {
			now, _ := p.t.acc.settles[i].slope()
			got := res.Probes[i].SlopeKPerH
			if series.Known(now) != (got != nil) || series.Known(now) && now != *got {
				t.Errorf("at %g: slope of %s live %v, replayed %v", at, res.Probes[i].Channel, now, got)
			}
		}
	}
}

func anyUncounted(r record.Result) bool {
	for _, p := range r.Probes {
		if !p.Counts {
			return true
		}
	}
	return false
}

func TestLiveEqualsReplay(t *testing.T) {
	loads := []traces.Load{traces.Constant, traces.RenderLoop, traces.Boost, traces.Levels, traces.Trip, traces.FlatTop,
		traces.CrashIdle, traces.CrashOff, traces.Restart}
	for i, load := range loads {
		for _, o := range []traces.Options{
			{Load: load, Seed: uint64(i + 1), LoadS: 1800, Counter: i%2 == 0, SpikesPer: 300},
			{Load: load, Seed: uint64(i + 50), LoadS: 1500, NoPower: true, Missing: 0.05},
			{Load: load, Seed: uint64(i + 90), LoadS: 1500, PeriodS: 5, Fault: traces.Detached},
		} {
			t.Run(fmt.Sprintf("%s/nopower=%v/period=%g", load, o.NoPower, o.PeriodS), func(t *testing.T) {
				tr := traces.Make(o)
				in := inputOf(tr, probeLimit(80))
				in.Start.Plan = DefaultPlan(o.LoadS, probeLimit(80))
				p := newPair(t, in)
				next := 97.0
				for _, r := range tr.Readings {
					if r.AtS >= next {
						p.same(t, next)
						next += 293
					}
					p.Observe(Observation{AtS: r.AtS, Channel: r.Channel, Value: r.Value, Faults: r.Faults})
				}
				p.Stop(tr.EndS, "end")
				p.same(t, tr.EndS)
			})
		}
	}
}

// TestAnyInputGivesNumbers throws odd plans, holes, faults, jumps of time, marks
// and values that are no numbers at both sides: they agree, do not panic, and no
// number that is none leaves.
func TestAnyInputGivesNumbers(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := Input{Rig: "r", Start: record.RunStart{Run: "1", Unit: "u", Plan: DefaultPlan(float64(rapid.IntRange(0, 900).Draw(rt, "load")), nil)}}
		if rapid.Bool().Draw(rt, "recording plan") {
			in.Start.Plan = RecordingPlan(300, nil)
		}
		in.Start.Plan.Phases[0].LengthS = float64(rapid.IntRange(0, 100).Draw(rt, "baseline"))
		in.Start.Plan.Limits = []record.Limit{
			{Name: "a", Role: record.RoleProbe, Quantity: "value", Bound: 60, Severity: "fail"},
			{Name: "b", Role: record.RoleProbe, Quantity: "rise", Bound: 30, Severity: "stop", Phases: []record.Phase{"load", "baseline", "cooldown"}},
			{Name: "c", Role: record.RoleProbe, Quantity: "difference", Bound: -3, Below: true, Severity: "note"},
			{Name: "d", Role: record.RoleProbe, Quantity: "slope", Bound: 100, Severity: "fail"},
		}
		all := []Channel{{Name: "p1", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "p2", Kind: record.Temperature, Role: record.RoleProbe},
			{Name: "p3", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "room", Kind: record.Temperature, Role: record.RoleAmbient},
			{Name: "in", Kind: record.Temperature, Role: record.RoleIntake},
			{Name: "w", Kind: record.Power, Role: record.RoleSupply}, {Name: "e", Kind: record.Energy, Role: record.RoleSupply}}
		for _, c := range all {
			if rapid.Bool().Draw(rt, "has "+c.Name) {
				in.Channels = append(in.Channels, c)
			}
		}
		if len(in.Channels) == 0 {
			in.Channels = all[:1]
		}
		p := newPair(t, in)
		at := rapid.SampledFrom([]float64{0, 0.3, -20, 5000, 1.7e9}).Draw(rt, "start")
		period := rapid.SampledFrom([]float64{0.2, 1, 3, 10, 60}).Draw(rt, "period")
		level := 20.0
		for i := range rapid.IntRange(0, 300).Draw(rt, "rows") {
			switch rapid.IntRange(0, 60).Draw(rt, "happening") {
			case 0:
				at += rapid.Float64Range(0, 2000).Draw(rt, "hole")
			case 1:
				level = rapid.SampledFrom([]float64{0, 20, 200, 1e6}).Draw(rt, "level")
			case 2:
				p.Mark(at, rapid.SampledFrom([]string{"load start", "load end", "exclude p1: loose", "x"}).Draw(rt, "mark"))
			case 3:
				p.t.Restart(at, 5, false)
				p.r.Restart(at, 5, false)
			}
			for ch := range in.Channels {
				o := Observation{AtS: at, Channel: ch, Value: level + float64(i%7)/10}
				switch rapid.IntRange(0, 40).Draw(rt, "reading") {
				case 0:
					o.Value = math.NaN()
				case 1:
					o.Faults = record.Open
				case 2:
					continue
				case 3:
					o.Value = math.Inf(1)
				}
				p.Observe(o)
			}
			at += period
		}
		if rapid.Bool().Draw(rt, "stopped") {
			p.Stop(at, "")
		}
		p.same(t, at)
		if got := p.t.Events(); len(got) > keptEvents {
			rt.Fatalf("%d events", len(got))
		}
	})
}

func TestLiveShowsProgress(t *testing.T) {
	tr := traces.Make(traces.Options{Seed: 3, Load: traces.Constant, Counter: true})
	in := inputOf(tr, probeLimit(45))
	tk, err := NewTracker(in)
	if err != nil {
		t.Fatal(err)
	}
	var events []record.RunEvent
	checked := 0
	for _, r := range tr.Readings {
		tk.Observe(Observation{AtS: r.AtS, Channel: r.Channel, Value: r.Value})
		events = append(events, tk.Events()...)
		if r.Channel != 0 || math.Mod(r.AtS, 60) != 0 {
			continue
		}
		l := tk.Live()
		switch r.AtS {
		case 120:
			checked++
			if l.Phase != record.PhaseBaseline || *l.PhaseLengthS != 300 || *l.RemainingS < 4300 || l.PeakC != nil || l.VerdictSoFar != record.VerdictNone {
				t.Errorf("in baseline: %+v", l)
			}
		case 2100:
			checked++
			if l.Phase != record.PhaseLoad || l.PeakC == nil || l.SlopeKPerH == nil || l.EnergyJ == nil || l.HotExpandedK == nil {
				t.Errorf("on load: %+v", l)
			}
			if l.LimitC == nil || *l.LimitC != 45 || l.VerdictSoFar == record.VerdictPass {
				t.Errorf("limit 45 with peak %v: %v", *l.PeakC, l.VerdictSoFar)
			}
		case 4080:
			checked++
			if l.Phase != record.PhaseCooldown || *l.RemainingS > 420+2 {
				t.Errorf("in cooldown: %+v", l)
			}
		}
	}
	if checked != 3 {
		t.Fatalf("%d of 3 states were looked at", checked)
	}
	seen := map[string]int{}
	for _, e := range events {
		seen[e.Event]++
	}
	if seen["phase"] != 3 || seen["load_start"] != 1 || seen["load_end"] != 1 || seen["limit"] == 0 || seen["stop_requested"] != 0 {
		t.Errorf("events %v", seen)
	}
}

func TestStopIsRequestedOnce(t *testing.T) {
	in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "w", Kind: record.Power, Role: record.RoleSupply}}}
	in.Start.Plan = DefaultPlan(600, []record.Limit{{Name: "hot", Channel: "p", Quantity: "value", Bound: 80, DwellS: 5, Severity: "stop"}})
	tk, err := NewTracker(in)
	if err != nil {
		t.Fatal(err)
	}
	var stops []record.RunEvent
	for s := range 400 {
		on := s >= 100
		temp, w := 30.0, 40.0
		if on {
			w = 200
		}
		if s == 150 || s >= 200 {
			temp = 85 // one second at 150 is no excursion
		}
		tk.Observe(Observation{AtS: float64(s), Channel: 0, Value: temp})
		tk.Observe(Observation{AtS: float64(s), Channel: 1, Value: w})
		for _, e := range tk.Events() {
			if e.Event == "stop_requested" {
				stops = append(stops, e)
			}
		}
	}
	if len(stops) != 1 || stops[0].AtS != 200 {
		t.Fatalf("stop requests %+v, want one dated 200 s", stops)
	}
}

func TestLiveWarnings(t *testing.T) {
	in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "q", Kind: record.Temperature, Role: record.RoleProbe},
		{Name: "w", Kind: record.Power, Role: record.RoleSupply}, {Name: "room", Kind: record.Temperature, Role: record.RoleAmbient}}}
	in.Start.Plan = DefaultPlan(3600, nil)
	tk, err := NewTracker(in)
	if err != nil {
		t.Fatal(err)
	}
	standing := func() map[string]bool {
		m := map[string]bool{}
		for _, w := range tk.Live().Warnings {
			m[w.Code] = true
		}
		return m
	}
	at := map[int]map[string]bool{}
	for s := range 2000 {
		w, room := 40.0, 23.0
		switch {
		case s >= 1500: // gone for good
		case s >= 800 && s < 1000:
			w = 150
		case s >= 100:
			w = 200
		}
		if s >= 400 {
			room = 27
		}
		tk.Observe(Observation{AtS: float64(s), Channel: 0, Value: 50})
		if s < 1200 {
			tk.Observe(Observation{AtS: float64(s), Channel: 1, Value: 48})
		} else {
			tk.Observe(Observation{AtS: float64(s), Channel: 1, Faults: record.Open})
		}
		tk.Observe(Observation{AtS: float64(s), Channel: 2, Value: w})
		tk.Observe(Observation{AtS: float64(s), Channel: 3, Value: room})
		at[s] = nil
		if s == 300 || s == 700 || s == 900 || s == 1100 || s == 1300 || s == 1700 {
			at[s] = standing()
		}
	}
	want := map[int][]string{300: nil, 700: {"ambient_band"}, 900: {"ambient_band", "power_low", "power_not_held"}, 1100: {"ambient_band", "power_not_held"},
		1300: {"ambient_band", "power_not_held", "probe_lost"}, 1700: {"load_lost", "probe_lost"}}
	for s, codes := range want {
		for _, c := range codes {
			if !at[s][c] {
				t.Errorf("at %d s: %s does not stand: %v", s, c, at[s])
			}
		}
		if s < 1500 && len(at[s]) != len(codes) {
			t.Errorf("at %d s: %v, want %v", s, at[s], codes)
		}
	}
	if v := tk.Live().VerdictSoFar; v != record.VerdictVoid {
		t.Errorf("verdict so far %s after the load was lost", v)
	}
}
