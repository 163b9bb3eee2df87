package cli

import (
	"errors"
	"strings"
	"testing"

	"soakrig/client"
	"soakrig/client/internal/archive"
)

// TestOneNameOneRig: two rigs of one name are not mixed; one rig that is reached in two
// ways, and rigs that do not answer, are no clash.
func TestOneNameOneRig(t *testing.T) {
	is := func(name, journal string) *client.Description {
		return &client.Description{Rig: name, Journal: client.Journal{ID: journal}}
	}
	var rigs []*namedRig
	for _, name := range []string{"a", "b", "c", "d", "e"} {
		rigs = append(rigs, &namedRig{rigAddress: rigAddress{name: name}})
	}
	down := errors.New("does not answer")
	failed := []error{nil, down, nil, nil, nil}
	oneNameOneRig(rigs, []*client.Description{is("bench-1", "j1"), nil, is("bench-2", "j2"), is("bench-1", "j3"), is("bench-1", "j1")}, failed)
	for i, want := range []string{"", "does not answer", "", "rigs a and d both call themselves bench-1", ""} {
		if (failed[i] == nil) != (want == "") || failed[i] != nil && !strings.Contains(failed[i].Error(), want) {
			t.Errorf("%s: %v, want %q", rigs[i].name, failed[i], want)
		}
	}
}

// TestPlaces: runs of one id are told apart by rig, or else by file.
func TestPlaces(t *testing.T) {
	run := func(rig, file string) *loaded {
		l := fromTestRun(rig)
		l.origin = file
		return l
	}
	if got := strings.Join(places([]*loaded{run("bench-1", "x"), run("bench-2", "y")}), " "); got != "bench-1/r1 bench-2/r1" {
		t.Error(got)
	}
	if got := strings.Join(places([]*loaded{run("bench-1", "x"), run("bench-1", "y")}), " "); got != "x y" {
		t.Error(got)
	}
}

func fromTestRun(rig string) *loaded {
	run := &archive.Run{Record: archive.Record{Rig: rig}}
	run.Record.Start.Run = "r1"
	return &loaded{run: run}
}
