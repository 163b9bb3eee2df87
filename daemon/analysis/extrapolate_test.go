package analysis

import (
	"strings"
	"testing"

	"soakrig/daemon/analysis/internal/traces"
)

// TestExtrapolationRules: below 45 minutes never; to 60 only with a known time
// constant; from 60 always, if power was held.
func TestExtrapolationRules(t *testing.T) {
	for _, c := range []struct {
		loadS, tau float64
		load       traces.Load
		want       bool
		note       string
	}{
		{1800, 0, traces.Constant, false, "too short"},
		{1800, 1500, traces.Constant, false, "too short"},
		{3000, 0, traces.Constant, false, "too short"},
		{3000, 1500, traces.Constant, true, "known time constant"},
		{5400, 0, traces.Constant, true, "free time constant"},
		{5400, 0, traces.FlatTop, false, "power was not held"},
	} {
		tr := traces.Make(traces.Options{Seed: 4, Load: c.load, LoadS: c.loadS})
		in := inputOf(tr, nil)
		in.Start.Plan = DefaultPlan(c.loadS, nil)
		if c.tau > 0 {
			in.Start.Plan.Constants = map[string]float64{"known_tau_s": c.tau}
		}
		s := evaluate(t, in, tr).Steady
		if s == nil {
			t.Fatalf("%+v: no steady part", c)
		}
		if (s.ExtrapolatedC != nil) != c.want || !strings.Contains(s.ExtrapolationNote, c.note) {
			t.Errorf("%+v: %v %q", c, s.ExtrapolatedC, s.ExtrapolationNote)
		}
		if c.want && s.ExtrapolatedExpandedK == nil {
			t.Errorf("%+v: no uncertainty", c)
		}
	}
}
