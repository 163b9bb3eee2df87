package daemon

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"soakrig/daemon/record"
	"soakrig/drivers/all"
)

// holdRig has two sources on two buses.
const holdRig = `
rig: held
listen: {grpc: "127.0.0.1:0", http: "off"}
journal: {dir: %q}
simulated:
  speed: %g
  seed: 7
  start: 2026-01-01T00:00:00Z
  chips:
    - {port: SPI0.0, model: max31855, place: stage 1}
    - {port: SPI1.0, model: max31855, place: room}
sources:
  - {name: back, driver: max31855, every: 500ms, inputs: [{channel: vr1, port: SPI0.0}]}
  - {name: air, driver: max31855, every: 1s, inputs: [{channel: room, port: SPI1.0}]}
channels:
  vr1: {role: probe}
  room: {role: ambient}
plan: {baseline: 60s, load: 60s, cooldown: 30s}
`

func startHeld(t *testing.T, speed float64) *Daemon {
	t.Helper()
	cfg, err := ParseConfig("rig.yaml", fmt.Appendf(nil, holdRig, t.TempDir(), speed), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	d, err := Start(Options{Config: cfg, Drivers: all.Drivers(), Held: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	})
	return d
}

// scripted makes one run by a script that holds the clock, and gives what is stored of
// it but for the run's own notes, whose stamps tell when soakd had noticed.
func scripted(t *testing.T, speed float64) (record.Result, []record.Entry) {
	t.Helper()
	ctx := t.Context()
	d := startHeld(t, speed)
	if at := d.Clock().Elapsed(); at != 0 {
		t.Errorf("%v of rig time passed before anybody let it", at)
	}
	until := func(at time.Duration) {
		if err := d.Hold().Until(ctx, at); err != nil {
			t.Fatal(err)
		}
		if now := d.Clock().Elapsed(); now != at {
			t.Errorf("the script is at %v, not %v", now, at)
		}
	}
	until(10250 * time.Millisecond)
	run, _, err := d.runs.Start(ctx, record.RunStart{Unit: "u", Setup: record.Setup{Name: "s"}}, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		after time.Duration
		mark  string
	}{{70 * time.Second, "load start"}, {130 * time.Second, "load end"}} {
		until(10250*time.Millisecond + step.after)
		if _, _, err := (runsView{d.runs, d.Simulated()}).Mark(ctx, step.mark, ""); err != nil {
			t.Fatal(err)
		}
	}
	until(180250 * time.Millisecond)
	for d.runs.Open() != "" {
		changed := d.runs.Changed()
		if d.runs.Open() == "" {
			break
		}
		<-changed
	}
	row, err := d.runs.Get(run)
	if err != nil || row.Result == nil {
		t.Fatalf("%+v: %v", row, err)
	}
	var kept []record.Entry
	r := d.journal.NewReader(row.FirstSeq)
	defer r.Close()
	for r.Seq() <= row.LastSeq {
		e, err := r.Next(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if _, own := e.Body.(*record.RunEvent); own {
			continue
		}
		e.Seq, e.At.Boot = 0, record.BootID{}
		kept = append(kept, e)
	}
	return *row.Result, kept
}

// TestHeld: what a script does comes to the same at every speed, to the bit.
func TestHeld(t *testing.T) {
	slow, slowEntries := scripted(t, 200)
	fast, fastEntries := scripted(t, 1000)
	if len(slowEntries) < 400 {
		t.Errorf("only %d entries", len(slowEntries))
	}
	for source := range uint16(2) { // of two buses either may be stored first
		if a, b := samplesOf(slowEntries, source), samplesOf(fastEntries, source); !reflect.DeepEqual(a, b) {
			t.Errorf("source %d: %d samples differ from %d", source, len(a), len(b))
		}
	}
	for _, r := range []*record.Result{&slow, &fast} {
		r.FirstSeq, r.LastSeq = 0, 0
	}
	if !reflect.DeepEqual(slow, fast) {
		t.Errorf("the results differ:\n%+v\n%+v", slow, fast)
	}
}

// samplesOf are the samples of a source, and what is no sample.
func samplesOf(entries []record.Entry, source uint16) (of []record.Entry) {
	for _, e := range entries {
		if s, ok := e.Body.(*record.Sample); !ok || s.Source == source {
			of = append(of, e)
		}
	}
	return of
}

// TestHoldEnds: letting go twice, and holding what was let go.
func TestHoldEnds(t *testing.T) {
	d := startHeld(t, 1000)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := d.Hold().Until(ctx, time.Hour); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	d.Hold().Release() // nothing is held: harmless
	if err := d.Hold().Until(t.Context(), time.Hour); err == nil || !strings.Contains(err.Error(), "let go") {
		t.Errorf("time was held anew: %v", err)
	}
	if err := d.Clock().SleepUntil(t.Context(), time.Minute); err != nil {
		t.Errorf("time does not pass after an error: %v", err)
	}
}

// TestHeldHardware: real time can't be held.
func TestHeldHardware(t *testing.T) {
	cfg, err := ParseConfig("rig.yaml", []byte("rig: r\nsources: [{name: a, driver: max31856, inputs: [{channel: x, port: SPI0.0}]}]\n"), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Start(Options{Config: cfg, Drivers: all.Drivers(), Held: true}); err == nil || !strings.Contains(err.Error(), "can't be held") {
		t.Errorf("held: %v", err)
	}
}
