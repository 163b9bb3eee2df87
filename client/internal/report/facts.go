package report

import (
	"fmt"
	"slices"
	"strings"

	"soakrig/daemon/record"
)

// fact is one answer of a run's page.
type fact struct {
	Label string
	Text  string
	State State
}

// factsOf answers what a person asks in the morning, in that order.
func factsOf(r *record.Result) []fact {
	return []fact{
		loadFact(r), peakFact(r), limitFact(r), riseFact(r), steadyFact(r), powerFact(r),
		ambientFact(r), probesFact(r), gapsFact(r),
	}
}

func loadFact(r *record.Result) fact {
	f := fact{Label: "Load"}
	l := r.Load
	if l == nil || l.Outcome == "not_seen" || l.StartS == nil {
		f.State, f.Text = Bad, "no load was seen"
		return f
	}
	ran := ""
	if l.EndS != nil {
		ran = Length(*l.EndS - *l.StartS)
	}
	plan := ""
	if l.PlannedS != nil && *l.PlannedS > 0 {
		plan = " of " + Length(*l.PlannedS) + " planned"
	}
	how := map[string]string{"detected": "start seen in wall power", "marked": "start marked", "planned": "taken as planned, nothing measured shows it", "on_at_start": "on already when the run began"}[l.Source]
	switch l.Outcome {
	case "complete":
		f.State, f.Text = Good, "ran to plan, "+ran+plan
	case "running":
		f.State, f.Text = Note, "still running"+plan
	case "ended_early":
		f.State, f.Text = Note, "ended early: "+ran+plan
	case "lost":
		f.State = Bad
		f.Text = "lost after " + ran + plan
		if l.LostTo != "" {
			f.Text += map[string]string{"off": ", the unit went off", "restarted": ", the unit restarted", "idle": ", the unit fell back to idle"}[l.LostTo]
		}
		if l.MissingS != nil {
			f.Text += ", " + Length(*l.MissingS) + " missing"
		}
	default:
		f.State, f.Text = Unknown, l.Outcome
	}
	f.Text += fmt.Sprintf(" (%s, from %s)", how, clockTime(r, *l.StartS))
	return f
}

func peakFact(r *record.Result) fact {
	p := r.Peak
	if p == nil {
		return fact{"Peak", "no probe gave a peak", Bad}
	}
	f := fact{Label: "Peak", State: Good}
	f.Text = peakText(p) + " on " + placed(p.Channel, p.Place) + " at " + clockTime(r, p.AtS)
	if p.SecondHeldC != nil && p.GapK != nil {
		if gap := Fixed(*p.GapK, 1); gap == Fixed(0, 1) {
			f.Text += fmt.Sprintf("; %s held the same to 0.1 K", p.Second)
		} else {
			f.Text += fmt.Sprintf("; next is %s, %s cooler", p.Second, withUnit(gap, "K"))
		}
		if p.Ambiguous {
			f.Text += fmt.Sprintf(", too near to tell apart: the hot spot is %s or %s", p.Channel, p.Second)
		}
	}
	for _, s := range r.Statistics {
		if s.Name == "peak_expanded_below" && s.Text != "" {
			f.Text += "; " + Prose(s.Text)
		}
	}
	if p.LowerBound {
		f.State = Note
		f.Text += "; a lower bound: " + unseen(r) + ", so the true peak may be higher"
	}
	return f
}

// unseen says which probes did not see the whole load, and from when on.
func unseen(r *record.Result) string {
	var parts []string
	for i := range r.Probes {
		if c := r.Probes[i].Channel; untrusted(r, c) != "" {
			parts = append(parts, c+" is not known "+untrusted(r, c))
		}
	}
	if parts == nil {
		return "not every probe was seen through the whole load"
	}
	return strings.Join(parts, ", ")
}

func limitFact(r *record.Result) fact {
	if len(r.Limits) == 0 {
		return fact{"Limits", "none was set, so there is nothing to judge by", Unknown}
	}
	f := fact{Label: "Limits", State: Good}
	var parts []string
	for _, l := range r.Limits {
		text := fmt.Sprintf("%s %s %s", l.Name, limitQuantity(l.Quantity), withUnit(trimmed(l.Bound), l.Unit))
		if l.Value == nil {
			parts = append(parts, text+": not measured")
			f.State = worse(f.State, Unknown)
			continue
		}
		text += fmt.Sprintf(": %s on %s", optionalMeasured(l.Value, l.Expanded, l.Unit), l.Channel)
		switch l.Outcome {
		case record.VerdictPass:
			text += ", kept"
			if r.Verdict == record.VerdictVoid || r.Peak != nil && r.Peak.LowerBound {
				text += " as far as was seen"
				f.State = worse(f.State, Note)
			}
		case record.VerdictMarginal:
			text += ", inside the guard band"
			if l.Side != "" {
				text += " " + l.Side + " the limit"
			}
			f.State = worse(f.State, Note)
		case record.VerdictFail:
			text += ", exceeded"
			if l.FirstAtS != nil {
				text += " from " + clockTime(r, *l.FirstAtS)
			}
			if l.Severity == "note" {
				f.State = worse(f.State, Note)
			} else {
				f.State = worse(f.State, Bad)
			}
		}
		parts = append(parts, text)
	}
	f.Text = strings.Join(parts, "; ")
	return f
}

func limitQuantity(q string) string {
	if q == "value" || q == "" {
		return "at"
	}
	return q
}

func riseFact(r *record.Result) fact {
	p := r.Peak
	if p == nil || p.RiseK == nil {
		return fact{"Rise", "not known: no room temperature beside the peak", Unknown}
	}
	f := fact{Label: "Rise", State: Good}
	f.Text = optionalMeasured(p.RiseK, p.RiseExpandedK, "K") + " above the room"
	if p.AmbientC != nil {
		f.Text += " at " + optional(p.AmbientC, 1, "degC") + " (mean of the 15 min before)"
	}
	if p.ReferenceC != nil && p.ReferenceAmbientC != nil {
		f.Text += fmt.Sprintf("; in a room at %s the peak would be %s", withUnit(trimmed(*p.ReferenceAmbientC), "degC"),
			optionalMeasured(p.ReferenceC, p.ReferenceExpandedK, "degC"))
	}
	return f
}

func steadyFact(r *record.Result) fact {
	s := r.Steady
	if s == nil {
		return fact{"Settled", "not known: the load was too short to tell", Unknown}
	}
	slope := withUnit(Fixed(s.SlopeKPerH, 1), "K/h") + " on " + s.Channel
	f := fact{Label: "Settled"}
	switch s.Tier {
	case "steady":
		f.State, f.Text = Good, "steady: last slope "+slope+" (at most 2 K/h twice)"
	case "settled":
		f.State, f.Text = Good, "settled enough: last slope "+slope+" (at most 6 K/h), not steady at 2 K/h"
	default:
		f.State, f.Text = Note, "still rising: last slope "+slope
	}
	if s.ReachedAtS != nil {
		f.Text += ", reached at " + clockTime(r, *s.ReachedAtS)
	}
	if s.RemainingK != nil {
		f.Text += "; about " + withUnit(Fixed(*s.RemainingK, 1), "K") + " of rise were left"
	}
	if s.ExtrapolatedC != nil {
		f.Text += "; extrapolated end " + optionalMeasured(s.ExtrapolatedC, s.ExtrapolatedExpandedK, "degC")
	}
	if s.ExtrapolationNote != "" {
		f.Text += " (" + Prose(s.ExtrapolationNote) + ")"
	}
	if !s.Valid {
		f.State = worse(f.State, Note)
		f.Text += "; power was not held, so a flat curve does not mean settled"
	}
	return f
}

func powerFact(r *record.Result) fact {
	l := r.Load
	if l == nil || l.MeanW == nil {
		return fact{"Power", "not measured", Unknown}
	}
	f := fact{Label: "Power", State: Good}
	pattern := map[string]string{
		"constant": "constant", "load_pattern": "held, with the load's own pattern of dips", "not_held": "not held, cause not shown",
		"thermal_cycling": "not held: cut back again and again when hot", "flat_top": "not held: fell while the hot spot stayed level",
		"unknown": "not known whether it was held",
	}[l.Pattern]
	if pattern == "" {
		pattern = l.Pattern
	}
	if !l.Held {
		f.State = Note
	}
	if r.Limited || l.Pattern == "thermal_cycling" || l.Pattern == "flat_top" {
		f.State = Bad
	}
	f.Text = pattern + "; mean " + optionalMeasured(l.MeanW, l.MeanExpandedW, "W")
	if l.IdleW != nil {
		f.Text += ", idle " + optional(l.IdleW, 0, "W")
	}
	if l.EnergyJ != nil {
		f.Text += ", energy " + Energy(*l.EnergyJ)
	}
	if l.LossShare != nil && *l.LossShare >= 0.005 {
		f.Text += fmt.Sprintf("; %s of the step was lost towards the end", percent(*l.LossShare))
	}
	if l.Dips != nil && l.Dips.Count > 0 {
		f.Text += fmt.Sprintf("; %s of %s", count(l.Dips.Count, "dip"), Length(l.Dips.MedianS))
		if l.Dips.OnsetC != nil {
			f.Text += " beginning at " + optional(l.Dips.OnsetC, 0, "degC")
		}
	}
	return f
}

func ambientFact(r *record.Result) fact {
	a := r.Ambient
	if a == nil {
		return fact{"Room", "not measured", Unknown}
	}
	f := fact{Label: "Room", State: Good}
	f.Text = fmt.Sprintf("mean %s (%s to %s), %s of the load inside %s to %s", withUnit(Fixed(a.MeanC, 1), "degC"), Fixed(a.MinC, 1),
		Fixed(a.MaxC, 1), percent(a.InBand), trimmed(a.BandLowC), withUnit(trimmed(a.BandHighC), "degC"))
	if a.InBand < 0.95 {
		f.State = Bad
	}
	if a.DriftKPerH != nil {
		f.Text += ", drift " + optional(a.DriftKPerH, 1, "K/h")
	}
	return f
}

func probesFact(r *record.Result) fact {
	if len(r.Probes) > 0 && !slices.ContainsFunc(r.Probes, func(p record.ProbeResult) bool { return p.Health != "unjudged" }) {
		return fact{"Probes", "nothing to judge: a probe is judged by what it gives on load", Unknown}
	}
	good, counting := 0, 0
	var odd []string
	for i := range r.Probes {
		p := &r.Probes[i]
		if p.Health == "good" {
			good++
		} else {
			text := p.Channel + " " + strings.ReplaceAll(p.Health, "_", " ")
			if from := untrusted(r, p.Channel); from != "" {
				text += " " + from
			}
			if p.Note != "" {
				text += " (" + Prose(p.Note) + ")"
			}
			odd = append(odd, text)
		}
		if p.Counts {
			counting++
		}
	}
	f := fact{Label: "Probes", State: Good}
	if len(r.Probes) == 0 {
		return fact{"Probes", "there is none", Unknown}
	}
	f.Text = fmt.Sprintf("%d of %d good", good, len(r.Probes))
	if counting != len(r.Probes) {
		f.Text += fmt.Sprintf(", %d counted for the peak", counting)
	}
	if len(odd) > 0 {
		f.State = Bad
		f.Text += ": " + strings.Join(odd, "; ")
	}
	return f
}

func gapsFact(r *record.Result) fact {
	if len(r.Gaps) == 0 {
		return fact{"Gaps", "none", Good}
	}
	total := 0.0
	var parts []string
	for _, g := range r.Gaps {
		total += g.DurationS
		if len(parts) < 4 {
			parts = append(parts, fmt.Sprintf("%s at %s (%s)", Length(g.DurationS), clockTime(r, g.FromS), strings.ReplaceAll(g.Cause, "_", " ")))
		}
	}
	if n := len(r.Gaps) - len(parts); n > 0 {
		parts = append(parts, fmt.Sprintf("and %d more", n))
	}
	return fact{"Gaps", fmt.Sprintf("%s, %s in all: %s", count(len(r.Gaps), "gap"), Length(total), strings.Join(parts, "; ")), Note}
}
