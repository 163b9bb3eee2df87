package archive

import (
	"fmt"
	"iter"
	"strings"
	"time"

	"soakrig/daemon/record"
)

// Format names the layout of a run file. Readers refuse what they do not know.
const Format = "soakrig-run/1"

// Run is one run without its readings.
type Run struct {
	Record  Record
	Result  record.Result
	Layouts []record.Layout
	Events  []Event // everything that is not a reading, in order of sequence
}

// Record says which run it is and where it came from.
type Record struct {
	Start         record.RunStart   `json:"start"`
	Rig           string            `json:"rig"`
	State         string            `json:"state"` // ended; open only in exports of a running run
	StartedWallNS int64             `json:"started_wall_ns,string"`
	EndedWallNS   int64             `json:"ended_wall_ns,string"`
	FirstSeq      uint64            `json:"first_seq,string"`
	LastSeq       uint64            `json:"last_seq,string"`
	JournalID     string            `json:"journal_id"` // empty: a foreign recording
	Simulated     bool              `json:"simulated,omitempty"`
	Settings      map[string]string `json:"settings,omitempty"`
}

// Event is one thing that happened in a run beside the readings.
type Event struct {
	Seq    uint64  `json:"seq,string"`
	AtS    float64 `json:"at_s"`
	WallNS int64   `json:"wall_ns,string"`
	Kind   string  `json:"kind"` // mark, gap, restart, clock_step, source, stop, run
	Text   string  `json:"text,omitempty"`
	Author string  `json:"author,omitempty"`
	Source string  `json:"source,omitempty"`
	FromS  float64 `json:"from_s,omitempty"` // gap
	Cause  string  `json:"cause,omitempty"`  // gap
	// LengthS is the outage of a restart or the step of a clock; Known is false when
	// the outage could not be measured, true when the clock is synchronised after a step.
	LengthS float64 `json:"length_s,omitempty"`
	Known   bool    `json:"known,omitempty"`
}

// Reading is one reading: a value, or the faults that stand in its place.
type Reading struct {
	Seq                                 uint64
	AtS                                 float64 // run time
	WallNS                              int64
	Synced                              bool
	Layout                              int // index into Run.Layouts
	Channel                             int // index into that layout's channels
	Faults                              record.Faults
	Value                               float64 // in the channel's unit; meaningless with faults
	Expanded                            float64 // k = 2; zero: not stated
	Raw                                 record.Raw
	EMFVolts, ColdC, ChipC, Uncorrected *float64 // evidence; nil: there is none
}

// Readings gives the readings of a run in order of sequence. The reading is valid
// until the next one.
type Readings = iter.Seq2[*Reading, error]

// Of is the channel of a reading.
func (r *Run) Of(x *Reading) *record.Channel { return &r.Layouts[x.Layout].Channels[x.Channel] }

// Channels lists the channels of a run by first appearance over its layouts, in
// their newest form.
func (r *Run) Channels() []record.Channel {
	var out []record.Channel
	at := map[string]int{}
	for _, l := range r.Layouts {
		for _, c := range l.Channels {
			i, ok := at[c.Name]
			if !ok {
				i = len(out)
				at[c.Name] = i
				out = append(out, c)
			}
			out[i] = c
		}
	}
	return out
}

// Name is the name of a run's file without its ending: unit, setup and run, such
// that files of one unit stand together.
func (r *Run) Name() string {
	s := r.Record.Start
	parts := []string{s.Unit, s.Setup.Name, s.Run}
	if s.Run == "" {
		parts[2] = time.Unix(0, r.Record.StartedWallNS).UTC().Format("20060102-150405")
	}
	var kept []string
	for _, p := range parts {
		if p = safe(p); p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, "_")
}

// safe makes a word fit for a file name on any system.
func safe(s string) string {
	return strings.Trim(strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.' {
			return r
		}
		return '-'
	}, s), ".-")
}

// ID names a run among all rigs: journal, rig and run.
func (r *Run) ID() string {
	return fmt.Sprintf("%s/%s/%s", r.Record.JournalID, r.Record.Rig, r.Record.Start.Run)
}

// Whole gives a result that came over the wire its empty lists back: there nothing
// and an empty list are the same, in JSON they are not.
func Whole(r *record.Result) {
	fill := func(missing bool, set func()) {
		if missing {
			set()
		}
	}
	fill(r.Reasons == nil, func() { r.Reasons = []record.Reason{} })
	fill(r.Probes == nil, func() { r.Probes = []record.ProbeResult{} })
	fill(r.Phases == nil, func() { r.Phases = []record.PhaseResult{} })
	fill(r.Limits == nil, func() { r.Limits = []record.LimitResult{} })
	fill(r.Findings == nil, func() { r.Findings = []record.Finding{} })
	fill(r.Gaps == nil, func() { r.Gaps = []record.GapResult{} })
	fill(r.Budget == nil, func() { r.Budget = []record.BudgetLine{} })
	fill(r.Constants == nil, func() { r.Constants = map[string]float64{} })
}
