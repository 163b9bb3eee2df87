package analysis

import (
	"math"
	"testing"
	"time"

	"soakrig/daemon/analysis/internal/series"
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
// observation allocates once the windows are full. Looking for limiting does, now and
// then: see BenchmarkLiveJudge.
func TestTrackerIsBounded(t *testing.T) {
	in, obs, _ := longRun()
	in.Start.Plan.Constants = map[string]float64{"live_judge_s": 86400}
	if per := sixMinutes(t, in, obs); per > 40 {
		t.Errorf("six minutes of readings allocate %v times", per)
	}
}

// sixMinutes is how often a warm tracker allocates in six minutes.
func sixMinutes(t *testing.T, in Input, obs []Observation) float64 {
	t.Helper()
	tr, err := NewTracker(in)
	if err != nil {
		t.Fatal(err)
	}
	const warm = 2 * 3600 * 100
	for _, o := range obs[:warm] {
		tr.Observe(o)
	}
	i := warm
	return testing.AllocsPerRun(25, func() {
		for range 3600 * 10 {
			tr.Observe(obs[i])
			i++
		}
	})
}

// TestEightHours judges a whole night and logs what it takes beside the work that no
// method avoids: to read every observation and to sort the ten of each second. A second
// on the machine where that takes 60 ms is 17 times as much. It fails by no time: the
// budget is held by daemon/speed.
func TestEightHours(t *testing.T) {
	in, obs, end := longRun()
	began := time.Now()
	least(obs)
	base := time.Since(began)
	began = time.Now()
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
	t.Logf("%d readings judged in %v, %.1f times the least work", len(obs), took, float64(took)/float64(base))
}

// least sorts the readings of each second and channel and adds up the medians.
func least(obs []Observation) float64 {
	var vals [10][]float64
	sum, second := 0.0, 0
	for _, o := range obs {
		if s := int(o.AtS); s != second {
			second = s
			for ch := range vals {
				sum += series.MedianInPlace(vals[ch])
				vals[ch] = vals[ch][:0]
			}
		}
		vals[o.Channel] = append(vals[o.Channel], o.Value)
	}
	return sum
}
