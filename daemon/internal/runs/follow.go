package runs

import (
	"context"
	"errors"
	"fmt"

	"soakrig/daemon/analysis"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// Run tails the journal until ctx ends. A run that was open before a restart is
// resumed first: its entries are followed again from its beginning.
func (m *Manager) Run(ctx context.Context) error {
	from := m.o.Journal.State().Head + 1
	resumed, err := m.resume()
	if err != nil {
		return err
	}
	if resumed != nil {
		from = resumed.row.FirstSeq
	}
	r := m.o.Journal.NewReader(from)
	defer r.Close()
	close(m.following)
	for {
		e, err := r.Next(ctx)
		var gap *journal.GapError
		switch {
		case errors.As(err, &gap):
			m.mu.Lock()
			if m.open != nil && m.open.tracker != nil {
				m.open.tracker.Gap(record.GapResult{FromS: m.open.feed.lastS, ToS: m.open.feed.lastS, Cause: gap.Gap.Cause, Text: gap.Gap.Text})
			}
			m.mu.Unlock()
			continue
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("follow the journal: %w", err)
		}
		if err := m.follow(ctx, e); err != nil {
			return err
		}
		m.followed.Store(e.Seq)
		select {
		case m.moved <- struct{}{}:
		default:
		}
	}
}

// resume finds the run that was open before a restart.
func (m *Manager) resume() (*open, error) {
	rows, err := m.o.Journal.Runs(journal.RunFilter{Limit: 1})
	if err != nil {
		return nil, fmt.Errorf("look for an open run: %w", err)
	}
	if len(rows) == 0 || rows[0].State != "open" {
		return nil, nil
	}
	o := &open{row: rows[0], phase: record.PhaseWaiting, replay: m.o.Journal.State().Head, known: map[string]struct{}{}}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.open = o
	now := m.o.Clock.Now()
	if _, err := m.o.Journal.Append(now, &record.RunEvent{Run: o.row.Start.Run, Event: "resumed", Text: "soakd started again"}); err != nil {
		return nil, fmt.Errorf("store resumption of run %s: %w", o.row.Start.Run, err)
	}
	m.o.Log.Info("run resumed", "run", o.row.Start.Run, "unit", o.row.Start.Unit)
	return o, nil
}

// follow passes one entry to the open run and to the newest values.
func (m *Manager) follow(ctx context.Context, e record.Entry) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.latest.entry(e, m.o.Layout); err != nil {
		m.o.Log.Warn("entry can't be converted", "sequence", e.Seq, "error", err)
	}
	o := m.open
	if o == nil {
		return m.repeat()
	}
	if e.Seq < o.row.FirstSeq {
		return nil
	}
	if o.feed == nil { // resumed: the first entry of a run is its layout
		l, ok := e.Body.(*record.Layout)
		if !ok {
			return m.abandon(fmt.Sprintf("the beginning of run %s is gone from the journal", o.row.Start.Run))
		}
		f, err := newFeed(o.row.Start, cloneLayout(l))
		if err != nil {
			return m.abandon(err.Error())
		}
		if o.tracker, err = analysis.NewTracker(f.input(m.o.Rig, o.row.StartedAt)); err != nil {
			return m.abandon(err.Error())
		}
		f.line.At(o.row.StartedAt)
		o.feed = f
		return nil
	}
	if e.Seq == o.row.FirstSeq {
		return nil // the layout that begin has compiled
	}
	atS, err := o.feed.entry(e, o.tracker)
	if err != nil {
		m.o.Log.Warn("entry of the run can't be used", "run", o.row.Start.Run, "sequence", e.Seq, "error", err)
	}
	if ev, ok := e.Body.(*record.RunEvent); ok && ev.Event == "interlock" {
		o.row.Start.Repeats = 0 // somebody must look first
	}
	if ev, ok := e.Body.(*record.RunEvent); ok && ev.Run == o.row.Start.Run {
		if ev.Event == "stop_requested" {
			o.tracker.Stop(atS, ev.Text)
			o.stopped = ev.Text
		}
		if o.known != nil && e.Seq <= o.replay {
			o.known[eventKey(*ev)] = struct{}{}
		}
	}
	return m.advance(ctx, o, e.Seq)
}

func eventKey(ev record.RunEvent) string {
	return fmt.Sprintf("%s|%s|%.3f|%s", ev.Event, ev.Phase, ev.AtS, ev.Text)
}

// advance stores what the tracker has noticed and ends the run when its plan is done.
// What it notices while the entries of before a restart are followed again is mostly
// recorded already: only what is missing there is stored.
func (m *Manager) advance(ctx context.Context, o *open, seq uint64) error {
	noticed := o.tracker.Events()
	if seq <= o.replay {
		o.noticed = append(o.noticed, noticed...)
		return nil
	}
	if o.noticed != nil {
		noticed = append(o.noticed, noticed...)
		o.noticed = nil
	}
	for _, ev := range noticed {
		ev.Run = o.row.Start.Run
		if _, ok := o.known[eventKey(ev)]; ok {
			continue
		}
		if _, err := m.o.Journal.Append(m.o.Clock.Now(), &ev); err != nil {
			return fmt.Errorf("store event of run %s: %w", ev.Run, err)
		}
		m.act(ctx, o, ev)
	}
	phase, _ := o.tracker.Phase()
	if phase != o.phase {
		o.phase = phase
		m.change()
	}
	if phase == record.PhaseEnded || o.stopped != "" {
		return m.finish(ctx, o, seq)
	}
	return nil
}

// act does what an event asks for.
func (m *Manager) act(ctx context.Context, o *open, ev record.RunEvent) {
	switch ev.Event {
	case "stop_requested":
		if m.o.StopRequest != nil && !o.asked {
			o.asked = true
			m.o.StopRequest(ev.Run, ev.Text)
		}
	case "phase":
		for _, p := range o.row.Start.Plan.Phases {
			if p.Phase == ev.Phase && len(p.Command.Args) > 0 {
				go m.command(ctx, ev.Run, p)
			}
		}
	}
}

// finish judges the run from what is durable and stores the result.
func (m *Manager) finish(ctx context.Context, o *open, seq uint64) error {
	id := o.row.Start.Run
	text := "the plan is complete"
	if o.stopped != "" {
		text = o.stopped
	}
	now := m.o.Clock.Now()
	if _, err := m.o.Journal.Append(now, &record.RunEvent{Run: id, Event: "ended", Phase: record.PhaseEnded, AtS: o.feed.lastS, Text: text}); err != nil {
		return fmt.Errorf("store end of run %s: %w", id, err)
	}
	// Judging takes a while and touches nothing that mu guards: this goroutine alone
	// moves the run on, and nobody can start another while it is open.
	m.mu.Unlock()
	res, seq, err := m.judge(ctx, o.row, seq)
	m.mu.Lock()
	if ctx.Err() != nil {
		return nil // stopping: the run ends after the restart
	}
	if err != nil {
		return m.abandon(err.Error())
	}
	res.Final = true
	o.row.State, o.row.EndedAt, o.row.LastSeq, o.row.Result = "ended", now, seq, &res
	if _, err := m.o.Journal.Append(now, &record.RunResult{Run: id, Result: res}); err != nil {
		return fmt.Errorf("store result of run %s: %w", id, err)
	}
	return m.store(o)
}

// judge computes the result of a run from its durable entries up to seq, and says up
// to which.
func (m *Manager) judge(ctx context.Context, row journal.RunRow, seq uint64) (record.Result, uint64, error) {
	wait, cancel := context.WithTimeout(ctx, finishWait)
	defer cancel()
	m.o.Journal.Commit()
	if err := m.o.Journal.WaitDurable(wait, seq); err != nil && ctx.Err() == nil {
		m.o.Log.Warn("the result counts durable samples only, and the last ones are not", "run", row.Start.Run, "error", err)
		seq = m.o.Journal.State().DurableThrough
	}
	res, err := m.replay(ctx, row, seq)
	return res, seq, err
}

// store writes the row of a run that has ended and lets it go.
func (m *Manager) store(o *open) error {
	id := o.row.Start.Run
	if err := m.o.Journal.PutRun(o.row); err != nil {
		return fmt.Errorf("store run %s: %w", id, err)
	}
	if err := m.o.Journal.Pin("run "+id, o.row.FirstSeq, o.row.LastSeq); err != nil {
		m.o.Log.Warn("the samples of the run can't be kept beyond the journal's time", "run", id, "error", err)
	}
	m.open = nil
	if s := o.row.Start; o.stopped == "" && s.Repeat < s.Repeats {
		next := s
		next.Repeat++
		m.pending = &next
	}
	m.change()
	if o.row.Result != nil {
		m.o.Log.Info("run ended", "run", id, "unit", o.row.Start.Unit, "verdict", o.row.Result.Verdict)
	}
	return nil
}

// abandon ends a run that can't be followed: void, with the reason.
func (m *Manager) abandon(reason string) error {
	o := m.open
	m.o.Log.Error("run can't be followed", "run", o.row.Start.Run, "reason", reason)
	res := record.Result{
		Algorithm: analysis.Version, Rig: m.o.Rig, Run: o.row.Start.Run, Unit: o.row.Start.Unit, Setup: o.row.Start.Setup.Name,
		Verdict: record.VerdictVoid, Final: true, Reasons: []record.Reason{{Code: "not_replayable", Text: reason}},
	}
	o.row.State, o.row.EndedAt, o.row.Result = "ended", m.o.Clock.Now(), &res
	o.stopped = reason
	return m.store(o)
}

// repeat starts the next repeat once every probe is within 3 K of the room.
func (m *Manager) repeat() error {
	if m.pending == nil || !m.latest.cooled(coolWithinK) {
		return nil
	}
	next := *m.pending
	m.pending = nil
	_, _, err := m.begin(next)
	return err
}

// coolWithinK is how near the room every probe must be before a repeat.
const coolWithinK = 3.0

func cloneLayout(l *record.Layout) *record.Layout {
	c := *l
	c.Sources = append([]record.Source(nil), l.Sources...)
	c.Channels = append([]record.Channel(nil), l.Channels...)
	return &c
}
