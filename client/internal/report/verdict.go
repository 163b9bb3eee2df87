package report

import (
	"fmt"
	"slices"
	"strings"

	"soakrig/daemon/record"
)

// State says how a fact bears on the run, so that a screen can mark it. The mark is
// never the only thing that tells: the text says it too.
type State string

// The states.
const (
	Good    State = "good"
	Note    State = "note"
	Bad     State = "bad"
	Unknown State = "unknown"
)

// Mark is the sign of a state, readable without colour.
func (s State) Mark() string {
	switch s {
	case Good:
		return "✓"
	case Note:
		return "!"
	case Bad:
		return "✗"
	}
	return "?"
}

// worse is the state that bears more on the run.
func worse(a, b State) State {
	order := []State{Good, Unknown, Note, Bad}
	if slices.Index(order, b) > slices.Index(order, a) {
		return b
	}
	return a
}

// Title names a run.
func Title(r *record.Result) string {
	var parts []string
	if r.Unit != "" {
		parts = append(parts, unitName(r.Unit, r.Revision))
	}
	if r.Setup != "" {
		parts = append(parts, r.Setup)
	}
	if r.Run != "" {
		run := "run " + r.Run
		if r.Rig != "" {
			run += " on " + r.Rig
		}
		parts = append(parts, run)
	}
	if len(parts) == 0 {
		return "a recording"
	}
	return strings.Join(parts, ", ")
}

func unitName(unit, revision string) string {
	if revision == "" {
		return unit
	}
	return unit + " rev. " + revision
}

// verdictWord is the verdict in one to three words.
func verdictWord(r *record.Result) string {
	word := "measured, no limit set"
	switch r.Verdict {
	case record.VerdictPass:
		word = "pass"
	case record.VerdictFail:
		word = "fail"
	case record.VerdictVoid:
		word = "void"
	case record.VerdictMarginal:
		word = "marginal"
		if r.MarginalSide != "" {
			word += ", " + r.MarginalSide + " the limit"
		}
	}
	if r.Limited {
		word += ", limited"
	}
	if !r.Final {
		word += " so far"
	}
	return word
}

// verdictState is how the verdict is marked.
func verdictState(r *record.Result) State {
	switch {
	case r.Verdict == record.VerdictPass && !r.Limited:
		return Good
	case r.Verdict == record.VerdictFail, r.Verdict == record.VerdictVoid:
		return Bad
	case r.Verdict == record.VerdictNone && !r.Limited:
		return Unknown
	}
	return Note
}

// Headline is the run in one line.
func Headline(r *record.Result) string {
	s := strings.ToUpper(verdictWord(r)[:1]) + verdictWord(r)[1:]
	if why := whyShort(r); why != "" {
		s += ", " + why
	}
	if r.Peak == nil {
		return s + ": no probe gave a peak"
	}
	s += ": peak " + peakText(r.Peak)
	for _, l := range r.Limits {
		if l.Channel == r.Peak.Channel && l.Quantity == "value" {
			return s + fmt.Sprintf(", limit %s", withUnit(trimmed(l.Bound), l.Unit))
		}
	}
	return s
}

// peakText is the peak with its uncertainty; "≥" when a probe was lost.
func peakText(p *record.Peak) string {
	s := ""
	if p.LowerBound {
		s = "≥ "
	}
	return s + withUnit(Measured(p.HeldC, p.ExpandedK), "degC")
}

// placed is a channel with its place.
func placed(channel, place string) string {
	if place == "" {
		return channel
	}
	return channel + " (" + place + ")"
}
