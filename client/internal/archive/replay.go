package archive

import (
	"fmt"
	"strconv"
	"time"

	"soakrig/client/internal/recording"
	"soakrig/daemon/analysis"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// Input is what analysis needs to know of an archived run.
func (r *Run) Input() (analysis.Input, error) {
	in := analysis.Input{Rig: r.Record.Rig, Start: r.Record.Start, Settings: r.Record.Settings}
	if r.Record.StartedWallNS != 0 {
		in.Started = time.Unix(0, r.Record.StartedWallNS).UTC()
	}
	if len(r.Layouts) == 0 {
		return in, fmt.Errorf("run %s has no layout", r.Record.Start.Run)
	}
	newest := &r.Layouts[len(r.Layouts)-1]
	conv, err := convert.New(newest)
	if err != nil {
		return in, fmt.Errorf("run %s: %w", r.Record.Start.Run, err)
	}
	in.Channels = recording.Channels(newest, conv)
	return in, nil
}

// Judge is what a replay feeds: analysis.Recording.
type Judge interface {
	Observe(analysis.Observation)
	Mark(atS float64, text, author string)
	Gap(record.GapResult)
	Stop(atS float64, reason string)
	Restart(atS float64, outageS float64, durationKnown bool)
}

// Replay feeds a run's readings and events to a judge in order of sequence.
func Replay(r *Run, readings Readings, to Judge) error {
	at := map[string]int{}
	if n := len(r.Layouts); n > 0 {
		for i, c := range r.Layouts[n-1].Channels {
			at[c.Name] = i
		}
	}
	events, lastS, stopped := r.Events, 0.0, false
	for x, err := range readings {
		if err != nil {
			return err
		}
		for len(events) > 0 && before(&events[0], x) {
			feed(&events[0], to)
			events = events[1:]
		}
		lastS = max(lastS, x.AtS)
		if i, ok := at[r.Of(x).Name]; ok {
			to.Observe(analysis.Observation{AtS: x.AtS, Channel: i, Value: x.Value, Faults: x.Faults})
		}
	}
	for i := range events {
		feed(&events[i], to)
	}
	for i := range r.Events {
		stopped = stopped || r.Events[i].Kind == "stop"
	}
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
	in, err := r.Input()
	if err != nil {
		return record.Result{}, err
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
	if err := Replay(r, readings, judge); err != nil {
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
		err := rec.Each(func(r *recording.Reading) {
			if !more {
				return
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

// number is a value in its shortest form that reads back the same.
func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
