package client

import (
	"encoding/json"
	"fmt"

	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// decoder turns batches into events, in the order of sequence.
type decoder struct {
	journal string
	layouts map[uint32]*record.Layout
	boot    record.BootID

	event   Event // reused from event to event
	sample  Sample
	summary Summary
}

func newDecoder() *decoder { return &decoder{layouts: map[uint32]*record.Layout{}} }

func (d *decoder) layout(m *pb.Layout) error {
	l := &record.Layout{}
	if err := recordpb.FromProto(m, l); err != nil {
		return err
	}
	d.layouts[l.ID] = l
	return nil
}

// batch calls fn with every event of the batch from the sequence next on.
func (d *decoder) batch(b *pb.Batch, next uint64, fn func(*Event) error) error {
	for _, l := range b.GetLayouts() {
		if err := d.layout(l); err != nil {
			return err
		}
	}
	for _, s := range b.GetSummaries() {
		e, err := d.summaryEvent(s)
		if err != nil {
			return err
		}
		if err := fn(e); err != nil {
			return err
		}
	}
	samples, events := b.GetSamples(), b.GetEvents()
	for len(samples) > 0 || len(events) > 0 {
		var e *Event
		var err error
		if len(events) == 0 || len(samples) > 0 && samples[0].Sequence < events[0].Sequence {
			e, err = d.sampleEvent(samples[0])
			samples = samples[1:]
		} else {
			e = d.note(events[0])
			events = events[1:]
		}
		if err != nil {
			return err
		}
		if e.Seq < next {
			continue
		}
		if err := fn(e); err != nil {
			return err
		}
		next = e.Seq + 1
	}
	return nil
}

// broken is an answer that contradicts the contract.
func broken(format string, args ...any) error {
	return fmt.Errorf("the rig contradicts its own contract: "+format, args...)
}

func (d *decoder) sampleEvent(m *pb.Sample) (*Event, error) {
	if len(m.BootId) == len(d.boot) {
		d.boot = record.BootID(m.BootId)
	}
	l := d.layouts[m.Layout]
	if l == nil || int(m.Source) >= len(l.Sources) {
		return nil, broken("sample %d refers to source %d of layout %d, which was not told", m.Sequence, m.Source, m.Layout)
	}
	s := &d.sample
	s.Layout, s.Source = l, int(m.Source)
	if cap(s.Readings) < len(m.Readings) {
		s.Readings = make([]Reading, len(m.Readings))
	}
	s.Readings = s.Readings[:len(m.Readings)]
	for i, r := range m.Readings {
		if int(r.Channel) >= len(l.Channels) {
			return nil, broken("sample %d refers to channel %d of %d", m.Sequence, r.Channel, len(l.Channels))
		}
		reading(r, &s.Readings[i])
	}
	d.event = Event{
		Kind: KindSample, Seq: m.Sequence, Journal: d.journal, Sample: s,
		At: record.Stamp{Boot: d.boot, BootNS: m.BootNs, WallNS: m.WallNs, Synced: m.ClockSynced},
	}
	return &d.event, nil
}

func reading(m *pb.Reading, r *Reading) {
	*r = Reading{Channel: int(m.Channel)}
	raw := &r.Raw
	r.Faults = recordpb.Faults(m.Faults)
	if m.Value == nil && r.Faults == 0 { // neither is nothing to rely on
		r.Faults = record.DeviceError
	}
	if r.Faults == 0 {
		r.Value, r.Expanded = m.GetValue(), m.GetExpanded()
	}
	raw.Faults, raw.AgeUS = r.Faults, m.AgeUs
	code := func(p *int64, has record.Fields, to *int64) {
		if p != nil {
			*to = *p
			raw.Has |= has
		}
	}
	code(m.Code, record.HasCode, &raw.Code)
	code(m.ColdCode, record.HasCold, &raw.Cold)
	code(m.ChipCode, record.HasChip, &raw.Chip)
	evidence := func(p *float64, has convert.Evidence, to *float64) {
		if p != nil {
			*to = *p
			r.Has |= has
		}
	}
	evidence(m.EmfVolts, convert.HasEMF, &r.EMFVolts)
	evidence(m.ColdC, convert.HasCold, &r.ColdC)
	evidence(m.ChipC, convert.HasChip, &r.ChipC)
	evidence(m.Uncorrected, convert.HasUncorrected, &r.Uncorrected)
}

func (d *decoder) note(m *pb.Event) *Event {
	d.event = Event{
		Kind: KindNote, Seq: m.Sequence, Journal: d.journal, Text: m.Text, Body: body(m),
		At: record.Stamp{Boot: bootOf(m.BootId), BootNS: m.BootNs, WallNS: m.WallNs, Synced: m.ClockSynced},
	}
	if len(m.BootId) == 0 { // a rig that does not say: most likely that of the sample before
		d.event.At.Boot = d.boot
	}
	return &d.event
}

// bootOf is zero where the rig did not tell the boot.
func bootOf(id []byte) (b record.BootID) {
	if len(id) == len(b) {
		b = record.BootID(id)
	}
	return b
}

// body is nil for a kind that this build does not know or can't read: the text still
// says what it was.
func body(m *pb.Event) record.Body {
	var b record.Body
	switch m.Kind {
	case "mark":
		b = &record.Mark{}
	case "source":
		b = &record.SourceEvent{}
	case "clock_step":
		b = &record.ClockStep{}
	case "gap":
		b = &record.Gap{}
	case "run":
		b = &record.RunEvent{}
	case "result":
		b = &record.RunResult{}
	case "calibration":
		b = &record.Calibration{}
	default:
		return nil
	}
	if json.Unmarshal([]byte(m.Json), b) != nil {
		return nil
	}
	return b
}

func (d *decoder) summaryEvent(m *pb.Summary) (*Event, error) {
	l := d.layouts[m.Layout]
	if l == nil || int(m.Channel) >= len(l.Channels) {
		return nil, broken("a summary refers to channel %d of layout %d, which was not told", m.Channel, m.Layout)
	}
	d.summary = Summary{
		Layout: l, Channel: int(m.Channel), Boot: bootOf(m.BootId), FromBootNS: m.FromBootNs, ToBootNS: m.ToBootNs,
		Min: m.GetMin(), Max: m.GetMax(), Good: m.Good, Faulted: m.Faulted,
		Last: m.GetLast(), HasLast: m.Last != nil,
	}
	d.event = Event{Kind: KindSummary, Journal: d.journal, Summary: &d.summary}
	return &d.event, nil
}

func (d *decoder) gap(m *pb.Gap, next uint64) (*Event, error) {
	g := &record.Gap{}
	if err := recordpb.FromProto(m, g); err != nil {
		return nil, err
	}
	g.From = max(g.From, next)
	d.event = Event{Kind: KindGap, Seq: g.From, Journal: d.journal, Gap: g,
		Text: fmt.Sprintf("sequences %d to %d are missing (%s) %s", g.From, g.To, g.Cause, g.Text)}
	return &d.event, nil
}
