package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestNight stages the night and reads what someone who was asleep reads: what
// happened and when, what follows, which probe is not to be trusted and from when on,
// what to do. Rig time stands still while a sample is taken, so that a busy machine
// makes the night longer, not different; the bound only guards against hanging.
func TestNight(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	dir := filepath.Join(t.TempDir(), "night")
	var out strings.Builder
	if err := runNight(ctx, options{dir: dir, speed: 1000}, &out, io.Discard); err != nil {
		t.Fatal(err)
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, shown, _ := strings.Cut(string(readme), "```\nVoid, ")
	shown, _, _ = strings.Cut(shown, "```")
	if got := out.String(); shown == "" || !strings.HasPrefix(got, "Void, "+shown) {
		t.Errorf("README.md shows\nVoid, %s\nthe night prints\n%s", shown, got)
	}
	text := strings.Join(strings.Fields(out.String()), " ")
	at := 0
	for _, want := range []string{ // in this order
		"Void, the load was lost: peak ≥ 79.", "times are UTC",
		"What happened", "the run began", "23:00:00", "the load began, as wall power shows, 8 h planned",
		"the room left its band of 21..25 °C", "the highest level held: 79.", "on vr5 (behind stage 5)",
		"00:50:00", "vr5 fell from 1", "consistent with a bead that came off the board",
		"02:14:00", "power fell 3 h 14 min", "with 4 h 4", "of the plan missing; the hot spot vr", "consistent with a unit that lost power or shut itself down",
		"Why", "the load was lost at 02:14:0", "UTC, 4 h 4", "vr5 can't be trusted from 00:50:0", "the room was outside 21..25 °C for 7",
		"Before the next run", "find out why tansy-8 went off at 02:14:0", "mount vr5 (behind stage 5) anew", "keep the room within 21 to 25 °C", "then run it again",
		"the unit went off", "a lower bound: vr5 is not known from 00:50:0", "kept as far as was seen", "7 of 8 good: vr5 detached from 00:50:0",
	} {
		i := strings.Index(text[at:], want)
		if i < 0 {
			t.Fatalf("%q is missing, or not in its place, in\n%s", want, out.String())
		}
		at += i + len(want)
	}
	if strings.Contains(text, "hot spot vr5 was") {
		t.Error("the bead that came off is called the hot spot of the end")
	}
	page, err := os.ReadFile(filepath.Join(dir, "report.html"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<b>02:14:0", "<b>00:50:0", "Before the next run", "find out why tansy-8 went off"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}
