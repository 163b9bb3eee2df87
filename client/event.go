package client

import (
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// Kind is what an Event tells.
type Kind int

// The kinds of events.
const (
	KindSample  Kind = iota + 1 // Sample
	KindNote                    // an entry that is not a sample: Body and Text
	KindGap                     // Gap: sequences that can't be had
	KindSummary                 // Summary, of a decimated stream
)

// Event is one thing from a rig's journal. It and what it points to are valid until
// the function that it was given to returns; Layout is valid for ever.
type Event struct {
	Kind Kind
	Seq  uint64       // of the entry; of a gap: its first; of a summary: 0
	At   record.Stamp // when it happened, on which boot; zero with gaps and summaries
	// Journal that Seq belongs to.
	Journal string

	Sample  *Sample
	Body    record.Body // nil: an entry that this build does not know
	Text    string      // for people
	Gap     *record.Gap
	Summary *Summary
}

// Sample is what one source delivered at one instant.
type Sample struct {
	Layout   *record.Layout // says what the indices mean
	Source   int            // index into Layout.Sources
	Readings []Reading      // in the order of the source's channels; those asked for
}

// Reading is a channel's value, or the faults that stand in its place.
type Reading struct {
	Channel  int           // index into Layout.Channels
	Faults   record.Faults // zero: Value holds; else there is none
	Value    float64       // in the channel's unit, calibration applied
	Expanded float64       // expanded uncertainty, k = 2, same unit; zero: not stated

	// Evidence, as far as Has says that it is there.
	Has         convert.Evidence
	EMFVolts    float64 // at the converter's input
	ColdC       float64 // cold junction
	ChipC       float64 // the chip's own number
	Uncorrected float64 // Value before the calibration

	// Raw are the codes as the chip gave them, from which convert makes all this.
	Raw record.Raw
}

// SourceName names the source.
func (s *Sample) SourceName() string { return s.Layout.Sources[s.Source].Name }

// Channel is the channel of a reading.
func (s *Sample) Channel(r *Reading) *record.Channel { return &s.Layout.Channels[r.Channel] }

// Stored is the sample as the journal holds it, for conversion by other means. nil:
// some channels of the source were not asked for.
func (s *Sample) Stored() *record.Sample {
	if len(s.Readings) != len(s.Layout.Sources[s.Source].Channels) {
		return nil
	}
	out := &record.Sample{Layout: s.Layout.ID, Source: uint16(s.Source), Raw: make([]record.Raw, len(s.Readings))}
	for i := range s.Readings {
		out.Raw[i] = s.Readings[i].Raw
	}
	return out
}

// Summary is a channel over one interval: what decimation keeps.
type Summary struct {
	Layout               *record.Layout
	Channel              int // index into Layout.Channels
	Boot                 record.BootID
	FromBootNS, ToBootNS int64 // on the monotonic clock of Boot
	Min, Max             float64
	Good, Faulted        uint32  // readings; Good 0: Min and Max mean nothing
	Last                 float64 // the newest value
	HasLast              bool    // false: the newest reading was a fault
}
