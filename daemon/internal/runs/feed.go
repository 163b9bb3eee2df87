package runs

import (
	"fmt"
	"strings"

	"soakrig/daemon/analysis"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// sink is what a run's observations go into: a Tracker live, a Recording on replay.
type sink interface {
	Observe(analysis.Observation)
	Mark(atS float64, text, author string)
	Gap(record.GapResult)
	Stop(atS float64, reason string)
	Restart(atS, outageS float64, durationKnown bool)
	ClockStep(atS, stepS float64, synced bool)
}

// feed turns the journal entries of one run into observations. Live and replay use
// it alike. It serves one goroutine.
type feed struct {
	start    record.RunStart
	channels []record.Channel // of the layout the run began with
	line     record.Timeline
	tables   map[uint32]*table
	cold     []float64 // newest cold junction of each channel of the run, degC
	table0   *convert.Table
	lastS    float64
}

// table is a compiled layout and where its channels stand in the run.
type table struct {
	layout *record.Layout
	conv   *convert.Table
	index  []int // channel of the layout -> channel of the run; -1: not part of it
	values []convert.Value
}

func compile(l *record.Layout, run []record.Channel) (*table, error) {
	conv, err := convert.New(l)
	if err != nil {
		return nil, fmt.Errorf("layout %d: %w", l.ID, err)
	}
	t := &table{layout: l, conv: conv, index: make([]int, len(l.Channels))}
	widest := 0
	for _, s := range l.Sources {
		widest = max(widest, len(s.Channels))
	}
	t.values = make([]convert.Value, widest)
	for i, ch := range l.Channels {
		t.index[i] = -1
		for j, rc := range run {
			if rc.Name == ch.Name && rc.Kind == ch.Kind {
				t.index[i] = j
			}
		}
	}
	return t, nil
}

// newFeed prepares a run that begins under layout l.
func newFeed(start record.RunStart, l *record.Layout) (*feed, error) {
	f := &feed{start: start, channels: l.Channels, tables: map[uint32]*table{}, cold: make([]float64, len(l.Channels))}
	t, err := compile(l, f.channels)
	if err != nil {
		return nil, err
	}
	f.tables[l.ID] = t
	f.table0 = t.conv
	for i := range f.cold {
		f.cold[i] = 25 // until the first sample; only the budget of a thermocouple uses it
	}
	return f, nil
}

// input is what analysis needs to know about the run.
func (f *feed) input(rig string, started record.Stamp) analysis.Input {
	in := analysis.Input{Rig: rig, Start: f.start, Started: started.Wall(), Settings: f.settings()}
	for i, ch := range f.channels {
		in.Channels = append(in.Channels, analysis.Channel{
			Name: ch.Name, Place: ch.Place, Unit: ch.Unit, Kind: ch.Kind, Role: ch.Role, Modulus: ch.Converter.Modulus,
			CountedHere: ch.Converter.CountedHere,
			Budget:      func(value float64) []record.BudgetLine { return f.table0.Budget(i, value, f.cold[i]) },
		})
	}
	return in
}

// settings are the details of the rig that a comparison looks at.
func (f *feed) settings() map[string]string {
	set := map[string]string{}
	for _, t := range f.tables {
		for _, s := range t.layout.Sources {
			for _, i := range s.Channels {
				ch := t.layout.Channels[i]
				if len(ch.Converter.Masks) > 0 {
					set["masked "+ch.Name] = strings.Join(ch.Converter.Masks, " ")
				}
				if ch.Role == record.RoleProbe {
					set["converter"] = ch.Converter.Model
					set["probe_period"] = fmt.Sprintf("%g s", float64(s.EveryNS)/1e9)
				}
			}
		}
	}
	return set
}

// entry passes one journal entry on. It returns the run time of the entry.
func (f *feed) entry(e record.Entry, to sink) (atS float64, err error) {
	atS, outage := f.line.At(e.At)
	f.lastS = atS
	if outage != nil {
		to.Restart(outage.FromS, outage.ToS-outage.FromS, outage.Known)
	}
	switch b := e.Body.(type) {
	case *record.Layout:
		if f.tables[b.ID] == nil {
			t, err := compile(b, f.channels)
			if err != nil {
				return atS, err
			}
			f.tables[b.ID] = t
		}
	case *record.Sample:
		return atS, f.sample(atS, b, to)
	case *record.Mark:
		to.Mark(atS, b.Text, b.Author)
	case *record.ClockStep:
		to.ClockStep(atS, float64(b.StepNS)/1e9, b.Synced)
	case *record.Gap:
		to.Gap(record.GapResult{FromS: atS, ToS: atS, Cause: b.Cause, Text: b.Text})
	}
	return atS, nil
}

func (f *feed) sample(atS float64, s *record.Sample, to sink) error {
	t := f.tables[s.Layout]
	if t == nil || int(s.Source) >= len(t.layout.Sources) {
		return nil // of a layout that ended before the run began
	}
	values := t.values[:len(s.Raw)]
	if err := t.conv.Convert(s, values); err != nil {
		return fmt.Errorf("convert sample of %s: %w", t.layout.Sources[s.Source].Name, err)
	}
	for i, v := range values {
		ch := t.index[t.layout.Sources[s.Source].Channels[i]]
		if ch < 0 {
			continue
		}
		if v.Has&convert.HasCold != 0 {
			f.cold[ch] = v.ColdC
		}
		age := float64(s.Raw[i].AgeUS) / 1e6
		to.Observe(analysis.Observation{AtS: max(atS-age, 0), Channel: ch, Value: v.Value, Faults: v.Faults})
	}
	return nil
}
