package analysis

import (
	"math"
	"testing"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/finite"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// rising is a run of one probe whose rise approaches its end with one time constant.
func rising(t *testing.T, loadS, riseK, tauS float64) record.Result {
	t.Helper()
	in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe, Unit: "degC"},
		{Name: "room", Kind: record.Temperature, Role: record.RoleAmbient, Unit: "degC"}}}
	in.Start.Plan = RecordingPlan(loadS, nil)
	rec, err := NewRecording(in)
	if err != nil {
		t.Fatal(err)
	}
	for s := range int(loadS) {
		rec.Observe(Observation{AtS: float64(s), Channel: 0, Value: 23 + riseK*(1-math.Exp(-float64(s)/tauS))})
		rec.Observe(Observation{AtS: float64(s), Channel: 1, Value: 23})
	}
	rec.Stop(loadS, "")
	res := rec.Evaluate()
	finite.Check(t, res)
	if res.Steady == nil {
		t.Fatal("no steady part")
	}
	return res
}

// TestTiersFollowTheStandards works two criteria by hand on a single exponential
// with slope (R/tau)*exp(-t/tau).
//
// IEC 60034-1 ed. 12: parts vary by no more than 2 K/h, read from lines over two
// successive intervals: tier "steady" by two windows 10 min apart.
// IEC 62368-1 B.1.6: no more than 3 K in 30 min, which is 6 K/h: tier "settled".
func TestTiersFollowTheStandards(t *testing.T) {
	const rise, tau = 60.0, 1500.0
	// slope <= 6 K/h from t = tau*ln(R/tau*3600/6) = 1500*ln(24) = 4767 s on; a window
	// of 20 min centred there ends 10 min later.
	settledAt := tau*math.Log(rise/tau*3600/6) + 600
	// slope <= 2 K/h from 1500*ln(72) = 6415 s on, in the window that ended 10 min
	// before the deciding one.
	steadyAt := tau*math.Log(rise/tau*3600/2) + 600 + 600
	for _, c := range []struct {
		loadS float64
		tier  string
	}{
		{settledAt - 240, tierRising}, {settledAt + 240, tierSettled}, {steadyAt - 240, tierSettled}, {steadyAt + 240, tierSteady},
	} {
		s := rising(t, math.Floor(c.loadS), rise, tau).Steady
		if s.Tier != c.tier {
			t.Errorf("after %.0f s: %s at %.2f K/h, want %s", c.loadS, s.Tier, s.SlopeKPerH, c.tier)
		}
	}
	s := rising(t, math.Floor(steadyAt+600), rise, tau).Steady
	if s.ReachedAtS == nil || math.Abs(*s.ReachedAtS-steadyAt) > 150 {
		t.Errorf("steady reached at %v, by hand %.0f", s.ReachedAtS, steadyAt)
	}
}

// TestRemainingRiseIsTauTimesSlope: the one physical fact behind every criterion.
// 2 K/h with tau = 25 min leaves 0.8 K; 6 K/h leaves 2.5 K.
func TestRemainingRiseIsTauTimesSlope(t *testing.T) {
	res := rising(t, 5400, 60, 1500)
	s := res.Steady
	left := 60 * math.Exp(-5400.0/1500)
	if s.ExtrapolatedC == nil || math.Abs(*s.ExtrapolatedC-83) > 0.05 {
		t.Fatalf("extrapolated %v, true end 83 degC", s.ExtrapolatedC)
	}
	if math.Abs(*s.RemainingK-left) > 0.05 || math.Abs(*s.TauS-1500) > 30 {
		t.Errorf("remaining %.2f K (true %.2f), tau %.0f s (true 1500)", *s.RemainingK, left, *s.TauS)
	}
	c := constants.Default()
	now := 2.0
	before := now * math.Exp(600.0/1500)
	if tau := timeConstant(c, now, before); math.Abs(tau-1500) > 1 || math.Abs(tau*now/3600-0.833) > 0.01 {
		t.Errorf("tau of two slopes %.0f s", tau)
	}
	if series.Known(timeConstant(c, 2, 1)) || series.Known(timeConstant(c, -1, 2)) || series.Known(timeConstant(c, series.Absent(), 2)) {
		t.Error("a time constant from slopes that do not decay")
	}
}

// TestFallingIsNotSteady: a slope that falls through zero must not pass by its sign.
func TestFallingIsNotSteady(t *testing.T) {
	c := constants.Default()
	for _, x := range []struct {
		now, before float64
		want        string
	}{{1, 1.5, tierSteady}, {-1, 1.9, tierSteady}, {-2.1, -1, tierSettled}, {1, 2.5, tierSettled}, {1, series.Absent(), tierSettled},
		{-7, 0, tierRising}, {6, 9, tierSettled}, {6.1, 9, tierRising}, {series.Absent(), 1, ""}} {
		if got := tierOf(c, x.now, x.before); got != x.want {
			t.Errorf("slopes %v then %v: %q, want %q", x.before, x.now, got, x.want)
		}
	}
}

// TestGuardBandArithmetic: ILAC-G8:09/2019 4.2.3, non-binary statement with a guard
// band w = U on both sides (JCGM 106 calls the limits so moved acceptance limits).
// Limit 100, U 2.8.
func TestGuardBandArithmetic(t *testing.T) {
	for _, c := range []struct {
		x     float64
		below bool
		want  record.Verdict
		side  string
	}{
		{97.1, false, record.VerdictPass, ""},
		{97.2, false, record.VerdictPass, ""}, // exactly L - U
		{97.3, false, record.VerdictMarginal, "below"},
		{100, false, record.VerdictMarginal, "below"},
		{100.1, false, record.VerdictMarginal, "above"},
		{102.8, false, record.VerdictMarginal, "above"}, // exactly L + U
		{102.9, false, record.VerdictFail, ""},
		{102.8, true, record.VerdictPass, ""},
		{102.7, true, record.VerdictMarginal, "above"},
		{98, true, record.VerdictMarginal, "below"},
		{97.1, true, record.VerdictFail, ""},
	} {
		// the two ends are computed as the code computes them, so that equality is exact
		guard := 2.8
		if c.x == 97.2 || c.x == 102.8 {
			guard = math.Abs(c.x - 100)
		}
		if got, side := judge(c.x, 100, guard, c.below); got != c.want || side != c.side {
			t.Errorf("%v below=%v: %s %q, want %s %q", c.x, c.below, got, side, c.want, c.side)
		}
	}
	if got, _ := judge(99.9, 100, 0, false); got != record.VerdictPass {
		t.Error("without a guard band a value below the limit passes")
	}
}

// TestReferenceAmbientArithmetic: EN 60950-1 1.4.12 compares with the maximum plus
// the difference of ambients: at 26 degC room a reading of 90 is 87 at 23 degC. The
// coefficient's 0.05 gives 0.15 K standard for 3 K.
func TestReferenceAmbientArithmetic(t *testing.T) {
	for _, c := range []struct {
		room    float64
		moved   bool
		finding string
	}{{23.5, true, ""}, {26.5, true, "reference_far"}, {28.5, false, "reference_refused"}, {19.4, true, "reference_far"}} {
		in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}, {Name: "room", Kind: record.Temperature, Role: record.RoleAmbient}}}
		in.Start.Plan = RecordingPlan(600, nil)
		rec, err := NewRecording(in)
		if err != nil {
			t.Fatal(err)
		}
		for s := range 600 {
			rec.Observe(Observation{AtS: float64(s), Channel: 0, Value: 90})
			rec.Observe(Observation{AtS: float64(s), Channel: 1, Value: c.room})
		}
		rec.Stop(600, "")
		res := rec.Evaluate()
		p := res.Peak
		if p == nil || math.Abs(*p.RiseK-(90-c.room)) > 1e-9 {
			t.Fatalf("room %g: peak %+v", c.room, p)
		}
		if (p.ReferenceC != nil) != c.moved {
			t.Fatalf("room %g: reference %v", c.room, p.ReferenceC)
		}
		if c.moved {
			want := math.Hypot(*p.RiseExpandedK, 2*0.05*(c.room-23))
			if math.Abs(*p.ReferenceC-(90-(c.room-23))) > 1e-9 || math.Abs(*p.ReferenceExpandedK-want) > 1e-9 {
				t.Errorf("room %g: %v +- %v", c.room, *p.ReferenceC, *p.ReferenceExpandedK)
			}
		}
		got := ""
		for _, f := range res.Findings {
			if f.Code == "reference_far" || f.Code == "reference_refused" {
				got = f.Code
			}
		}
		if got != c.finding {
			t.Errorf("room %g: finding %q, want %q", c.room, got, c.finding)
		}
	}
}
