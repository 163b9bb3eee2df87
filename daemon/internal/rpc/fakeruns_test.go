package rpc

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// fakeRuns answers from what the test put in.
type fakeRuns struct {
	mu      sync.Mutex
	rows    []journal.RunRow // newest first
	live    *record.Live
	changed chan struct{}
	started record.RunStart
	loadS   float64
	marks   []string
	zero    record.ZeroCheck
	panics  bool
	hang    chan struct{} // Evaluate waits for it
}

var errFakeNoRun, errFakeOpen, errFakeNotOpen, errFakePlan, errFakeSource = errors.New("no such run"),
	errors.New("a run is open"), errors.New("no run is open"), errors.New("bad plan"), errors.New("no value")

func newFakeRuns() *fakeRuns { return &fakeRuns{changed: make(chan struct{})} }

func (f *fakeRuns) Start(_ context.Context, s record.RunStart, loadS float64) (string, uint64, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case f.panics:
		panic("a fault in the manager")
	case f.live != nil:
		return "", 0, fmt.Errorf("%w: %s", errFakeOpen, f.live.Run)
	case len(s.Plan.Phases) == 1:
		return "", 0, fmt.Errorf("%w: one phase", errFakePlan)
	}
	s.Run = fmt.Sprintf("2026-05-04-%d", len(f.rows)+1)
	f.started, f.loadS = s, loadS
	f.rows = append([]journal.RunRow{{Start: s, State: "open", FirstSeq: 7}}, f.rows...)
	f.set(&record.Live{Run: s.Run, Unit: s.Unit, Phase: record.PhaseWaiting, VerdictSoFar: record.VerdictNone})
	return s.Run, 7, nil
}

// set changes the open run; mu is held.
func (f *fakeRuns) set(l *record.Live) {
	f.live = l
	close(f.changed)
	f.changed = make(chan struct{})
}

func (f *fakeRuns) Stop(_ context.Context, asked, reason string) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.live == nil || asked != "" && asked != f.live.Run {
		return "", errFakeNotOpen
	}
	run := f.live.Run
	f.rows[0].State = "ended"
	f.rows[0].Result = &record.Result{Run: run, Verdict: record.VerdictVoid, Final: true, DurationS: 12.5,
		Probes: []record.ProbeResult{{Channel: "vr1", Health: "good"}}, Reasons: []record.Reason{{Code: "too_short", Text: reason}}}
	f.set(nil)
	return run, nil
}

func (f *fakeRuns) Mark(_ context.Context, text, author string) (uint64, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.marks = append(f.marks, author+": "+text)
	return uint64(len(f.marks)), "", nil
}

func (f *fakeRuns) Get(run string) (journal.RunRow, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, r := range f.rows {
		if r.Start.Run == run || run == "last" {
			return r, nil
		}
	}
	return journal.RunRow{}, fmt.Errorf("%w: %q; there are: %d", errFakeNoRun, run, len(f.rows))
}

func (f *fakeRuns) List(unit, before string, limit int) (list []journal.RunRow, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	skip := before != ""
	for _, r := range f.rows {
		if !skip && (unit == "" || r.Start.Unit == unit) && len(list) < limit {
			list = append(list, r)
		}
		skip = skip && r.Start.Run != before
	}
	return list, nil
}

func (f *fakeRuns) Live() (record.Live, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.live == nil {
		return record.Live{}, false
	}
	return *f.live, true
}

func (f *fakeRuns) Changed() <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.changed
}

func (f *fakeRuns) Evaluate(_ context.Context, run string, limits []record.Limit, constants map[string]float64) (record.Result, error) {
	if f.hang != nil {
		<-f.hang
	}
	r, err := f.Get(run)
	if err != nil {
		return record.Result{}, err
	}
	if constants["unheard"] != 0 {
		return record.Result{}, fmt.Errorf("%w: no constant %q", errFakePlan, "unheard")
	}
	return record.Result{Run: r.Start.Run, Constants: constants, Limits: []record.LimitResult{{Name: limits[0].Name}}}, nil
}

func (f *fakeRuns) ZeroCheck(_ context.Context, z record.ZeroCheck) (record.ZeroReport, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.zero = z
	spread := 0.3
	return record.ZeroReport{Passed: true, Text: "spread 0.3 K", SpreadK: &spread, Trimmed: z.Trim,
		Probes: []record.ZeroProbe{{Channel: "vr1", Passed: true, MeanC: &spread}}}, nil
}
