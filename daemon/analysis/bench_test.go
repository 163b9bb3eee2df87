package analysis

import (
	"math"
	"testing"
	"time"

	"soakrig/daemon/record"
)

// longRun are the observations of a run of eight hours, ten channels at 10 Hz.
func longRun() (Input, []Observation, float64) {
	in := Input{Rig: "bench", Start: record.RunStart{Run: "r", Unit: "u", Plan: DefaultPlan(28000, probeLimit(100))}}
	for _, name := range []string{"a", "b", "c", "d", "e", "f", "g", "h"} {
		in.Channels = append(in.Channels, Channel{Name: name, Kind: record.Temperature, Role: record.RoleProbe, Unit: "degC"})
	}
	in.Channels = append(in.Channels, Channel{Name: "room", Kind: record.Temperature, Role: record.RoleAmbient, Unit: "degC"},
		Channel{Name: "wall", Kind: record.Power, Role: record.RoleSupply, Unit: "W"})
	const hours, hz = 8, 10
	obs := make([]Observation, 0, hours*3600*hz*10)
	noise := uint64(1)
	for i := range hours * 3600 * hz {
		at := float64(i) / hz
		on := at >= 300 && at < 28300
		for ch := range 10 {
			noise = noise*6364136223846793005 + 1442695040888963407
			n := float64(noise>>40)/float64(1<<24) - 0.5
			v := 23.0
			switch {
			case ch == 9 && on:
				v = 220
			case ch == 9:
				v = 40
			case ch < 8 && on:
				v = 23 + float64(30+3*ch)*(1-math.Exp(-(at-300)/1200))
			}
			obs = append(obs, Observation{AtS: at, Channel: ch, Value: v + n/5})
		}
	}
	return in, obs, hours * 3600
}

// BenchmarkEightHours is the re-evaluation of a night: Observe for every reading,
// then Evaluate.
func BenchmarkEightHours(b *testing.B) {
	in, obs, end := longRun()
	b.ReportAllocs()
	for b.Loop() {
		r, err := NewRecording(in)
		if err != nil {
			b.Fatal(err)
		}
		for _, o := range obs {
			r.Observe(o)
		}
		r.Stop(end, "")
		if res := r.Evaluate(); res.Verdict != record.VerdictPass {
			b.Fatalf("%s %v", res.Verdict, res.Reasons)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(obs)), "ns/reading")
}

// BenchmarkTracker is the live view of the same night.
func BenchmarkTracker(b *testing.B) {
	in, obs, end := longRun()
	b.ReportAllocs()
	for b.Loop() {
		t, err := NewTracker(in)
		if err != nil {
			b.Fatal(err)
		}
		for _, o := range obs {
			t.Observe(o)
		}
		t.Stop(end, "")
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(obs)), "ns/reading")
}

// TestTrackerIsBounded watches that an hour more costs no more memory, and that no
// observation allocates once the windows are full.
func TestTrackerIsBounded(t *testing.T) {
	in, obs, _ := longRun()
	tr, err := NewTracker(in)
	if err != nil {
		t.Fatal(err)
	}
	const warm = 2 * 3600 * 100
	for _, o := range obs[:warm] {
		tr.Observe(o)
	}
	i := warm
	per := testing.AllocsPerRun(50, func() {
		for range 3600 * 10 {
			tr.Observe(obs[i])
			i++
		}
	})
	if per > 40 {
		t.Errorf("six minutes of readings allocate %v times", per)
	}
}

// TestEightHoursInASecond holds the budget loosely: a loaded machine may take three
// times as long.
func TestEightHoursInASecond(t *testing.T) {
	if testing.Short() || raceEnabled {
		t.Log("timing is not judged in short mode or under the race detector; only that it works")
	}
	in, obs, end := longRun()
	began := time.Now()
	r, err := NewRecording(in)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range obs {
		r.Observe(o)
	}
	r.Stop(end, "")
	res := r.Evaluate()
	took := time.Since(began)
	if res.Load == nil || res.Load.Outcome != "complete" {
		t.Fatalf("load %+v", res.Load)
	}
	t.Logf("%d readings judged in %v", len(obs), took)
	if limit := 3 * time.Second; took > limit && !testing.Short() && !raceEnabled {
		t.Errorf("took %v, more than %v", took, limit)
	}
}
