package metrics

import (
	"context"
	"strings"
	"testing"
	"time"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

func openJournal(t testing.TB, dir string) *journal.Journal {
	t.Helper()
	j, err := journal.Open(journal.Options{Dir: dir, Sync: 10 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// follow runs m until the returned func is called.
func follow(t testing.TB, m *Metrics) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- m.Run(ctx) }()
	return func() {
		t.Helper()
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	}
}

// caughtUp waits until the page has taken in the whole journal.
func caughtUp(t testing.TB, m *Metrics, j *journal.Journal) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); ; {
		m.mu.Lock()
		taken, running := m.taken, !m.heard.IsZero()
		m.mu.Unlock()
		if running && taken >= j.State().Head {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("the page has taken in %d of %d entries", taken, j.State().Head)
		}
		time.Sleep(time.Millisecond)
	}
}

func add(t testing.TB, j *journal.Journal, clock *handClock, bodies ...record.Body) (last uint64) {
	t.Helper()
	for _, b := range bodies {
		seq, err := j.Append(clock.Now(), b)
		if err != nil {
			t.Fatal(err)
		}
		last = seq
		clock.pass(200 * time.Millisecond)
	}
	return last
}

func probes(codes ...int64) *record.Sample {
	s := &record.Sample{Layout: 7, Source: back}
	for _, c := range codes {
		s.Raw = append(s.Raw, record.Raw{Has: record.HasCode, Code: c})
	}
	return s
}

// After a restart in mid-run the run's maximum is there again, and what was counted
// before is not counted a second time.
func TestRestartInARun(t *testing.T) {
	dir := t.TempDir()
	clock := newHandClock()
	layout := func() *record.Layout { return benchLayout() }
	j := openJournal(t, dir)
	m, err := New(Options{Rig: "bench-2", Clock: clock, Journal: j, Layout: layout, Limits: benchLimits})
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, m: m, clock: clock}
	stop := follow(t, m)
	caughtUp(t, m, j)
	start := record.RunStart{Run: "a", Unit: "carrier-07", Plan: record.Plan{Limits: first(benchLimits())}}
	first := add(t, j, clock, benchLayout())
	last := add(t, j, clock, &record.RunEvent{Run: "a", Event: "started", Start: &start},
		probes(10600, 1, 1), probes(11100, 1, 1), probes(10900, 1, 1))
	if err := j.PutRun(journal.RunRow{Start: start, State: "open", StartedAt: clock.Now(), FirstSeq: first, LastSeq: last}); err != nil {
		t.Fatal(err)
	}
	old := record.RunStart{Run: "before", Unit: "carrier-06"}
	peak := record.Result{Run: "before", Verdict: record.VerdictPass, Peak: &record.Peak{HeldC: 88.5}}
	if err := j.PutRun(journal.RunRow{Start: old, State: "ended", StartedAt: record.Stamp{WallNS: 1}, EndedAt: record.Stamp{WallNS: 2e9}, FirstSeq: 1, LastSeq: 1, Result: &peak}); err != nil {
		t.Fatal(err)
	}
	caughtUp(t, m, j)
	series := `soakrig_run_temperature_max_celsius{channel="vr1",role="probe"}`
	over := `soakrig_over_limit_seconds_total{channel="vr1",limit="probe",role="probe"}`
	r.want(series, 111)
	r.want(over, 0.4)
	r.want("soakrig_samples_total", 3)
	stop()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}

	j = openJournal(t, dir)
	defer j.Close()
	if r.m, err = New(Options{Rig: "bench-2", Clock: clock, Journal: j, Layout: layout, Limits: benchLimits}); err != nil {
		t.Fatal(err)
	}
	stop = follow(t, r.m)
	defer stop()
	caughtUp(t, r.m, j)
	r.want(series, 111)
	r.want(over, 0)
	r.want("soakrig_samples_total", 0)
	r.want(probeTemp("vr1"), 109)
	add(t, j, clock, probes(11000, 1, 1), probes(11000, 1, 1))
	caughtUp(t, r.m, j)
	r.want(series, 111)
	r.want("soakrig_samples_total", 2)
	r.want("soakrig_last_run_peak_celsius", 88.5)
	r.want(`soakrig_last_run_verdict{verdict="pass"}`, 1)
}

// A daemon whose parts hang makes the page old, and says so, but never slow.
func TestHangingDaemonDoesNotHoldThePage(t *testing.T) {
	j := openJournal(t, t.TempDir())
	defer j.Close()
	gate, asked := make(chan struct{}), make(chan struct{}, 1)
	m, err := New(Options{
		Rig: "bench-2", Clock: newHandClock(), Journal: j, Layout: func() *record.Layout { return benchLayout() },
		Live: func() (record.Live, bool) {
			select {
			case asked <- struct{}{}:
			default:
			}
			<-gate
			return record.Live{}, false
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	stop := follow(t, m)
	defer stop()
	defer close(gate)
	<-asked
	code, body := get(t, m.Handler(), "/metrics", "")
	if code != 200 || strings.Contains(body, "soakrig_status_age_seconds 0") {
		t.Errorf("code %d", code)
	}
}

// The tail takes what is appended, whatever its type, and ends with the journal.
func TestRunEndsWithTheJournal(t *testing.T) {
	j := openJournal(t, t.TempDir())
	clock := newHandClock()
	m, err := New(Options{Rig: "bench-2", Clock: clock, Journal: j, Layout: func() *record.Layout { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- m.Run(ctx) }()
	caughtUp(t, m, j)
	r := &rig{t: t, m: m, clock: clock}
	add(t, j, clock, probes(1, 2, 3)) // of a layout that nobody knows
	add(t, j, clock, benchLayout(), probes(5000, 1, 1), &record.ClockStep{StepNS: 1}, &record.Mark{Text: "m"},
		&record.SourceEvent{Source: "back", State: "failed"}, &record.Sample{Layout: 7, Source: 77}, &record.Gap{From: 1, To: 2})
	caughtUp(t, m, j)
	r.want("soakrig_clock_steps_total", 1)
	r.want("soakrig_samples_total", 1)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Errorf("Run: %v", err)
	}
}
