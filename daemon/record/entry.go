package record

// Type is the number that a stored entry starts with. Numbers are never reused.
type Type uint8

// The types of entries.
const (
	TypeSample      Type = 1
	TypeLayout      Type = 2
	TypeSourceEvent Type = 3
	TypeClockStep   Type = 4
	TypeGap         Type = 5
	TypeRunEvent    Type = 6
	TypeResult      Type = 7
	TypeCalibration Type = 8
	TypeMark        Type = 9
	TypeUnknown     Type = 255 // never stored: what Decode gives for a type it does not know
)

// Entry is one journal entry.
type Entry struct {
	Seq  uint64 // 1, 2, 3, ...; the only order there is
	At   Stamp  // when it happened
	Body Body
}

// Body is the content of an entry: one of the types below.
type Body interface{ Type() Type }

// Type numbers of the bodies.
func (*Sample) Type() Type      { return TypeSample }
func (*Layout) Type() Type      { return TypeLayout }
func (*SourceEvent) Type() Type { return TypeSourceEvent }
func (*ClockStep) Type() Type   { return TypeClockStep }
func (*Gap) Type() Type         { return TypeGap }
func (*RunEvent) Type() Type    { return TypeRunEvent }
func (*RunResult) Type() Type   { return TypeResult }
func (*Calibration) Type() Type { return TypeCalibration }
func (*Mark) Type() Type        { return TypeMark }
func (*Unknown) Type() Type     { return TypeUnknown }

// Sample is what one source delivered at one instant: the raw codes of its
// channels in the order of Layout.Sources[Source].Channels.
type Sample struct {
	Layout uint32 // Layout.ID in force
	Source uint16 // index into Layout.Sources
	Raw    []Raw
}

// Raw is one channel's part of a sample. With a fault the codes are evidence only.
type Raw struct {
	Faults Faults
	Has    Fields
	Code   int64 // the conversion result
	Cold   int64 // cold-junction code
	Chip   int64 // the chip's own number, where Code is something else
	AgeUS  int32 // microseconds from the middle of the conversion to the entry's stamp, >= 0
}

// Fields tells which codes a Raw carries.
type Fields uint8

// The codes a Raw may carry.
const (
	HasCode Fields = 1 << iota
	HasCold
	HasChip
)

// SourceEvent says that a source changed state: opened, lost, recovered. State
// changes only, never one entry per failed read.
type SourceEvent struct {
	Source string `json:"source"`
	State  string `json:"state"` // opened, failed, recovered, closed
	Text   string `json:"text"`
}

// ClockStep says that wall time jumped against the monotonic clock.
type ClockStep struct {
	StepNS int64 `json:"step_ns"` // new minus old wall time
	Synced bool  `json:"synced"`  // whether the clock is synchronised now
}

// Gap says that the sequence numbers From..To hold nothing that can be read: they
// may have been streamed before an unclean stop, or their file was damaged.
type Gap struct {
	From  uint64 `json:"from"`
	To    uint64 `json:"to"`
	Cause string `json:"cause"` // unclean_stop, damaged, retention
	Text  string `json:"text"`
}

// Mark is a line that a person or a script added.
type Mark struct {
	Run    string `json:"run"` // empty: no run was open
	Text   string `json:"text"`
	Author string `json:"author"`
}

// Unknown stands for an entry of a type or version that this build does not know.
// Readers count and skip it.
type Unknown struct {
	Number  Type
	Version uint8
}
