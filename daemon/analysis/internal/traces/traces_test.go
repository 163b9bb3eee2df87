package traces

import (
	"math"
	"reflect"
	"testing"
)

func TestTracesDependOnTheirOptionsOnly(t *testing.T) {
	o := Options{Seed: 9, Load: LoopTrip, Fault: Detached, LoadS: 900, SpikesPer: 60, Missing: 0.05, Counter: true}
	a, b := Make(o), Make(o)
	if !reflect.DeepEqual(a, b) {
		t.Error("the same options gave two traces")
	}
	o.Seed++
	if reflect.DeepEqual(a.Readings, Make(o).Readings) {
		t.Error("another seed gave the same readings")
	}
}

func TestTruthIsTrue(t *testing.T) {
	for _, load := range []Load{Constant, RenderLoop, Boost, Levels, Trip, FlatTop, LoopTrip, LoopFlat, SlowFall, CrashIdle, CrashOff, Restart, FanFail, RoomStep} {
		tr := Make(Options{Seed: 21, Load: load, Counter: true})
		truth := tr.Truth
		if truth.StartS != 300 || truth.EndS > 3900 || (truth.CrashS > 0) != (truth.EndS < 3900) {
			t.Errorf("%s: load %g..%g, crash %g", load, truth.StartS, truth.EndS, truth.CrashS)
		}
		limited := load == Trip || load == FlatTop
		may := limited || load == LoopTrip || load == LoopFlat // with gaps the board may stay below the trip point
		if limited && !truth.Thermal || !may && truth.Thermal {
			t.Errorf("%s: a limiter acted: %v", load, truth.Thermal)
		}
		if load == Constant && math.Abs(truth.Loss) > 1e-9 {
			t.Errorf("constant load lost %g", truth.Loss)
		}
		last := math.Inf(-1)
		raw := math.Inf(-1)
		for _, r := range tr.Readings {
			if r.AtS < last {
				t.Fatalf("%s: time runs back at %g", load, r.AtS)
			}
			last = r.AtS
			if r.Channel == truth.HotSpot && r.AtS < truth.EndS {
				raw = max(raw, r.Value)
			}
		}
		if d := raw - truth.PeakC[truth.HotSpot]; d < -0.1 || d > 1.5 {
			t.Errorf("%s: the hot spot reads at most %.2f, its true peak is %.2f", load, raw, truth.PeakC[truth.HotSpot])
		}
	}
}

func TestFaultsBefallOneProbe(t *testing.T) {
	healthy := Make(Options{Seed: 4, Load: Constant})
	if healthy.Truth.Probe != -1 {
		t.Error("a healthy trace names a probe")
	}
	tr := Make(Options{Seed: 4, Load: Constant, Fault: OpenCircuit})
	for _, r := range tr.Readings {
		if open := r.Channel == tr.Truth.Probe && r.AtS >= tr.Truth.FaultS; open != (r.Faults != 0) {
			t.Fatalf("channel %d at %g: faults %v", r.Channel, r.AtS, r.Faults)
		}
	}
}

func TestMissingChannels(t *testing.T) {
	tr := Make(Options{Seed: 1, Load: Constant, LoadS: 60, NoRoom: true, NoPower: true, Probes: 3})
	if len(tr.Channels) != 3 {
		t.Errorf("%d channels", len(tr.Channels))
	}
}
