package cli

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strings"
	"testing"

	"soakrig/client"
	"soakrig/daemon/record"
)

func ptr(v float64) *float64 { return &v }

// testWatch is two rigs: one in a run with a faulty probe, one out of reach.
func testWatch() *watch {
	live := &record.Live{Run: "20260502-01", Unit: "carrier-7", Setup: "boosted", Phase: record.PhaseLoad, ElapsedS: 2340, PhaseS: 2040, PhaseLengthS: ptr(3600),
		RemainingS: ptr(2160), HotChannel: "vr2", HotC: ptr(91.9), HotExpandedK: ptr(2.4), PeakChannel: "vr2", PeakC: ptr(92.1), PeakAtS: ptr(2300),
		AmbientC: ptr(23), RiseK: ptr(68.9), PowerW: ptr(292.4), EnergyJ: ptr(590000), SlopeKPerH: ptr(6.2), Tier: "rising", ToSteadyS: ptr(1300),
		LimitC: ptr(105), ProbesGood: 1, ProbesTotal: 2, VerdictSoFar: record.VerdictPass,
		Warnings: []record.Finding{{Code: "probe_lost", Severity: "warning", Channel: "vr1", FromS: ptr(1800), Seen: "vr1 gives no value"}}}
	one := &rigView{name: "bench-1", live: live, lag: 1200, seen: true, order: []string{"vr1", "vr2", "room", "wall", "meter"}, values: map[string]probeView{
		"vr1":  {place: "behind stage 1", unit: "degC", role: record.RoleProbe, faulted: true},
		"vr2":  {place: "behind stage 2", unit: "degC", role: record.RoleProbe, last: ptr(91.93)},
		"room": {unit: "degC", role: record.RoleAmbient, last: ptr(23.04)}, "wall": {unit: "W", role: record.RoleSupply, last: ptr(292.4)},
		"meter": {unit: "J", role: record.RoleSupply, last: ptr(1e6)},
	}}
	return &watch{states: []*rigView{one, {name: "bench-2", problem: "no connection: connection refused"}}}
}

func TestScreen(t *testing.T) {
	for _, c := range []struct {
		file          string
		width, height int
		colour        bool
	}{{"wide", 100, 30, false}, {"narrow", 46, 30, false}, {"low", 100, 6, false}, {"colour", 100, 30, true}} {
		lines := testWatch().frame(c.width, c.height, paint(c.colour))
		got := strings.ReplaceAll(strings.Join(lines, "\n"), "\x1b", "ESC") + "\n"
		file := "testdata/screen-" + c.file + ".txt"
		if os.Getenv("UPDATE_SCREENS") != "" {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil || string(want) != got {
			t.Errorf("%s: got\n%s\nwant\n%s (%v)", file, got, want, err)
		}
		if len(lines) > c.height {
			t.Errorf("%s: %d lines for %d", file, len(lines), c.height)
		}
		for _, l := range lines {
			if n := len([]rune(l)); !c.colour && n > c.width {
				t.Errorf("%s: %d columns for %d: %s", file, n, c.width, l)
			}
		}
	}
}

func TestWatchLines(t *testing.T) {
	for form, want := range map[string]string{
		"text": "bench-1  carrier-7 boosted; load 34 min of 1 h; peak 92.1 ± 2.4 °C on vr2; rise 68.9 K; 292 W; 6.2 K/h rising; 1 of 2 probes good; pass so far; ! 0:30:00 vr1 gives no value; 1200 entries behind\nbench-2  no connection: connection refused\n",
		"csv":  "bench-1,20260502-01,carrier-7,boosted,load,2340,2160,92.1,vr2,91.9,vr2,68.9,23,292.4,6.2,rising,1,2,pass,1200\n",
	} {
		var b bytes.Buffer
		s := &session{Env: Env{Stdout: &b}}
		if err := s.lines(testWatch(), form, false); err != nil {
			t.Fatal(err)
		}
		if b.String() != want {
			t.Errorf("%s: got\n%s\nwant\n%s", form, b.String(), want)
		}
	}
}

// TestFollowTakesSummaries: the newest value of each channel, and a fault in its place.
func TestFollowTakesSummaries(t *testing.T) {
	l := &record.Layout{Channels: []record.Channel{{Name: "vr1", Unit: "degC", Role: record.RoleProbe}, {Name: "room", Unit: "degC"}}}
	v := &rigView{values: map[string]probeView{}}
	v.take(&client.Event{Kind: client.KindSummary, Summary: &client.Summary{Layout: l, Channel: 0, HasLast: true, Last: 40, Good: 2}})
	v.take(&client.Event{Kind: client.KindNote})
	if p := v.values["vr1"]; p.last == nil || *p.last != 40 || strings.Join(v.order, " ") != "vr1 room" {
		t.Errorf("got %+v, order %v", p, v.order)
	}
	v.take(&client.Event{Kind: client.KindSummary, Summary: &client.Summary{Layout: l, Channel: 0, Faulted: 3}})
	if p := v.values["vr1"]; p.last != nil || !p.faulted {
		t.Errorf("a fault leaves %+v", p)
	}
	v.fail(context.Background(), context.DeadlineExceeded)
	if v.problem == "" {
		t.Error("a stream that failed is not told")
	}
}

// TestMaybeEnd ends a watch only when every rig has said that nothing is open.
func TestMaybeEnd(t *testing.T) {
	ended := false
	w := &watch{untilEnd: true, cancel: func() { ended = true }, states: []*rigView{{name: "a", seen: true}, {name: "b"}}}
	if w.maybeEnd(); ended {
		t.Error("ended before b said anything")
	}
	w.states[1].seen, w.states[1].live = true, &record.Live{}
	if w.maybeEnd(); ended {
		t.Error("ended while b's run is open")
	}
	w.states[1].live = nil
	if w.maybeEnd(); !ended {
		t.Error("did not end")
	}
	if len(w.ended()) != 0 {
		t.Errorf("results %v", w.ended())
	}
}

// TestScreenShowsEveryRig: on 80 by 24, where three rigs of eight probes do not fit, all
// three are there with phase, peak and verdict, and with the probe that has a fault.
func TestScreenShowsEveryRig(t *testing.T) {
	w := &watch{}
	for i := range 3 {
		v := testWatch().states[0]
		v.name = fmt.Sprint("bench-", i+1)
		for n := range 6 {
			last, name := 50.0, fmt.Sprint("more", n)
			v.order = append(v.order, name)
			v.values[name] = probeView{unit: "degC", role: record.RoleProbe, last: &last}
		}
		w.states = append(w.states, v)
	}
	text := strings.Join(w.frame(80, 24, paint(false)), "\n")
	for _, want := range []string{"bench-1", "bench-2", "bench-3"} {
		if !strings.Contains(text, want) {
			t.Errorf("%s is not on the screen:\n%s", want, text)
		}
	}
	if strings.Count(text, "fault") != 3 || strings.Contains(text, "more0") || strings.Count(text, "peak 92.1") != 3 {
		t.Errorf("got\n%s", text)
	}
	if text := strings.Join(w.frame(80, 60, paint(false)), "\n"); strings.Count(text, "more0") != 3 {
		t.Errorf("a tall screen has no room for the probes:\n%s", text)
	}
}
