package analysis

import (
	"flag"
	"fmt"
	"slices"
	"testing"

	"soakrig/daemon/analysis/internal/traces"
	"soakrig/daemon/record"
)

// liveSeeds is how many seeds of every kind are looked at minute by minute; more by
// hand: go test -run LiveLimiting -limiting.seeds 100 ./daemon/analysis
var liveSeeds = flag.Int("limiting.seeds", 1, "seeds of each kind in the test of live limiting")

// liveWarnings follows a trace and gives, for each warning of limiting, the second of
// the load at which it first stood, and what stands at the end. at sees every
// judgement.
func liveWarnings(t *testing.T, tr traces.Trace, plan record.Plan, at func(p pair)) (first map[string]float64, last []string) {
	t.Helper()
	in := inputOf(tr, nil)
	in.Start.Plan = plan
	p := newPair(t, in)
	first = map[string]float64{}
	judged := int64(0)
	for _, r := range tr.Readings {
		p.Observe(Observation{AtS: r.AtS, Channel: r.Channel, Value: r.Value, Faults: r.Faults})
		if p.t.recent.judged == judged {
			continue
		}
		judged = p.t.recent.judged
		for _, w := range p.t.Live().Warnings {
			if _, ok := first[w.Code]; !ok {
				first[w.Code] = float64(judged) - tr.Truth.StartS
			}
		}
		at(p)
	}
	for _, w := range p.t.Live().Warnings {
		last = append(last, w.Code)
	}
	return first, last
}

// TestLiveLimiting: on a load of an hour the live state says of limiting exactly what
// the result would say at that moment, it says it well before the load's end, and it
// never says it of a healthy unit.
func TestLiveLimiting(t *testing.T) {
	healthy := []traces.Load{traces.Constant, traces.RenderLoop, traces.Boost, traces.RoomStep, traces.FanFail}
	for _, load := range append(healthy, traces.FlatTop, traces.Trip, traces.SlowFall) {
		said, early, seeds := 0, 0, *liveSeeds
		if load == traces.FlatTop {
			seeds = max(seeds, 2) // the second shows early
		}
		for seed := range seeds {
			tr := traces.Make(traces.Options{Load: load, Seed: uint64(700001 + seed), PeriodS: 1})
			n := 0
			first, last := liveWarnings(t, tr, DefaultPlan(3600, nil), func(p pair) {
				if n++; n%19 != 1 || p.t.span.ended {
					return
				}
				res := p.r.Evaluate()
				var want, got []string
				for _, f := range res.Findings {
					if slices.Contains(liveLimiting(), f.Code) {
						want = append(want, f.Code+" "+f.Seen)
					}
				}
				for _, w := range p.t.Live().Warnings {
					if slices.Contains(liveLimiting(), w.Code) {
						got = append(got, w.Code+" "+w.Seen)
					}
				}
				slices.Sort(want)
				slices.Sort(got)
				if !slices.Equal(want, got) {
					t.Errorf("%s seed %d at %d s: live %q, the result so far %q", load, seed, p.t.recent.judged, got, want)
				}
			})
			at, ok := first["thermal_limiting"]
			if slices.Contains(healthy, load) && ok {
				t.Errorf("%s seed %d: limiting was said of a healthy unit, %.0f s into the load", load, seed, at)
			}
			if slices.Contains(last, "thermal_limiting") {
				said++
			}
			if ok && at < 3000 {
				early++
			}
		}
		t.Logf("%s: said at the end in %d of %d, ten minutes earlier at least in %d", load, said, seeds, early)
		if load == traces.FlatTop && early == 0 {
			t.Errorf("%s: never said before the load's last ten minutes", load)
		}
	}
}

// TestLiveLimitingOfANight: on a load that is longer than the stretch, limiting that
// begins late shows, and memory does not grow.
func TestLiveLimitingOfANight(t *testing.T) {
	in := Input{Start: record.RunStart{Run: "1", Unit: "u", Plan: DefaultPlan(4*3600, nil)}, Channels: []Channel{
		{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "w", Kind: record.Power, Role: record.RoleSupply},
		{Name: "room", Kind: record.Temperature, Role: record.RoleAmbient}}}
	tk, err := NewTracker(in)
	if err != nil {
		t.Fatal(err)
	}
	seen := -1
	for s := range 300 + 9600 {
		w, temp := 60.0, 24.0
		if s >= 300 {
			w, temp = 300, 24+70*(1-1/(1+float64(s-300)/400))
		}
		if after := s - 300 - 7200; after > 0 { // the limiter holds 92 degC and takes 12 % in 40 min
			w, temp = 300-36*min(float64(after)/2400, 1), 92
		}
		wobble := float64(s%7)/60 - 0.05
		tk.Observe(Observation{AtS: float64(s), Channel: 0, Value: temp + wobble})
		tk.Observe(Observation{AtS: float64(s), Channel: 1, Value: w + 10*wobble})
		tk.Observe(Observation{AtS: float64(s), Channel: 2, Value: 23})
		if n := len(tk.recent.power); n > 3600+recentSlack {
			t.Fatalf("%d seconds are kept", n)
		}
		if seen < 0 && s%60 == 0 && slices.ContainsFunc(tk.Live().Warnings, func(f record.Finding) bool { return f.Code == "thermal_limiting" }) {
			seen = s - 300 - 7200
		}
	}
	if seen < 300 || seen > 2400 {
		t.Errorf("limiting showed %d s after it began, want within 5 to 40 min", seen)
	}
}

func BenchmarkLiveJudge(b *testing.B) {
	tr := traces.Make(traces.Options{Load: traces.LoopFlat, Seed: 3, PeriodS: 1, LoadS: 4000})
	in := inputOf(tr, nil)
	in.Start.Plan = DefaultPlan(8000, nil)
	tk, err := NewTracker(in)
	if err != nil {
		b.Fatal(err)
	}
	for _, r := range tr.Readings {
		if r.AtS < tr.Truth.EndS {
			tk.Observe(Observation{AtS: r.AtS, Channel: r.Channel, Value: r.Value})
		}
	}
	b.ReportMetric(float64(len(tk.recent.power)), "s-kept")
	b.ReportAllocs()
	for b.Loop() {
		if tk.judgeRecent().Pattern == "" {
			b.Fatal(fmt.Errorf("nothing judged"))
		}
	}
}
