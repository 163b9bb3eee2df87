package report

import (
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// TestTieOfTheHottest: what is nearer than the shown digit is not called cooler.
func TestTieOfTheHottest(t *testing.T) {
	for gap, want := range map[float64]string{
		0:    "; vr2 held the same to 0.1 K",
		0.04: "; vr2 held the same to 0.1 K",
		0.06: "; next is vr2, 0.1 K cooler",
		2:    "; next is vr2, 2.0 K cooler",
	} {
		held := 70 - gap
		r := &record.Result{Peak: &record.Peak{Channel: "vr1", HeldC: 70, Second: "vr2", SecondHeldC: &held, GapK: &gap}}
		if f := peakFact(r); !strings.Contains(f.Text, want) {
			t.Errorf("%g K: %s, want %s", gap, f.Text, want)
		}
	}
}

// TestNothingToJudge: without a load no probe is called good.
func TestNothingToJudge(t *testing.T) {
	r := &record.Result{Probes: []record.ProbeResult{{Channel: "vr1", Health: "unjudged", Counts: true}}}
	if f := probesFact(r); f.State != Unknown || !strings.HasPrefix(f.Text, "nothing to judge") {
		t.Errorf("%+v", f)
	}
	r.Probes = append(r.Probes, record.ProbeResult{Channel: "vr2", Health: "good", Counts: true})
	if f := probesFact(r); !strings.HasPrefix(f.Text, "1 of 2 good") {
		t.Errorf("%+v", f)
	}
}
