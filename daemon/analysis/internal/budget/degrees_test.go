package budget

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestStudentT against JCGM 100:2008, table G.2, as printed.
func TestStudentT(t *testing.T) {
	for degrees, want := range map[int]struct{ p95, p9545, p99 float64 }{
		1: {12.71, 13.97, 63.66}, 2: {4.30, 4.53, 9.92}, 3: {3.18, 3.31, 5.84}, 4: {2.78, 2.87, 4.60},
		5: {2.57, 2.65, 4.03}, 8: {2.31, 2.37, 3.36}, 10: {2.23, 2.28, 3.17}, 15: {2.13, 2.18, 2.95},
		20: {2.09, 2.13, 2.85}, 30: {2.04, 2.09, 2.75}, 50: {2.01, 2.05, 2.68}, 100: {1.984, 2.025, 2.626},
	} {
		for share, w := range map[float64]float64{0.95: want.p95, 0.9545: want.p9545, 0.99: want.p99} {
			if got := StudentT(share, degrees); math.Abs(got-w) > 0.0051 {
				t.Errorf("share %g, %d degrees: %.4f, want %.3f", share, degrees, got, w)
			}
		}
	}
	if got := StudentT(0.95, 100_000); math.Abs(got-1.95996) > 1e-3 {
		t.Errorf("many degrees: %g, want the normal 1.960", got)
	}
}

// TestEffectiveDegrees: the end-gauge example of JCGM 100, H.1.6 (u in nm and degrees:
// 25 with 18, 9.7 with 25.6, 2.9 with 50, 16.6 with 2; u = 32 nm of the whole, 16
// degrees); a pooled mean alone; and nothing with finite degrees.
func TestEffectiveDegrees(t *testing.T) {
	gauge := []Component{{25, 18}, {9.7, 25.6}, {2.9, 50}, {16.6, 2}}
	if got := math.Floor(EffectiveDegrees(gauge)); got != 16 {
		t.Errorf("end gauge: %g, want 16", got)
	}
	if got := EffectiveDegrees([]Component{{0.4, 8}}); math.Abs(got-8) > 1e-9 {
		t.Errorf("one component: %g", got)
	}
	if got := EffectiveDegrees([]Component{{1, 0}, {0, 3}, {2, math.Inf(1)}}); !math.IsInf(got, 1) {
		t.Errorf("nothing finite: %g", got)
	}
	if got := EffectiveDegrees(nil); !math.IsInf(got, 1) {
		t.Errorf("nothing at all: %g", got)
	}
}

func TestCoverageFor(t *testing.T) {
	for degrees, want := range map[float64]float64{0.3: 12.71, 1: 12.71, 8: 2.31, 8.9: 2.31, 30: 2.04, 30.5: 2, math.Inf(1): 2} {
		if got := CoverageFor(degrees); math.Abs(got-want) > 0.005 {
			t.Errorf("%g degrees: k = %.3f, want %.2f", degrees, got, want)
		}
	}
}

// TestDegreesBetween: effective degrees are never fewer than the fewest and never
// more than all of them together (JCGM 100, G.4.1, note 1 of the formula).
func TestDegreesBetween(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(rt, "n")
		parts, fewest, all := make([]Component, n), math.Inf(1), 0.0
		for i := range parts {
			parts[i] = Component{rapid.Float64Range(0.01, 10).Draw(rt, "u"), float64(rapid.IntRange(1, 50).Draw(rt, "degrees"))}
			fewest, all = min(fewest, parts[i].Degrees), all+parts[i].Degrees
		}
		if got := EffectiveDegrees(parts); got < fewest*(1-1e-9) || got > all*(1+1e-9) {
			rt.Fatalf("%g, want %g to %g", got, fewest, all)
		}
	})
}

func TestNormalQuantile(t *testing.T) {
	if q := NormalQuantile(0.975); math.Abs(q-1.959963985) > 1e-8 { // tables of the normal distribution
		t.Errorf("normal quantile %v", q)
	}
}
