package report

import (
	"slices"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// nightResult is a night in which a bead let go, the room was set back and the unit
// switched itself off.
func nightResult() *record.Result {
	f := func(v float64) *float64 { return &v }
	return &record.Result{Unit: "carrier-7", Setup: "overnight", Run: "20260105-01", Rig: "bench-1", Started: "2026-01-05T22:55:00Z", DurationS: 12600,
		Verdict: record.VerdictVoid, Final: true,
		Reasons: []record.Reason{{Code: "load_lost", Text: "the load was lost at 02:14:00 UTC"}},
		Peak:    &record.Peak{Channel: "vr5", Place: "behind stage 5", HeldC: 79.2, ExpandedK: 4, AtS: 4328, LowerBound: true},
		Load:    &record.Load{Source: "detected", StartS: f(300), EndS: f(11940), PlannedS: f(28800), MissingS: f(17160), Outcome: "lost", LostTo: "off"},
		Ambient: &record.Ambient{BandLowC: 21, BandHighC: 25, MeanC: 19.7, InBand: 0.33},
		Probes: []record.ProbeResult{{Channel: "vr5", Place: "behind stage 5", Health: "detached", Counts: true},
			{Channel: "vr4", Place: "behind stage 4", Health: "good", Counts: true}},
		Phases: []record.PhaseResult{{Phase: record.PhaseLoad, StartS: 300, EndS: 11940}, {Phase: record.PhaseCooldown, StartS: 11940, EndS: 12540}},
		Limits: []record.LimitResult{{Name: "probe", Channel: "vr5", Quantity: "value", Unit: "degC", Bound: 105, Value: f(79.2), Outcome: record.VerdictPass}},
		Findings: []record.Finding{
			{Code: "ambient_band", Severity: "void", Channel: "room", FromS: f(4140), Seen: "the room left its band of 21..25 degC"},
			{Code: "probe_detached", Severity: "void", Channel: "vr5", FromS: f(6900), Seen: "vr5 fell from 108 % to 38 % of the others' rise", Consistent: "consistent with a bead that came off the board"},
			{Code: "load_lost", Severity: "void", FromS: f(11940), Seen: "power fell 3 h 14 min after the load began"},
			{Code: "late_readings", Severity: "note", Seen: "3 readings came late"},
		}}
}

// TestStoryInOrder: what was seen and when, in the time of day, what has no time last.
func TestStoryInOrder(t *testing.T) {
	var got []string
	for _, m := range storyOf(nightResult()) {
		got = append(got, strings.TrimSpace(m.When+" "+m.Text))
	}
	want := []string{"22:55:00 the run began", "23:00:00 the load began, as wall power shows, 8 h planned", "00:04:00 the room left its band of 21..25 °C",
		"00:07:08 the highest level held: 79.2 ± 4.0 °C on vr5 (behind stage 5)",
		"00:50:00 vr5 fell from 108 % to 38 % of the others' rise; consistent with a bead that came off the board",
		"02:14:00 power fell 3 h 14 min after the load began", "02:24:00 the run ended", "3 readings came late"}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// TestNightReadsRight: the verdict's ground in the first line, the probe not to be
// trusted and from when, the limit not taken as kept, and what to do.
func TestNightReadsRight(t *testing.T) {
	r := nightResult()
	var b strings.Builder
	if err := Text(&b, r); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(b.String()), " ")
	for _, want := range []string{
		"Void, the load was lost: peak ≥ 79.2 ± 4.0 °C, limit 105 °C", "times are UTC",
		"vr5 is not known from 00:50:00 on, so the true peak may be higher", "kept as far as was seen", "vr5 detached from 00:50:00 on",
		"find out why carrier-7 went off at 02:14:00 before it is switched on again", "mount vr5 (behind stage 5) anew",
		"keep the room within 21 to 25 °C", "then run it again",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, b.String())
		}
	}
	advice := adviceOf(r)
	if len(advice) != 4 || !strings.HasPrefix(advice[0], "find out why") {
		t.Errorf("advice %q", advice)
	}
}

// TestWhen: longer than a day the day stands too; without a start it is run time.
func TestWhen(t *testing.T) {
	r := &record.Result{Started: "2026-01-05T22:55:00Z", DurationS: 3 * 86400}
	if got := clockTime(r, 90000); got != "01-06 23:55:00" {
		t.Errorf("long run: %s", got)
	}
	if got := clockTime(&record.Result{}, 3661); got != "1:01:01" {
		t.Errorf("no start: %s", got)
	}
	r = &record.Result{Started: "2026-01-05T22:55:00+01:00", DurationS: 3600}
	if clockTime(r, 600) != "23:05:00" || zoneNote(r) != "times are UTC+01:00" {
		t.Errorf("zone: %s, %s", clockTime(r, 600), zoneNote(r))
	}
}

// TestAdviceOfEveryKind: each kind of finding that asks for something has its words.
func TestAdviceOfEveryKind(t *testing.T) {
	at := 60.0
	for _, code := range adviceOrder() {
		r := &record.Result{Ambient: &record.Ambient{BandLowC: 21, BandHighC: 25}, Findings: []record.Finding{{Code: code, Severity: "warning", Channel: "vr1", FromS: &at}}}
		if a := adviceOf(r); len(a) != 1 || len(a[0]) < 15 {
			t.Errorf("%s: %q", code, a)
		}
		r.Findings[0].Severity = "note"
		if a := adviceOf(r); len(a) != 0 {
			t.Errorf("%s as a note: %q", code, a)
		}
	}
	for to, want := range map[string]string{"off": "went off", "restarted": "why it restarted", "idle": "ended the load"} {
		r := &record.Result{Load: &record.Load{LostTo: to}, Findings: []record.Finding{{Code: "load_lost", Severity: "void", FromS: &at}}}
		if a := adviceOf(r); len(a) != 1 || !strings.Contains(a[0], want) {
			t.Errorf("%s: %q", to, a)
		}
	}
}
