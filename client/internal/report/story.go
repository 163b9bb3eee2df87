package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"soakrig/daemon/record"
)

// moment is one line of what happened.
type moment struct {
	AtS, ToS float64
	Placed   bool   // AtS holds
	When     string // wall time where the start is known, else run time; with the end of a stretch
	Text     string
	Severity string // of a finding: note, warning, void; empty: the course of the run
}

// clockTime is a run time as a person reads it: wall time in the zone of the start, with
// the day where the run is longer than one; run time where the start is not known.
func clockTime(r *record.Result, atS float64) string {
	at, err := time.Parse(time.RFC3339Nano, r.Started)
	if err != nil {
		return RunTime(atS)
	}
	layout := "15:04:05"
	if r.DurationS > 22*3600 {
		layout = "01-02 15:04:05"
	}
	return at.Add(time.Duration(atS * float64(time.Second))).Format(layout)
}

// zoneNote says in which zone the times of a run are; empty where they are run times.
func zoneNote(r *record.Result) string {
	at, err := time.Parse(time.RFC3339Nano, r.Started)
	if err != nil {
		return "times count from the start"
	}
	if zone := at.Format("-07:00"); zone != "+00:00" {
		return "times are UTC" + zone
	}
	return "times are UTC"
}

// storyOf is what happened, in order of time: the course of the run and everything that
// was noticed.
func storyOf(r *record.Result) []moment {
	story := course(r)
	for i := range r.Findings {
		f := &r.Findings[i]
		m := moment{Text: findingWords(f), Severity: f.Severity}
		if f.FromS != nil {
			m.Placed, m.AtS, m.ToS = true, *f.FromS, *f.FromS
			if f.ToS != nil {
				m.ToS = *f.ToS
			}
		}
		story = append(story, m)
	}
	for i := range story {
		m := &story[i]
		if !m.Placed {
			continue
		}
		m.When = clockTime(r, m.AtS)
		if m.ToS > m.AtS {
			m.When += " to " + clockTime(r, m.ToS)
		}
	}
	slices.SortStableFunc(story, func(a, b moment) int {
		if a.Placed != b.Placed { // what has no time stands last
			return map[bool]int{true: -1, false: 1}[a.Placed]
		}
		return cmp.Compare(a.AtS, b.AtS)
	})
	return story
}

// course is how the run went by its plan.
func course(r *record.Result) []moment {
	var c []moment
	say := func(atS float64, format string, args ...any) {
		c = append(c, moment{AtS: atS, ToS: atS, Placed: true, Text: fmt.Sprintf(format, args...)})
	}
	if r.Run != "" {
		say(0, "the run began")
	}
	if l := r.Load; l != nil && l.StartS != nil {
		plan := ""
		if l.PlannedS != nil && *l.PlannedS > 0 {
			plan = ", " + Length(*l.PlannedS) + " planned"
		}
		say(*l.StartS, "%s%s", loadBegan(l.Source), plan)
		if l.EndS != nil && l.Outcome != "lost" {
			say(*l.EndS, "the load ended%s", map[string]string{"complete": " as planned", "ended_early": " with the run"}[outcomeOf(l)])
		}
	}
	if p := r.Peak; p != nil {
		say(p.AtS, "the highest level held: %s on %s", withUnit(Measured(p.HeldC, p.ExpandedK), "degC"), placed(p.Channel, p.Place))
	}
	if n := len(r.Phases); r.Final && n > 0 {
		say(r.Phases[n-1].EndS, "the run ended")
	}
	return c
}

func outcomeOf(l *record.Load) string {
	if l.PlannedS == nil || *l.PlannedS == 0 {
		return ""
	}
	return l.Outcome
}

func loadBegan(source string) string {
	switch source {
	case "detected":
		return "the load began, as wall power shows"
	case "marked":
		return "the load began, as marked"
	case "on_at_start":
		return "the load was on already"
	}
	return "the load began, as planned; nothing measured shows it"
}

// adviceOf is what to do before the next run, gravest first.
func adviceOf(r *record.Result) []string {
	var out []string
	add := func(text string) {
		if text != "" && !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	for _, code := range adviceOrder() {
		for i := range r.Findings {
			if f := &r.Findings[i]; f.Code == code && f.Severity != "note" {
				add(Prose(adviceFor(r, f)))
			}
		}
	}
	if r.Verdict == record.VerdictVoid && r.Final && len(r.Reasons) > 0 && r.Reasons[0].Code != "thermal_limiting" {
		add("then run it again: this run does not show what it was meant to")
	}
	return out
}

// adviceOrder are the findings that ask for something, gravest first.
func adviceOrder() []string {
	return []string{"load_lost", "load_not_seen", "thermal_limiting", "probe_detached", "probe_lost", "probe_absent", "probe_never_attached",
		"probe_reversed", "probe_stuck", "coverage", "probe_grounded", "pickup", "ambient_band", "cooling_changed", "restart", "load_on_at_start", "load_longer",
		"recirculation", "zero_spread"}
}

func adviceFor(r *record.Result, f *record.Finding) string {
	at := ""
	if f.FromS != nil {
		at = clockTime(r, *f.FromS)
	}
	probe := placedProbe(r, f.Channel)
	switch f.Code {
	case "load_lost":
		return lostAdvice(r, at)
	case "load_not_seen":
		return "see whether the load script ran, and whether the meter measures the unit's own outlet"
	case "thermal_limiting":
		return "make sure that it was limiting: by the unit's own counters, or by a run in a cooler room"
	case "probe_detached":
		return "mount " + probe + " anew and check it against the others (soak zero)"
	case "probe_lost", "probe_absent", "coverage":
		return "look at the wiring and the converter of " + probe
	case "probe_never_attached":
		return "mount " + probe + ": it lay in air"
	case "probe_reversed":
		return "swap the wires of " + probe + " at its converter"
	case "probe_stuck":
		return "look at the converter of " + probe
	case "probe_grounded":
		return "insulate the bead of " + probe + " from what it touches"
	case "pickup":
		return "lead the wires of " + probe + " away from the power stages, twisted"
	case "ambient_band":
		if a := r.Ambient; a != nil {
			return fmt.Sprintf("keep the room within %s to %s while the load runs: look for a set-back in the heating or the cooling", trimmed(a.BandLowC), withUnit(trimmed(a.BandHighC), "degC"))
		}
	case "cooling_changed":
		return "look at fans, air path and the mounting of " + probe
	case "restart":
		return "find out why recording was interrupted at " + at
	case "load_on_at_start":
		return "start the next run before its load, from cold"
	case "load_longer":
		return "make the load stop by itself, or by the command of the cooldown phase"
	case "recirculation":
		return "keep exhaust air from the intake"
	case "zero_spread":
		return "check the probes against each other unpowered (soak zero)"
	}
	return ""
}

func lostAdvice(r *record.Result, at string) string {
	unit := "the unit"
	if r.Unit != "" {
		unit = r.Unit
	}
	to := ""
	if r.Load != nil {
		to = r.Load.LostTo
	}
	switch to {
	case "off":
		return fmt.Sprintf("find out why %s went off at %s before it is switched on again: its supply, fuse and protection, its own log", unit, at)
	case "restarted":
		return fmt.Sprintf("read the log of %s for why it restarted at %s", unit, at)
	}
	return fmt.Sprintf("read the logs of the load program and of %s for what ended the load at %s", unit, at)
}

// placedProbe is a probe with its place.
func placedProbe(r *record.Result, channel string) string {
	for i := range r.Probes {
		if r.Probes[i].Channel == channel {
			return placed(channel, r.Probes[i].Place)
		}
	}
	return channel
}

// untrusted is from when on a probe is not to be trusted: "from 00:50:00 on"; empty
// where the whole load is meant or nothing says when.
func untrusted(r *record.Result, channel string) string {
	for i := range r.Findings {
		f := &r.Findings[i]
		if f.Channel != channel || f.FromS == nil {
			continue
		}
		switch f.Code {
		case "probe_detached", "probe_lost", "probe_stuck":
			return "from " + clockTime(r, *f.FromS) + " on"
		}
	}
	return ""
}

// whyShort is the gravest ground of a void verdict in a few words.
func whyShort(r *record.Result) string {
	if r.Verdict != record.VerdictVoid || len(r.Reasons) == 0 {
		return ""
	}
	code := r.Reasons[0].Code
	words := map[string]string{"load_lost": "the load was lost", "load_not_seen": "no load was seen", "too_short": "the load was too short",
		"ambient_band": "the room left its band", "thermal_limiting": "the unit limited itself", "limit_unmeasured": "a limit was not measured",
		"no_peak": "no peak was held"}
	if w, ok := words[code]; ok {
		return w
	}
	if strings.HasPrefix(code, "probe_") || code == "coverage" {
		return "not every probe can be trusted"
	}
	return ""
}
