package cli

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"soakrig/client"
	"soakrig/client/internal/archive"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// reader is a rig whose journal can be read.
type reader interface {
	Read(ctx context.Context, r client.Range, fn func(*client.Event) error) (client.ReadEnd, error)
}

var _ reader = (*client.Client)(nil)

// fetch reads a run's entries from a rig and turns them into readings and events.
type fetch struct {
	rig  *namedRig
	run  *archive.Run
	line record.Timeline
	at   map[uint32]int // layout id -> index into run.Layouts

	kept   client.Pages  // what came before; nil: nothing is kept
	outage time.Duration // how long the rig may be away

	lastS  float64 // run time of the newest entry
	zeroed bool    // line has the run's start
}

var errEnough = errors.New("the caller has enough")

// readings reads the run from its first to its last entry. run.Layouts and
// run.Events are filled in on the way: they are whole when the readings are.
func (f *fetch) readings(ctx context.Context) archive.Readings {
	return func(yield func(*archive.Reading, error) bool) {
		rec := &f.run.Record
		from, ok := f.rig.Rig.(reader)
		if !ok || rec.FirstSeq == 0 {
			yield(nil, fmt.Errorf("run %s on %s has no entries to read", rec.Start.Run, f.rig.name))
			return
		}
		f.run.Layouts, f.run.Events, f.at, f.line = nil, nil, map[uint32]int{}, record.Timeline{}
		f.zeroed = false
		_, err := from.Read(ctx, client.Range{Journal: rec.JournalID, From: rec.FirstSeq, To: rec.LastSeq, Kept: f.kept, Outage: f.outage}, func(e *client.Event) error {
			return f.event(e, yield)
		})
		if err != nil && !errors.Is(err, errEnough) {
			yield(nil, fmt.Errorf("run %s: %w", rec.Start.Run, err))
		}
	}
}

func (f *fetch) event(e *client.Event, yield func(*archive.Reading, error) bool) error {
	if e.Kind == client.KindGap {
		f.run.Events = append(f.run.Events, archive.Event{Seq: e.Gap.From, AtS: f.lastS, FromS: f.lastS, Kind: "gap", Cause: e.Gap.Cause, Text: e.Gap.Text})
		return nil
	}
	if e.Kind == client.KindSample {
		return f.sample(e, f.runTime(e), yield)
	}
	f.note(e)
	return nil
}

// runTime is the run time of an entry. A reboot before it becomes an event.
func (f *fetch) runTime(e *client.Event) float64 {
	f.begin(e.At)
	atS, outage := f.line.At(e.At)
	f.lastS = atS
	if outage != nil {
		f.run.Events = append(f.run.Events, archive.Event{Seq: e.Seq, AtS: outage.FromS, WallNS: e.At.WallNS, Kind: "restart",
			LengthS: outage.ToS - outage.FromS, Known: outage.Known})
	}
	return atS
}

// begin puts run time zero at the run's start, before the first entry at: a sample may
// have been stored between the start and the entry that tells of it.
func (f *fetch) begin(at record.Stamp) {
	started := f.run.Record.StartedWallNS
	if f.zeroed || started == 0 {
		return
	}
	f.zeroed = true
	at.BootNS -= at.WallNS - started
	at.WallNS = started
	f.line.At(at)
}

// note takes an entry that is not a sample.
func (f *fetch) note(e *client.Event) {
	atS := f.runTime(e)
	if l, ok := e.Body.(*record.Layout); ok {
		f.layout(l)
	}
	if n := f.eventOf(e, atS); n.Kind != "" {
		n.Seq, n.WallNS = e.Seq, e.At.WallNS
		f.run.Events = append(f.run.Events, n)
	}
}

// eventOf turns a journal entry into an event; Kind is empty for what a run file
// does not keep.
func (f *fetch) eventOf(e *client.Event, atS float64) archive.Event {
	switch b := e.Body.(type) {
	case *record.Mark:
		return archive.Event{AtS: atS, Kind: "mark", Text: b.Text, Author: b.Author}
	case *record.Gap:
		return archive.Event{AtS: atS, FromS: atS, Kind: "gap", Cause: b.Cause, Text: b.Text}
	case *record.ClockStep:
		return archive.Event{AtS: atS, Kind: "clock_step", LengthS: float64(b.StepNS) / 1e9, Known: b.Synced}
	case *record.SourceEvent:
		return archive.Event{AtS: atS, Kind: "source", Source: b.Source, Text: b.State + ": " + b.Text}
	case *record.RunEvent:
		if b.Run == f.run.Record.Start.Run && b.Event == "stop_requested" {
			return archive.Event{AtS: atS, Kind: "stop", Text: b.Text}
		}
		return archive.Event{AtS: b.AtS, Kind: "run", Text: b.Event + " " + b.Text}
	}
	return archive.Event{}
}

func (f *fetch) layout(l *record.Layout) int {
	i, ok := f.at[l.ID]
	if !ok {
		i = len(f.run.Layouts)
		f.run.Layouts = append(f.run.Layouts, cloneLayout(l))
		f.at[l.ID] = i
	}
	return i
}

func cloneLayout(l *record.Layout) record.Layout {
	c := *l
	c.Sources, c.Channels = slices.Clone(l.Sources), slices.Clone(l.Channels)
	return c
}

func (f *fetch) sample(e *client.Event, atS float64, yield func(*archive.Reading, error) bool) error {
	layout := f.layout(e.Sample.Layout)
	for i := range e.Sample.Readings {
		r := &e.Sample.Readings[i]
		x := archive.Reading{Seq: e.Seq, AtS: max(atS-float64(r.Raw.AgeUS)/1e6, 0), WallNS: e.At.WallNS, Synced: e.At.Synced,
			Layout: layout, Channel: r.Channel, Faults: r.Faults, Value: r.Value, Expanded: r.Expanded, Raw: r.Raw}
		for _, v := range []struct {
			bit convert.Evidence
			v   float64
			to  **float64
		}{{convert.HasEMF, r.EMFVolts, &x.EMFVolts}, {convert.HasCold, r.ColdC, &x.ColdC}, {convert.HasChip, r.ChipC, &x.ChipC},
			{convert.HasUncorrected, r.Uncorrected, &x.Uncorrected}} {
			if r.Has&v.bit != 0 {
				*v.to = &v.v
			}
		}
		if !yield(&x, nil) {
			return errEnough
		}
	}
	return nil
}
