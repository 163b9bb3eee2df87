package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/record"
)

// Ways in which a phase begins.
const (
	beginsNow     = "now"
	beginsLoad    = "load"
	beginsLoadEnd = "load_end"
	beginsAfter   = "after"
	beginsMark    = "mark"
	beginsTime    = "time"
	beginsCall    = "call"
)

// Marks that tell the load, whatever the case of their letters.
const (
	MarkLoadStart = "load start"
	MarkLoadEnd   = "load end"
	// MarkExclude followed by a channel's name and a colon with the reason is the
	// recorded decision to leave that probe out: "exclude vr3: bead was loose".
	MarkExclude = "exclude "
)

// Quantities that a limit may bound.
const (
	quantityValue      = "value"
	quantityRise       = "rise"
	quantitySlope      = "slope"
	quantityDifference = "difference"
)

// Severities of a limit.
const (
	severityNote = "note"
	severityFail = "fail"
	severityStop = "stop"
)

// DefaultPlan is the lab's plan: five minutes of baseline, the load for loadS
// seconds (zero: as long as it runs) from the moment it is detected or marked, ten
// minutes of cooldown from its end. Without a power channel and without marks the
// load is taken to run as planned, after the baseline.
func DefaultPlan(loadS float64, limits []record.Limit) record.Plan {
	return record.Plan{
		Phases: []record.PhasePlan{
			{Phase: record.PhaseBaseline, LengthS: 300, Begins: beginsNow},
			{Phase: record.PhaseLoad, LengthS: loadS, Begins: beginsLoad, Results: true},
			{Phase: record.PhaseCooldown, LengthS: 600, Begins: beginsLoadEnd},
		},
		Limits: limits,
	}
}

// RecordingPlan is the plan for a recording that another instrument made: the load
// is looked for in the power channel or the marks; without either, it is taken to
// run from the first row for loadS seconds (zero: to the last row).
func RecordingPlan(loadS float64, limits []record.Limit) record.Plan {
	return record.Plan{
		Phases: []record.PhasePlan{
			{Phase: record.PhaseLoad, LengthS: loadS, Begins: beginsLoad, Results: true},
			{Phase: record.PhaseCooldown, Begins: beginsLoadEnd},
		},
		Limits: limits,
	}
}

// CheckPlan says everything that is wrong with a plan for these channels, joined
// into one error; nil: nothing.
func CheckPlan(p record.Plan, channels []Channel) error {
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf("plan: "+format, args...)) }
	order := []record.Phase{record.PhaseWaiting, record.PhaseBaseline, record.PhaseLoad, record.PhaseCooldown}
	last := -1
	if len(p.Phases) == 0 {
		wrong("it has no phases; the default plan has baseline, load and cooldown")
	}
	for i, ph := range p.Phases {
		at := slices.Index(order, ph.Phase)
		switch {
		case at < 0:
			wrong("phase %d is called %q; phases are waiting, baseline, load, cooldown", i+1, ph.Phase)
		case at <= last:
			wrong("phase %d (%s) stands after %s; each phase comes once, in the order waiting, baseline, load, cooldown", i+1, ph.Phase, order[last])
		default:
			last = at
		}
		errs = append(errs, checkPhase(i, p.Phases)...)
	}
	for i, l := range p.Limits {
		errs = append(errs, checkLimit(i, l, channels)...)
	}
	if b := p.AmbientBandC; b != nil && !(b.Low < b.High && b.Low > -100 && b.High < 200) {
		wrong("ambient band %v..%v degC: the low end must be below the high end", b.Low, b.High)
	}
	if r := p.ReferenceAmbientC; r != nil && !(*r > -100 && *r < 200) {
		wrong("reference ambient %v degC is not a room temperature", *r)
	}
	c := constants.Default()
	if err := c.Override(p.Constants); err != nil {
		errs = append(errs, fmt.Errorf("plan: %w", err))
	}
	return errors.Join(errs...)
}

func checkPhase(i int, phases []record.PhasePlan) (errs []error) {
	ph := phases[i]
	wrong := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("plan: phase %d (%s): "+format, append([]any{i + 1, ph.Phase}, args...)...))
	}
	if !(ph.LengthS >= 0 && ph.LengthS <= 60*86400) {
		wrong("length %v s is not between 0 and 60 days", ph.LengthS)
	}
	switch ph.Begins {
	case beginsNow:
		if i > 0 {
			wrong(`only the first phase may begin "now"; use "after"`)
		}
	case beginsLoad, beginsCall:
	case beginsLoadEnd:
		if !slices.ContainsFunc(phases[:i], func(q record.PhasePlan) bool { return q.Phase == record.PhaseLoad }) {
			wrong(`it begins with "load_end" but no load phase stands before it`)
		}
	case beginsAfter:
		if i == 0 || phases[i-1].LengthS == 0 {
			wrong(`it begins "after" the phase before, which has no length`)
		}
	case beginsMark:
		if strings.TrimSpace(ph.At) == "" {
			wrong(`it begins by "mark": at must hold the mark's text`)
		}
	case beginsTime:
		if _, err := time.Parse(time.RFC3339, ph.At); err != nil {
			wrong(`it begins by "time": at must be RFC 3339 like 2026-05-02T22:00:00Z: %w`, err)
		}
	default:
		wrong("begins is %q; use now, load, load_end, after, mark, time or call", ph.Begins)
	}
	return errs
}

func checkLimit(i int, l record.Limit, channels []Channel) (errs []error) {
	wrong := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("plan: limit %d (%s): "+format, append([]any{i + 1, l.Name}, args...)...))
	}
	switch {
	case (l.Channel == "") == (l.Role == ""):
		wrong("it must name either a channel or a role")
	case l.Channel != "" && !slices.ContainsFunc(channels, func(c Channel) bool { return c.Name == l.Channel }):
		wrong("there is no channel %q; the channels are %s", l.Channel, channelNames(channels))
	case l.Role != "" && !slices.Contains(record.Roles(), l.Role):
		wrong("there is no role %q; roles are %v", l.Role, record.Roles())
	}
	if !slices.Contains([]string{quantityValue, quantityRise, quantitySlope, quantityDifference}, l.Quantity) {
		wrong("quantity is %q; use value, rise, slope or difference", l.Quantity)
	}
	if !slices.Contains([]string{severityNote, severityFail, severityStop}, l.Severity) {
		wrong("severity is %q; use note, fail or stop", l.Severity)
	}
	if math.IsNaN(l.Bound) || math.IsInf(l.Bound, 0) {
		wrong("bound %v is not a number", l.Bound)
	}
	if !(l.DwellS >= 0 && l.DwellS <= 3600) {
		wrong("dwell %v s is not between 0 and 3600", l.DwellS)
	}
	for _, ph := range l.Phases {
		if !slices.Contains([]record.Phase{record.PhaseWaiting, record.PhaseBaseline, record.PhaseLoad, record.PhaseCooldown}, ph) {
			wrong("there is no phase %q", ph)
		}
	}
	return errs
}

func channelNames(channels []Channel) string {
	names := make([]string, len(channels))
	for i, c := range channels {
		names[i] = c.Name
	}
	return strings.Join(names, ", ")
}
