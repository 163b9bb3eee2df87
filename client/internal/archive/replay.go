package archive

import (
	"fmt"
	"slices"
	"time"

	"soakrig/client/internal/recording"
	"soakrig/daemon/analysis"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// Input is what analysis needs to know of an archived run: the channels of the
// layout that the run began with, with their uncertainty budgets. cold tells the
// newest cold junction of a channel; nil: 25 degC.
func (r *Run) Input(cold func(channel int) float64) (analysis.Input, error) {
	in := analysis.Input{Rig: r.Record.Rig, Start: r.Record.Start, Settings: r.Record.Settings}
	if r.Record.StartedWallNS != 0 {
		in.Started = time.Unix(0, r.Record.StartedWallNS).UTC()
	}
	if len(r.Layouts) == 0 {
		return in, fmt.Errorf("run %s has no layout", r.Record.Start.Run)
	}
	conv, err := convert.New(&r.Layouts[0])
	if err != nil {
		return in, fmt.Errorf("run %s: %w", r.Record.Start.Run, err)
	}
	if r.Record.JournalID == "" {
		in.Channels = recording.Channels(&r.Layouts[0], conv)
		return in, nil
	}
	if cold == nil {
		cold = func(int) float64 { return usualColdC }
	}
	for i, ch := range r.Layouts[0].Channels {
		in.Channels = append(in.Channels, analysis.Channel{Name: ch.Name, Place: ch.Place, Unit: ch.Unit, Kind: ch.Kind, Role: ch.Role, Modulus: ch.Converter.Modulus, CountedHere: ch.Converter.CountedHere,
			Budget: func(value float64) []record.BudgetLine { return conv.Budget(i, value, cold(i)) }})
	}
	return in, nil
}

// usualColdC stands for a cold junction that was never measured; only budgets use it.
const usualColdC = 25

// Judge is what a replay feeds: analysis.Recording.
type Judge interface {
	Observe(analysis.Observation)
	Mark(atS float64, text, author string)
	Gap(record.GapResult)
	Stop(atS float64, reason string)
	Restart(atS float64, outageS float64, durationKnown bool)
}

// Replay feeds a run's readings and events to a judge in order of sequence. cold, if
// not nil, receives the newest cold junctions.
func Replay(r *Run, readings Readings, to Judge, cold []float64) error {
	at := map[string]int{}
	fed, lastS, stopped := 0, 0.0, false
	upTo := func(x *Reading) {
		for ; fed < len(r.Events) && (x == nil || before(&r.Events[fed], x)); fed++ {
			feed(&r.Events[fed], to)
			stopped = stopped || r.Events[fed].Kind == "stop"
		}
	}
	for x, err := range readings {
		if err != nil {
			return err
		}
		if len(at) == 0 {
			for i, c := range r.Layouts[0].Channels {
				at[c.Name] = i
			}
		}
		upTo(x)
		lastS = max(lastS, x.AtS)
		i, ok := at[r.Of(x).Name]
		if !ok {
			continue
		}
		if cold != nil && x.ColdC != nil {
			cold[i] = *x.ColdC
		}
		to.Observe(analysis.Observation{AtS: x.AtS, Channel: i, Value: x.Value, Faults: x.Faults})
	}
	upTo(nil)
	if r.Record.JournalID == "" && !stopped { // a recording is over where its rows end
		to.Stop(lastS, "end of the recording")
	}
	return nil
}

// before orders an event and a reading: by sequence where the journal gave one, by
// time in foreign recordings.
func before(e *Event, x *Reading) bool {
	if e.Seq != 0 && x.Seq != 0 {
		return e.Seq < x.Seq
	}
	return e.AtS <= x.AtS
}

func feed(e *Event, to Judge) {
	switch e.Kind {
	case "mark":
		to.Mark(e.AtS, e.Text, e.Author)
	case "gap":
		to.Gap(record.GapResult{FromS: e.FromS, ToS: e.AtS, DurationS: e.AtS - e.FromS, Cause: e.Cause, Text: e.Text})
	case "stop":
		to.Stop(e.AtS, e.Text)
	case "restart":
		to.Restart(e.AtS, e.LengthS, e.Known)
	}
}

// Evaluate judges a run again. limits replace the plan's unless nil; constants are
// overrides on top of the plan's.
func Evaluate(r *Run, readings Readings, limits []record.Limit, constants map[string]float64) (record.Result, error) {
	var cold []float64
	in, err := r.Input(func(i int) float64 { return cold[i] })
	if err != nil {
		return record.Result{}, err
	}
	for range in.Channels {
		cold = append(cold, usualColdC)
	}
	if limits != nil {
		in.Start.Plan.Limits = limits
	}
	if len(constants) > 0 {
		merged := map[string]float64{}
		for k, v := range in.Start.Plan.Constants {
			merged[k] = v
		}
		for k, v := range constants {
			merged[k] = v
		}
		in.Start.Plan.Constants = merged
	}
	judge, err := analysis.NewRecording(in)
	if err != nil {
		return record.Result{}, err
	}
	if err := Replay(r, readings, judge, cold); err != nil {
		return record.Result{}, err
	}
	res := judge.Evaluate()
	res.FirstSeq, res.LastSeq = r.Record.FirstSeq, r.Record.LastSeq
	return res, nil
}

// FromRecording is a foreign recording as a run: its readings can be read once.
func FromRecording(rec *recording.Recording) (*Run, Readings) {
	in := rec.Input()
	m := rec.Map()
	run := &Run{Record: Record{Start: in.Start, Rig: in.Rig, State: "ended", Settings: in.Settings}, Layouts: []record.Layout{m.Layout}}
	if !in.Started.IsZero() {
		run.Record.StartedWallNS = in.Started.UnixNano()
	}
	for _, mark := range rec.Marks() {
		run.Events = append(run.Events, Event{AtS: mark.AtS, Kind: "mark", Text: mark.Text, Author: mark.Author})
	}
	return run, func(yield func(*Reading, error) bool) {
		var x Reading
		seq, more := uint64(0), true
		var rows rowGaps
		err := rec.Each(func(r *recording.Reading) {
			if !more {
				return
			}
			if from, ok := rows.after(r.AtS); ok {
				run.addEvent(Event{AtS: r.AtS, FromS: from, Kind: "gap", Cause: "source", Text: "the recording has no rows"})
			}
			seq++
			x = Reading{Seq: seq, AtS: r.AtS, Channel: r.Channel, Faults: r.Value.Faults, Value: r.Value.Value, Expanded: r.Value.Expanded, Raw: r.Raw}
			if run.Record.StartedWallNS != 0 {
				x.WallNS = run.Record.StartedWallNS + int64(r.AtS*1e9)
			}
			evidence(&x, &r.Value)
			more = yield(&x, nil)
		})
		if err != nil && more {
			yield(nil, err)
		}
		run.Record.EndedWallNS = x.WallNS
	}
}

func evidence(x *Reading, v *convert.Value) {
	set := func(bit convert.Evidence, value float64) *float64 {
		if v.Has&bit == 0 {
			return nil
		}
		return &value
	}
	x.EMFVolts, x.ColdC = set(convert.HasEMF, v.EMFVolts), set(convert.HasCold, v.ColdC)
	x.ChipC, x.Uncorrected = set(convert.HasChip, v.ChipC), set(convert.HasUncorrected, v.Uncorrected)
}

// rowGaps finds holes between the rows of a recording.
type rowGaps struct {
	last, period float64
	seen         bool
}

// A hole is longer than three usual distances of rows, and than leastGapS.
const leastGapS = 5

// after takes the time of a row; ok: rows are missing between from and it.
func (g *rowGaps) after(atS float64) (from float64, ok bool) {
	from, d := g.last, atS-g.last
	if !g.seen || d == 0 {
		g.last, g.seen = atS, true
		return 0, false
	}
	g.last = atS
	if g.period > 0 && d > 3*g.period && d > leastGapS {
		return from, true
	}
	if g.period == 0 {
		g.period = d
	}
	g.period += (d - g.period) / 8
	return 0, false
}

// addEvent puts an event in its place by time.
func (r *Run) addEvent(e Event) {
	i := len(r.Events)
	for i > 0 && r.Events[i-1].AtS > e.AtS {
		i--
	}
	r.Events = slices.Insert(r.Events, i, e)
}
