// Package runs is the life of a run: started, followed phase by phase, stopped,
// judged, resumed after a restart. It tails the journal like any other reader, so
// that a run judged live and the same run replayed are the same computation. It
// makes no numbers: package analysis does.
package runs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"soakrig/daemon/analysis"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
)

// Errors that callers branch on; wrapped with what to do.
var (
	ErrNoRun   = errors.New("no such run")
	ErrRunOpen = errors.New("a run is open")
	ErrPlan    = errors.New("the plan can't be followed")
	ErrNoOpen  = errors.New("no run is open")
)

// Options are what a Manager works with. Stop and Log may be nil.
type Options struct {
	Rig     string
	Journal *journal.Journal
	Clock   rigtime.Clock
	Layout  func() *record.Layout // in force
	Plan    record.Plan           // when Start brings none
	// Calibrate stores a calibration and puts it in force.
	Calibrate func(record.Stamp, record.Calibration) error
	// StopRequest is called once when a limit asks to stop: it drops the interlock and
	// runs the site's command. It must not block.
	StopRequest func(run, reason string)
	Log         *slog.Logger
}

// Manager runs the runs of one rig. Its methods may be called concurrently.
type Manager struct {
	o Options

	mu      sync.Mutex
	open    *open            // the open run; nil: none. guarded by mu
	pending *record.RunStart // the next repeat, waiting for the unit to cool. guarded by mu
	changed chan struct{}    // closed at the next change of run state. guarded by mu
	latest  *latest          // newest values of every channel. guarded by mu

	following chan struct{} // closed once Run reads
	followed  atomic.Uint64 // newest entry that was followed
	moved     chan struct{} // newest-wins: an entry was followed
}

// open is a run in progress.
type open struct {
	row     journal.RunRow
	feed    *feed
	tracker *analysis.Tracker
	phase   record.Phase
	stopped string              // reason of a stop by a person; empty: none
	asked   bool                // a limit has asked to stop the load
	replay  uint64              // entries up to here were followed before a restart
	known   map[string]struct{} // events that were recorded before a restart
	noticed []record.RunEvent   // events that following them again has noticed
}

// lastS is the run time of the newest entry that was followed.
func (o *open) lastS() float64 {
	if o.feed == nil {
		return 0
	}
	return o.feed.lastS
}

// New prepares a manager; Run follows the journal. An open run of before a restart
// is resumed.
func New(o Options) (*Manager, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Manager{
		o: o, changed: make(chan struct{}), latest: newLatest(),
		following: make(chan struct{}), moved: make(chan struct{}, 1),
	}, nil
}

// Plan is the plan of runs that bring none.
func (m *Manager) Plan() record.Plan {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.o.Plan
}

// SetPlan changes the plan of later runs that bring none.
func (m *Manager) SetPlan(p record.Plan) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.o.Plan = p
}

// Start opens a run. loadS > 0 changes the load length of the plan. The run is
// durable when Start returns, unless the disk takes no commits: then it is logged, and
// the journal's state says it.
func (m *Manager) Start(ctx context.Context, start record.RunStart, loadS float64) (run string, seq uint64, err error) {
	if len(start.Plan.Phases) == 0 {
		limits, band, ref, constants := start.Plan.Limits, start.Plan.AmbientBandC, start.Plan.ReferenceAmbientC, start.Plan.Constants
		start.Plan = m.Plan()
		if limits != nil {
			start.Plan.Limits = limits
		}
		if band != nil {
			start.Plan.AmbientBandC = band
		}
		if ref != nil {
			start.Plan.ReferenceAmbientC = ref
		}
		if constants != nil {
			start.Plan.Constants = constants
		}
	}
	if start.Plan.Phases = append([]record.PhasePlan(nil), start.Plan.Phases...); loadS > 0 {
		for i := range start.Plan.Phases {
			if start.Plan.Phases[i].Phase == record.PhaseLoad {
				start.Plan.Phases[i].LengthS = loadS
			}
		}
	}
	if strings.TrimSpace(start.Unit) == "" {
		return "", 0, fmt.Errorf("%w: the unit under test has no name", ErrPlan)
	}
	if start.Repeats > 0 && start.Repeat == 0 {
		start.Repeat = 1
	}
	if run, seq, err = m.beginIfIdle(start); err != nil {
		return run, seq, err
	}
	if err := m.durable(ctx, seq); err != nil {
		m.o.Log.Warn("run started but not durable yet", "run", run, "error", err)
	}
	return run, seq, nil
}

// durableWait bounds how long a call waits for what it stored to become durable: a
// disk that takes no commits does not keep a run from starting. A slow card takes a
// commit in less.
const durableWait = 5 * time.Second

// durable asks for a commit now, for someone waits, and returns once seq is durable.
func (m *Manager) durable(ctx context.Context, seq uint64) error {
	wait, cancel := context.WithTimeout(ctx, durableWait)
	defer cancel()
	m.o.Journal.Commit()
	if err := m.o.Journal.WaitDurable(wait, seq); err != nil {
		return fmt.Errorf("entry %d is not durable yet: %w", seq, err)
	}
	return nil
}

func (m *Manager) beginIfIdle(start record.RunStart) (run string, seq uint64, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.open != nil {
		return "", 0, fmt.Errorf("%w: %s of unit %s; stop it first, or wait for its end", ErrRunOpen, m.open.row.Start.Run, m.open.row.Start.Unit)
	}
	m.pending = nil
	return m.begin(start)
}

// begin opens a run; m.mu is held.
func (m *Manager) begin(start record.RunStart) (string, uint64, error) {
	now := m.o.Clock.Now()
	l := m.o.Layout()
	id, err := m.nextID(now)
	if err != nil {
		return "", 0, err
	}
	start.Run = id
	f, err := newFeed(start, l)
	if err != nil {
		return "", 0, err
	}
	tracker, err := analysis.NewTracker(f.input(m.o.Rig, now))
	if err != nil {
		return "", 0, fmt.Errorf("%w: %w", ErrPlan, err)
	}
	// The layout is stored again so that the run's range of entries stands alone.
	first, err := m.o.Journal.Append(now, l)
	if err != nil {
		return "", 0, fmt.Errorf("store layout of run %s: %w", id, err)
	}
	seq, err := m.o.Journal.Append(now, &record.RunEvent{Run: id, Event: "started", Phase: record.PhaseWaiting, Start: &start})
	if err != nil {
		return "", 0, fmt.Errorf("store start of run %s: %w", id, err)
	}
	row := journal.RunRow{Start: start, State: "open", StartedAt: now, FirstSeq: first, LastSeq: seq}
	if err := m.o.Journal.PutRun(row); err != nil {
		return "", 0, fmt.Errorf("store run %s: %w", id, err)
	}
	if err := m.o.Journal.Pin("run "+id, first, 1<<63); err != nil {
		m.o.Log.Warn("samples of the run may be removed before their time", "run", id, "error", err)
	}
	f.line.At(now)
	m.open = &open{row: row, feed: f, tracker: tracker, phase: record.PhaseWaiting}
	m.change()
	m.o.Log.Info("run started", "run", id, "unit", start.Unit, "setup", start.Setup.Name)
	return id, seq, nil
}

// nextID is <date>-<number>, the number being free on this rig.
func (m *Manager) nextID(now record.Stamp) (string, error) {
	day := now.Wall().Format("20060102")
	for n := 1; ; n++ {
		id := fmt.Sprintf("%s-%02d", day, n)
		_, err := m.o.Journal.Run(id)
		if errors.Is(err, journal.ErrNoRun) {
			return id, nil
		}
		if err != nil {
			return "", fmt.Errorf("find a free run id: %w", err)
		}
	}
}

// change wakes those who wait for run state; m.mu is held.
func (m *Manager) change() {
	close(m.changed)
	m.changed = make(chan struct{})
}

// Changed is closed at the next change of run state.
func (m *Manager) Changed() <-chan struct{} {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.changed
}

// Live is the state of the open run; ok is false when none is open.
func (m *Manager) Live() (live record.Live, ok bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.open == nil {
		return record.Live{}, false
	}
	if m.open.tracker == nil { // resumed a moment ago: its beginning has not been read again yet
		s := m.open.row.Start
		return record.Live{Run: s.Run, Unit: s.Unit, Setup: s.Setup.Name, Phase: m.open.phase, VerdictSoFar: record.VerdictNone}, true
	}
	return m.open.tracker.Live(), true
}

// Open is the id of the open run; empty: none.
func (m *Manager) Open() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.open == nil {
		return ""
	}
	return m.open.row.Start.Run
}

// Stop ends the open run at the next entry. run may be empty: the open one.
func (m *Manager) Stop(_ context.Context, run, reason string) (string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.open == nil {
		if m.pending != nil {
			m.pending = nil
			m.change()
			return "", nil
		}
		return "", fmt.Errorf("%w: there is nothing to stop", ErrNoOpen)
	}
	id := m.open.row.Start.Run
	if run != "" && run != id {
		return "", fmt.Errorf("%w: %s is not open; %s is", ErrNoOpen, run, id)
	}
	if reason == "" {
		reason = "stopped by a person"
	}
	m.pending = nil
	m.open.row.Start.Repeats = 0
	_, err := m.o.Journal.Append(m.o.Clock.Now(), &record.RunEvent{Run: id, Event: "stop_requested", Phase: m.open.phase, AtS: m.open.lastS(), Text: reason})
	m.o.Journal.Commit()
	return id, err
}

// Mark adds a line to the journal and to the open run. It is durable when Mark
// returns, unless the disk takes no commits.
func (m *Manager) Mark(ctx context.Context, text, author string) (seq uint64, run string, err error) {
	if text = strings.TrimSpace(text); text == "" {
		return 0, "", fmt.Errorf("a mark needs a text, for instance %q", analysis.MarkLoadStart)
	}
	run = m.Open()
	seq, err = m.o.Journal.Append(m.o.Clock.Now(), &record.Mark{Run: run, Text: text, Author: author})
	if err != nil {
		return 0, run, fmt.Errorf("store mark: %w", err)
	}
	if err := m.durable(ctx, seq); err != nil {
		m.o.Log.Warn("mark stored but not durable yet", "error", err)
	}
	return seq, run, nil
}

// Get is a run by id; "last" is the newest.
func (m *Manager) Get(run string) (journal.RunRow, error) {
	if run == "last" || run == "" {
		rows, err := m.o.Journal.Runs(journal.RunFilter{Limit: 1})
		if err != nil {
			return journal.RunRow{}, err
		}
		if len(rows) == 0 {
			return journal.RunRow{}, fmt.Errorf("%w: this rig has no runs yet; soak start opens one", ErrNoRun)
		}
		return rows[0], nil
	}
	row, err := m.o.Journal.Run(run)
	if !errors.Is(err, journal.ErrNoRun) {
		return row, err
	}
	rows, err := m.o.Journal.Runs(journal.RunFilter{Limit: 10})
	if err != nil {
		return row, err
	}
	ids := make([]string, len(rows))
	for i, r := range rows {
		ids[i] = r.Start.Run
	}
	return row, fmt.Errorf("%w: %q; the newest are: %s", ErrNoRun, run, strings.Join(ids, ", "))
}

// List is the runs, newest first: of one unit if unit is not empty, older than run
// before if that is not empty, at most limit.
func (m *Manager) List(unit, before string, limit int) ([]journal.RunRow, error) {
	return m.o.Journal.Runs(journal.RunFilter{Unit: unit, Before: before, Limit: limit})
}

// Evaluate judges a stored or open run again under other limits or constants.
func (m *Manager) Evaluate(ctx context.Context, run string, limits []record.Limit, constants map[string]float64) (record.Result, error) {
	row, err := m.Get(run)
	if err != nil {
		return record.Result{}, err
	}
	if limits != nil {
		row.Start.Plan.Limits = limits
	}
	if constants != nil {
		merged := map[string]float64{}
		for k, v := range row.Start.Plan.Constants {
			merged[k] = v
		}
		for k, v := range constants {
			merged[k] = v
		}
		row.Start.Plan.Constants = merged
	}
	last := row.LastSeq
	if row.State == "open" {
		last = m.o.Journal.State().DurableThrough
	}
	return m.replay(ctx, row, last)
}

// replay computes a run's result from its journal entries.
func (m *Manager) replay(ctx context.Context, row journal.RunRow, last uint64) (record.Result, error) {
	r := m.o.Journal.NewReader(row.FirstSeq)
	defer r.Close()
	var rec *analysis.Recording
	var f *feed
	for r.Seq() <= last {
		e, err := r.Next(ctx)
		var gap *journal.GapError
		if errors.As(err, &gap) {
			if rec != nil {
				rec.Gap(record.GapResult{FromS: f.lastS, ToS: f.lastS, Cause: gap.Gap.Cause, Text: gap.Gap.Text})
			}
			continue
		}
		if err != nil {
			return record.Result{}, fmt.Errorf("replay run %s: %w", row.Start.Run, err)
		}
		if f == nil {
			l, ok := e.Body.(*record.Layout)
			if !ok {
				return record.Result{}, fmt.Errorf("replay run %s: entry %d should be its layout: the beginning of the run is gone", row.Start.Run, e.Seq)
			}
			if f, err = newFeed(row.Start, cloneLayout(l)); err != nil {
				return record.Result{}, err
			}
			if rec, err = analysis.NewRecording(f.input(m.o.Rig, row.StartedAt)); err != nil {
				return record.Result{}, fmt.Errorf("%w: %w", ErrPlan, err)
			}
			f.line.At(row.StartedAt)
			continue
		}
		atS, err := f.entry(e, rec)
		if err != nil {
			return record.Result{}, err
		}
		if ev, ok := e.Body.(*record.RunEvent); ok && ev.Run == row.Start.Run && ev.Event == "stop_requested" {
			rec.Stop(atS, ev.Text)
		}
	}
	if rec == nil {
		return record.Result{}, fmt.Errorf("replay run %s: nothing of it is stored", row.Start.Run)
	}
	res := rec.Evaluate()
	res.FirstSeq, res.LastSeq = row.FirstSeq, last
	return res, nil
}

// finishWait bounds the wait for the last samples of a run to become durable.
const finishWait = 30 * time.Second
