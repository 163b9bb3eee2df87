package main

import (
	"strings"
	"testing"

	"soakrig/daemon"
)

// TestCheckSaysAThingOnce: eight probes behind one port that can't be opened are one
// line, and the source that carries them is not a second one.
func TestCheckSaysAThingOnce(t *testing.T) {
	const cause = "open SPI0.0: no such file"
	r := daemon.CheckReport{
		Problems: []string{"source back: " + cause, "source other: open I2C1: no such file"},
		Identity: map[string][]string{"wall": {"meter 3"}, "back": {"chip 1"}},
	}
	for _, name := range []string{"vr1", "vr2"} {
		r.Channels = append(r.Channels, daemon.ChannelCheck{Channel: name, Fault: "bus_error", Cause: cause, Why: "the source is not open"})
	}
	r.Channels = append(r.Channels, daemon.ChannelCheck{Channel: "room", Fault: "ok", Why: "scaled"})
	var b strings.Builder
	if err := printCheck(&b, r); err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(b.String(), "Faults\n")
	const want = "  vr1, vr2: bus_error: open SPI0.0: no such file\n  source other: open I2C1: no such file\n"
	if !strings.HasPrefix(rest, want) {
		t.Errorf("got\n%s\nwant it to begin with\n%s", rest, want)
	}
	if at := strings.Index(rest, "Found at back"); at < 0 || at > strings.Index(rest, "Found at wall") {
		t.Errorf("sources are not in order:\n%s", rest)
	}
}
