package analysis

import (
	"strings"
	"testing"
	"time"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

func parseTime(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func TestPlansThatAreRefused(t *testing.T) {
	channels := []Channel{{Name: "vr1", Kind: record.Temperature, Role: record.RoleProbe}}
	limit := func(change func(*record.Limit)) func(*record.Plan) {
		return func(p *record.Plan) {
			l := record.Limit{Name: "board", Channel: "vr1", Quantity: "value", Bound: 100, Severity: "fail"}
			change(&l)
			p.Limits = []record.Limit{l}
		}
	}
	for _, c := range []struct {
		name   string
		change func(*record.Plan)
		want   string
	}{
		{"no phases", func(p *record.Plan) { p.Phases = nil }, "it has no phases"},
		{"unknown phase", func(p *record.Plan) { p.Phases[0].Phase = "warmup" }, `phase 1 is called "warmup"`},
		{"order", func(p *record.Plan) { p.Phases[0], p.Phases[1] = p.Phases[1], p.Phases[0] }, "stands after load"},
		{"twice", func(p *record.Plan) { p.Phases[1].Phase = "baseline" }, "each phase comes once"},
		{"negative length", func(p *record.Plan) { p.Phases[1].LengthS = -1 }, "length -1 s"},
		{"unknown begin", func(p *record.Plan) { p.Phases[1].Begins = "soon" }, `begins is "soon"`},
		{"late now", func(p *record.Plan) { p.Phases[1].Begins = "now" }, `use "after"`},
		{"after nothing", func(p *record.Plan) { p.Phases[0].Begins = "after" }, "has no length"},
		{"load_end without load", func(p *record.Plan) { p.Phases = p.Phases[2:] }, "no load phase stands before it"},
		{"mark without text", func(p *record.Plan) { p.Phases[1].Begins = "mark" }, "at must hold the mark's text"},
		{"bad time", func(p *record.Plan) { p.Phases[1].Begins, p.Phases[1].At = "time", "tonight" }, "RFC 3339"},
		{"band", func(p *record.Plan) { p.AmbientBandC = &record.Band{Low: 25, High: 21} }, "low end must be below"},
		{"reference", func(p *record.Plan) { v := 900.0; p.ReferenceAmbientC = &v }, "not a room temperature"},
		{"constant", func(p *record.Plan) { p.Constants = map[string]float64{"peak_hold": 5} }, `no constant is called "peak_hold"`},
		{"constant's range", func(p *record.Plan) { p.Constants = map[string]float64{"peak_hold_s": -5} }, "peak_hold_s = -5 is not within"},
		{"limit of nothing", limit(func(l *record.Limit) { l.Channel = "" }), "either a channel or a role"},
		{"limit of both", limit(func(l *record.Limit) { l.Role = "probe" }), "either a channel or a role"},
		{"limit of a stranger", limit(func(l *record.Limit) { l.Channel = "vr9" }), `there is no channel "vr9"; the channels are vr1`},
		{"role", limit(func(l *record.Limit) { l.Channel, l.Role = "", "prob" }), `there is no role "prob"`},
		{"quantity", limit(func(l *record.Limit) { l.Quantity = "temp" }), "use value, rise, slope or difference"},
		{"severity", limit(func(l *record.Limit) { l.Severity = "" }), "use note, fail or stop"},
		{"dwell", limit(func(l *record.Limit) { l.DwellS = -2 }), "dwell -2 s"},
		{"bound", limit(func(l *record.Limit) { l.Bound = series.Absent() }), "is not a number"},
		{"limit's phase", limit(func(l *record.Limit) { l.Phases = []record.Phase{"burn"} }), `there is no phase "burn"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := DefaultPlan(3600, nil)
			c.change(&p)
			err := CheckPlan(p, channels)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("error %v, want %q in it", err, c.want)
			}
			in := Input{Channels: channels, Start: record.RunStart{Plan: p}}
			if _, err := NewTracker(in); err == nil {
				t.Error("a tracker opened")
			}
			if _, err := NewRecording(in); err == nil {
				t.Error("a recording opened")
			}
		})
	}
}

func TestEveryMistakeIsNamedAtOnce(t *testing.T) {
	p := DefaultPlan(-1, []record.Limit{{Name: "x"}})
	p.Phases[0].Begins = "x"
	err := CheckPlan(p, nil)
	for _, want := range []string{"length -1", `begins is "x"`, "either a channel or a role", "use note, fail or stop"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is missing in %v", want, err)
		}
	}
}

func TestPlansThatAreTaken(t *testing.T) {
	for _, p := range []record.Plan{DefaultPlan(3600, nil), DefaultPlan(0, nil), RecordingPlan(0, nil), RecordingPlan(600, probeLimit(90))} {
		if err := CheckPlan(p, nil); err != nil {
			t.Error(err)
		}
	}
}

func TestInputsThatAreRefused(t *testing.T) {
	for _, c := range []struct {
		channels []Channel
		want     string
	}{{nil, "no channels"}, {[]Channel{{}}, "channel 1 has no name"}, {[]Channel{{Name: "a"}, {Name: "a"}}, `two channels are called "a"`}} {
		in := Input{Channels: c.channels, Start: record.RunStart{Plan: DefaultPlan(1, nil)}}
		if _, err := NewRecording(in); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
}

// TestPlanSetsConstants: what a plan sets is used and recorded with the result.
func TestPlanSetsConstants(t *testing.T) {
	c := constants.Default()
	in := Input{Channels: []Channel{{Name: "p", Kind: record.Temperature, Role: record.RoleProbe}}}
	in.Start.Plan = RecordingPlan(60, nil)
	in.Start.Plan.Constants = map[string]float64{"peak_hold_s": 20}
	in.Start.Plan.AmbientBandC = &record.Band{Low: 18, High: 30}
	ref := 25.0
	in.Start.Plan.ReferenceAmbientC = &ref
	rec, err := NewRecording(in)
	if err != nil {
		t.Fatal(err)
	}
	got := rec.Evaluate().Constants
	if got["peak_hold_s"] != 20 || got["ambient_low_c"] != 18 || got["ambient_high_c"] != 30 || got["reference_ambient_c"] != 25 || len(got) != len(c.Map()) {
		t.Errorf("the result reports %v", got)
	}
}
