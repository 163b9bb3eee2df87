package main

import (
	"strings"
	"testing"

	"soakrig/daemon/analysis/internal/traces"
)

// TestShortForm runs a few seeds of every kind and holds the goals: no thermal
// verdict without a limiter, every loss of 3 % mentioned, the hot spot always right,
// every load found, every crash classed, no healthy probe called ill.
func TestShortForm(t *testing.T) {
	const seeds, first = 3, 900001
	t.Logf("seeds %d..%d", first, first+seeds-1)
	ts := measureAll(seeds, first)
	for _, k := range ts {
		healthy := map[traces.Load]bool{traces.Constant: true, traces.RenderLoop: true, traces.Boost: true, traces.RoomStep: true, traces.FanFail: true}
		if healthy[k.kind.opts.Load] && (k.thermal > 0 || k.notHeld > 0) {
			t.Errorf("%s: %d thermal, %d not held of %d", k.kind.name, k.thermal, k.notHeld, k.runs)
		}
		if k.lossyMentioned != k.lossy {
			t.Errorf("%s: %d of %d losses of 3 %% mentioned", k.kind.name, k.lossyMentioned, k.lossy)
		}
		if k.hotRight != k.hotRuns {
			t.Errorf("%s: hot spot right in %d of %d", k.kind.name, k.hotRight, k.hotRuns)
		}
		if k.biasWorst > 0.6 {
			t.Errorf("%s: peak off by %.2f K", k.kind.name, k.biasWorst)
		}
		if strings.HasPrefix(k.kind.name, "crash") && (k.lost != k.runs || k.lostRight != k.runs) {
			t.Errorf("%s: %d lost, %d classed right of %d", k.kind.name, k.lost, k.lostRight, k.runs)
		}
		if k.falseHealth > 0 {
			t.Errorf("%s: %d healthy probes called ill", k.kind.name, k.falseHealth)
		}
		if k.runs != seeds {
			t.Errorf("%s: %d runs", k.kind.name, k.runs)
		}
	}
	var b strings.Builder
	if err := writeTable(&b, ts, seeds, first); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"## Load and limiting", "## Peak held 10 s", "## Probe health", "## Extrapolation", "| constant |"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the table lacks %q", want)
		}
	}
}
