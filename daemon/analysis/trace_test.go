package analysis

import (
	"math"
	"testing"

	"soakrig/daemon/analysis/internal/finite"
	"soakrig/daemon/analysis/internal/traces"
	"soakrig/daemon/record"
)

// probeLimit bounds every probe.
func probeLimit(bound float64) []record.Limit {
	return []record.Limit{{Name: "board", Role: record.RoleProbe, Quantity: "value", Bound: bound, Severity: "fail"}}
}

// inputOf is the input for a trace under the default plan.
func inputOf(tr traces.Trace, limits []record.Limit) Input {
	in := Input{Rig: "bench", Start: record.RunStart{Run: "r-1", Unit: "carrier-a",
		Plan: DefaultPlan(3600, limits)}}
	for _, c := range tr.Channels {
		in.Channels = append(in.Channels, Channel{Name: c.Name, Unit: c.Unit, Kind: c.Kind, Role: c.Role})
	}
	return in
}

// observer is what Tracker and Recording have in common.
type observer interface {
	Observe(Observation)
	Stop(atS float64, reason string)
}

func feed(tr traces.Trace, to ...observer) {
	for _, r := range tr.Readings {
		for _, o := range to {
			o.Observe(Observation{AtS: r.AtS, Channel: r.Channel, Value: r.Value, Faults: r.Faults})
		}
	}
	for _, o := range to {
		o.Stop(tr.EndS, "end of trace")
	}
}

// evaluate judges a trace.
func evaluate(t testing.TB, in Input, tr traces.Trace) record.Result {
	t.Helper()
	rec, err := NewRecording(in)
	if err != nil {
		t.Fatal(err)
	}
	feed(tr, rec)
	res := rec.Evaluate()
	finite.Check(t, res)
	return res
}

func TestConstantLoadEndToEnd(t *testing.T) {
	tr := traces.Make(traces.Options{Seed: 1, Load: traces.Constant, Counter: true})
	res := evaluate(t, inputOf(tr, probeLimit(150)), tr)
	if res.Verdict != record.VerdictPass || res.Load.Outcome != "complete" || res.Load.Source != "detected" {
		t.Fatalf("verdict %s, load %+v, reasons %v", res.Verdict, res.Load, res.Reasons)
	}
	if math.Abs(*res.Load.StartS-tr.Truth.StartS) > 2 || math.Abs(*res.Load.EndS-tr.Truth.EndS) > 2 {
		t.Errorf("load %g..%g, truth %g..%g", *res.Load.StartS, *res.Load.EndS, tr.Truth.StartS, tr.Truth.EndS)
	}
	hot := tr.Truth.HotSpot
	if res.Peak.Channel != tr.Channels[hot].Name || math.Abs(res.Peak.HeldC-tr.Truth.PeakC[hot]) > 0.2 {
		t.Errorf("peak %+v, truth %s %.2f", res.Peak, tr.Channels[hot].Name, tr.Truth.PeakC[hot])
	}
	if d := *res.Load.EnergyJ/tr.Truth.EnergyJ - 1; math.Abs(d) > 0.005 {
		t.Errorf("energy %.0f, truth %.0f", *res.Load.EnergyJ, tr.Truth.EnergyJ)
	}
}
