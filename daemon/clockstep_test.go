package daemon

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
	"soakrig/drivers/all"
)

// stepRig is a rig with two sources on two buses whose board has no battery clock: it
// wakes in the past.
const stepRig = `
rig: no-battery
listen: {grpc: "127.0.0.1:0", http: "off"}
journal: {dir: %q, sync: 50ms}
simulated:
  speed: 200
  seed: 7
  start: 2001-01-01T00:00:00Z
  load: [{at: 120s, level: 1}, {at: 420s, level: 0}]
  chips:
    - {port: SPI0.0, model: max31855, place: stage 1}
    - {port: SPI1.0, model: max31855, place: room}
sources:
  - {name: back, driver: max31855, every: 200ms, inputs: [{channel: vr1, port: SPI0.0}]}
  - {name: air, driver: max31855, every: 500ms, inputs: [{channel: room, port: SPI1.0}]}
channels:
  vr1: {role: probe}
  room: {role: ambient}
`

// wallChange is what happens to the board's wall clock at an instant of rig time.
type wallChange struct {
	at     time.Duration
	by     time.Duration
	synced bool
}

// soakWithSteps makes one run of 60 s baseline, 300 s load and 60 s cooldown, and gives
// it with everything that the journal holds.
func soakWithSteps(t *testing.T, changes []wallChange) (journal.RunRow, []record.Entry) {
	t.Helper()
	cfg, err := ParseConfig("rig.yaml", fmt.Appendf(nil, stepRig, t.TempDir()), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	d, err := Start(Options{Config: cfg, Drivers: all.Drivers()})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	}()
	d.board.paced.SetWall(0, false) // nobody has told the board the time
	select {
	case <-d.acq.Load().Scanned(): // rig time moves on as soon as anybody sleeps
	case <-t.Context().Done():
		t.Fatal(t.Context().Err())
	}
	hold := func(at time.Duration) (release func()) {
		release, err := d.board.clock.Tick(t.Context(), int64(at))
		if err != nil {
			t.Fatal(err)
		}
		return release
	}
	release := hold(30 * time.Second)
	run, _, err := d.runs.Start(t.Context(), record.RunStart{Unit: "u1", Setup: record.Setup{Name: "rated"}, Plan: record.Plan{Phases: []record.PhasePlan{
		{Phase: record.PhaseBaseline, LengthS: 60, Begins: "now"},
		{Phase: record.PhaseLoad, LengthS: 300, Begins: "after", Results: true},
		{Phase: record.PhaseCooldown, LengthS: 60, Begins: "after"},
	}}}, 0)
	release()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range changes {
		release := hold(c.at)
		d.board.paced.SetWall(c.by, c.synced)
		release()
	}
	for {
		changed := d.runs.Changed()
		row, err := d.runs.Get(run)
		if err != nil {
			t.Fatal(err)
		}
		if row.State != "open" {
			return row, entriesTo(t, d.journal, row.LastSeq)
		}
		select {
		case <-changed:
		case <-t.Context().Done():
			t.Fatal(t.Context().Err())
		}
	}
}

// entriesTo are copies of all entries up to last; there must be no gap.
func entriesTo(t *testing.T, j *journal.Journal, last uint64) []record.Entry {
	t.Helper()
	var all []record.Entry
	r := j.NewReader(1)
	defer r.Close()
	for r.Seq() <= last {
		e, err := r.Next(t.Context())
		if gap := (*journal.GapError)(nil); errors.As(err, &gap) {
			t.Fatalf("entries are missing: %v", err)
		}
		if err != nil {
			t.Fatal(err)
		}
		if s, ok := e.Body.(*record.Sample); ok {
			e.Body = &record.Sample{Layout: s.Layout, Source: s.Source, Raw: append([]record.Raw(nil), s.Raw...)}
		}
		all = append(all, e)
	}
	return all
}

// TestClockStepsChangeNoRun: a board without a battery clock wakes a quarter of a
// century in the past and is told the time in the middle of a run; then its clock is set
// back by 90 s, loses its source, jumps ahead. Every sample lies on its grid of the
// monotonic clock, the run is as long as one without steps, and journal and result name
// every step.
func TestClockStepsChangeNoRun(t *testing.T) {
	const wake = 9000 * 24 * time.Hour
	changes := []wallChange{
		{at: 100 * time.Second, by: wake, synced: true},
		{at: 200 * time.Second, by: -90 * time.Second, synced: true},
		{at: 260 * time.Second, by: 0, synced: false},                      // no step
		{at: 300 * time.Second, by: 200 * time.Millisecond, synced: false}, // slewing may do as much
		{at: 350 * time.Second, by: 3 * time.Second, synced: true},
	}
	plain, _ := soakWithSteps(t, nil)
	row, entries := soakWithSteps(t, changes)
	if got, want := row.Result.DurationS, plain.Result.DurationS; math.Abs(got-want) > 1 || math.Abs(got-420) > 3 {
		t.Errorf("the run took %.2f s with steps and %.2f s without, its plan 420 s", got, want)
	}
	for i, p := range plain.Result.Phases {
		if q := row.Result.Phases[i]; p.Phase != q.Phase || math.Abs(p.StartS-q.StartS) > 1 || math.Abs(p.EndS-q.EndS) > 1 {
			t.Errorf("phase without steps %+v, with steps %+v", p, q)
		}
	}
	if a, b := plain.Result.Peak, row.Result.Peak; a == nil || b == nil || math.Abs(a.HeldC-b.HeldC) > 1 || math.Abs(a.AtS-b.AtS) > 60 {
		t.Errorf("peak without steps %+v, with steps %+v", a, b)
	}
	if len(row.Result.Gaps) != 0 {
		t.Errorf("gaps %+v", row.Result.Gaps)
	}
	onGrid(t, entries, []time.Duration{200 * time.Millisecond, 500 * time.Millisecond})
	var steps, want []string
	for _, e := range entries {
		if s, ok := e.Body.(*record.ClockStep); ok {
			steps = append(steps, fmt.Sprintf("%v %v", time.Duration(s.StepNS), s.Synced))
		}
	}
	for _, c := range changes {
		if c.by.Abs() >= 500*time.Millisecond {
			want = append(want, fmt.Sprintf("%v %v", c.by, c.synced))
		}
	}
	if fmt.Sprint(steps) != fmt.Sprint(want) {
		t.Errorf("steps recorded %v, want %v", steps, want)
	}
	var seen []string
	for _, f := range row.Result.Findings {
		if f.Code == "clock_step" {
			seen = append(seen, fmt.Sprintf("%.0f s: %s", *f.FromS, f.Seen))
		}
	}
	if len(seen) != 3 || !strings.Contains(seen[1], "-90.0 s") || !strings.Contains(seen[2], "+3.0 s") {
		t.Errorf("the result names %q", seen)
	}
	for _, f := range plain.Result.Findings {
		if f.Code == "clock_step" {
			t.Errorf("a run without steps says %q", f.Seen)
		}
	}
}

// onGrid holds that every source has one sample at each multiple of its period; the
// first may be late.
func onGrid(t *testing.T, entries []record.Entry, every []time.Duration) {
	t.Helper()
	next := make([]int64, len(every))
	counts := make([]int, len(every))
	for _, e := range entries {
		s, ok := e.Body.(*record.Sample)
		if !ok {
			continue
		}
		i := int(s.Source)
		if counts[i] > 1 && e.At.BootNS/int64(time.Millisecond) != next[i]/int64(time.Millisecond) {
			t.Fatalf("source %d: sample at %v, want %v", i, time.Duration(e.At.BootNS), time.Duration(next[i]))
		}
		next[i] = e.At.BootNS + int64(every[i])
		counts[i]++
	}
	if counts[0] < 2000 || counts[1] < 800 {
		t.Errorf("%v samples of the sources", counts)
	}
}
