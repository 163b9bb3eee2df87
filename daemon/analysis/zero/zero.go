// Package zero judges the probes of a rig at a temperature that is known or the same
// everywhere: the spread of an unpowered rig, the ice point, the steam point; and says
// which trims would follow, or why none may be made. It collects no reading and stores
// no trim.
package zero

import (
	"fmt"
	"math"
	"strings"

	"soakrig/daemon/analysis/internal/series"
)

// Figures of a zero check (common practice, but for the spread: by simulation the
// range of eight probes stays below 4.3 of their standard deviations 95 times in 100).
const (
	sigmaK         = 0.47 // of converter, cold junction and terminals as bought
	trimmedSigmaK  = 0.23 // of the same after a trim
	allowedK       = 2.0  // 4.3 * 0.47
	trimAllowedK   = 1.0  // 4.3 * 0.23
	slopeK         = 0.5  // per 10 min
	roomK          = 2.0  // between a probe and the room
	capK           = 2.0  // a larger trim hides what needs repair
	missingShare   = 0.05 // of the readings
	shortestS      = 60.0 // below it nothing can be said about a slope
	slopeBins      = 12   // means that the slope is taken from
	bathWithinK    = 5.0  // a probe farther from the bath is not in it
	iceStandardK   = 0.05 // of an ice bath made with ordinary care
	steamStandardK = 0.10 // of a steam point with the pressure known to 3 hPa
)

// Series is what one channel showed during a zero check.
type Series struct {
	Channel   string
	AtS       []float64 // of the good readings, ascending
	Value     []float64 // degC, calibration applied
	Missing   int       // readings without a value
	Fault     string    // of the newest of them
	Trimmed   bool      // a trim is in force
	OffsetK   float64   // of that trim; zero without one
	StandardK float64   // standard uncertainty of the channel, for a reference; zero: not stated
	WireK     float64   // standard uncertainty of its wire, for the steam point
}

// Input is what a zero check is judged from: an unpowered rig, two hours or more
// after it was last warm.
type Input struct {
	LengthS   float64
	Probes    []Series
	Room      *Series // nil: no room sensor
	Reference *Series // nil: the mean of the probes is the reference
}

// Result is what a zero check found. A nil number was not measured.
type Result struct {
	Method         string
	Passed         bool
	Text           string // one sentence for each thing found, for people
	SpreadK        *float64
	AllowedK       *float64 // of the spread; at a fixed point of the distance from it
	SlopeKPer10Min *float64 // the steepest of any probe
	RoomC          *float64
	ReferenceC     *float64
	ReferenceFrom  string  // what the reference is
	StandardK      float64 // standard uncertainty of corrections to the reference
	SharedBy       string  // what that uncertainty is shared by
	Probes         []Probe
	// TrimRefused says why no trim may be made; empty: it may. A spread alone is no
	// reason, since a trim removes it: what would make the corrections wrong is.
	TrimRefused string
}

// Probe is one probe of a zero check. Nil: it had no value.
type Probe struct {
	Channel        string
	MeanC          *float64
	OffsetK        *float64 // mean less reference
	CorrectionK    *float64 // what a trim adds to readings: the offset with its sign turned
	SlopeKPer10Min *float64
	Passed         bool
	Text           string // why not, or what else is worth a word; empty: nothing
}

// check is a check in the making.
type check struct {
	in  Input
	res Result
	bad []string // what makes corrections wrong, beyond a spread
}

// Spread judges the probes of a rig that has one temperature throughout: their
// spread, their slopes, their distance from the room. Converters, cold junctions and
// terminals show; the wire does not, since there is no gradient along it. The
// correction of a probe is the reference (a reference channel, else the mean of the
// probes) less its mean.
func Spread(in Input) Result {
	z := begin("zero_spread", in)
	low, high, trimmed := math.Inf(1), math.Inf(-1), len(in.Probes) > 0
	var means []float64
	for i := range z.res.Probes {
		trimmed = trimmed && in.Probes[i].Trimmed
		if m := z.res.Probes[i].MeanC; m != nil {
			low, high, means = min(low, *m), max(high, *m), append(means, *m)
		}
	}
	allowed, sigma := allowedK, sigmaK
	if trimmed {
		allowed, sigma = trimAllowedK, trimmedSigmaK
	}
	z.res.AllowedK = series.OrNil(allowed)
	passed := true
	if len(means) > 1 {
		z.res.SpreadK = series.OrNil(high - low)
		passed = high-low <= allowed
		z.say("the spread of %d probes is %.2f K, %s %.1f K allowed", len(means), high-low, word(passed, "within the", "more than the"), allowed)
	}
	z.reference(means, sigma)
	z.room()
	z.slopes()
	z.correct()
	z.finish(passed)
	return z.res
}

func word(ok bool, yes, no string) string {
	if ok {
		return yes
	}
	return no
}

// begin takes means and slopes of every probe.
func begin(method string, in Input) *check {
	z := &check{in: in, res: Result{Method: method, SharedBy: "rig"}}
	for i := range in.Probes {
		s := &in.Probes[i]
		p := Probe{Channel: s.Channel, Passed: true, MeanC: series.OrNil(series.Mean(s.Value))}
		if in.LengthS >= shortestS {
			p.SlopeKPer10Min = series.OrNil(s.slope(in.LengthS))
		}
		switch total := len(s.Value) + s.Missing; {
		case len(s.Value) == 0:
			p.fail("no reading%s", because(s.Fault))
			z.bad = append(z.bad, s.Channel+" has no reading")
		case float64(s.Missing) > missingShare*float64(total):
			p.fail("%d of %d readings are missing%s", s.Missing, total, because(s.Fault))
			z.bad = append(z.bad, s.Channel+" lacks readings")
		}
		z.res.Probes = append(z.res.Probes, p)
	}
	if len(in.Probes) == 0 {
		z.bad = append(z.bad, "the rig has no probe")
	}
	return z
}

func because(fault string) string {
	if fault == "" {
		return ""
	}
	return ": " + fault
}

func (p *Probe) fail(format string, args ...any) {
	p.Passed = false
	p.note(format, args...)
}

func (p *Probe) note(format string, args ...any) {
	if p.Text != "" {
		p.Text += "; "
	}
	p.Text += fmt.Sprintf(format, args...)
}

// say adds a sentence to the result.
func (z *check) say(format string, args ...any) {
	if z.res.Text != "" {
		z.res.Text += "; "
	}
	z.res.Text += fmt.Sprintf(format, args...)
}

// slope is the Theil-Sen slope of twelve means, in K per 10 min: steps of a coarse
// converter and single spikes hardly touch it. Absent with fewer than four.
func (s *Series) slope(lengthS float64) float64 {
	if len(s.AtS) == 0 {
		return series.Absent()
	}
	var sum, at [slopeBins]float64
	var n [slopeBins]float64
	for i, v := range s.Value {
		b := int((s.AtS[i] - s.AtS[0]) / lengthS * slopeBins)
		b = min(max(b, 0), slopeBins-1)
		sum[b], at[b], n[b] = sum[b]+v, at[b]+s.AtS[i], n[b]+1
	}
	var x, y []float64
	for b := range n {
		if n[b] > 0 {
			x, y = append(x, at[b]/n[b]), append(y, sum[b]/n[b])
		}
	}
	if len(x) < 4 {
		return series.Absent()
	}
	return series.TheilSen(x, y, nil) * 600
}

// reference settles what the probes are compared with.
func (z *check) reference(means []float64, sigma float64) {
	if r := z.in.Reference; r != nil {
		if m := series.Mean(r.Value); series.Known(m) {
			z.res.ReferenceC, z.res.ReferenceFrom, z.res.StandardK = series.OrNil(m), "channel "+r.Channel, r.StandardK
			return
		}
		z.say("the reference channel %s has no reading%s, so the mean of the probes stands in", r.Channel, because(r.Fault))
	}
	if len(means) > 0 {
		z.res.ReferenceC, z.res.ReferenceFrom = series.OrNil(series.Mean(means)), fmt.Sprintf("mean of %d probes", len(means))
		z.res.StandardK = sigma / math.Sqrt(float64(len(means)))
	}
}

// room wants every probe near the room: a rig that is still warm has gradients.
func (z *check) room() {
	if z.in.Room == nil {
		z.say("there is no room sensor, so the distance to the room was not looked at")
		return
	}
	room := series.Mean(z.in.Room.Value)
	if !series.Known(room) {
		z.bad = append(z.bad, "the room sensor has no reading"+because(z.in.Room.Fault))
		return
	}
	z.res.RoomC = series.OrNil(room)
	far := 0
	for i := range z.res.Probes {
		p := &z.res.Probes[i]
		if p.MeanC != nil && math.Abs(*p.MeanC-room) > roomK {
			p.fail("%+.1f K from the room at %.1f degC", *p.MeanC-room, room)
			far++
		}
	}
	if far > 0 {
		z.bad = append(z.bad, fmt.Sprintf("%d of %d probes are more than %g K from the room at %.1f degC; leave the rig unpowered for two hours", far, len(z.res.Probes), roomK, room))
	}
}

// slopes wants every probe at rest.
func (z *check) slopes() {
	if z.in.LengthS < shortestS {
		z.bad = append(z.bad, fmt.Sprintf("%.0f s are too short to tell a slope; take %g s or more", z.in.LengthS, shortestS))
		return
	}
	steepest, moving := 0.0, 0
	for i := range z.res.Probes {
		p := &z.res.Probes[i]
		if p.SlopeKPer10Min == nil {
			if p.MeanC != nil {
				p.fail("too few readings for a slope")
				z.bad = append(z.bad, p.Channel+" has too few readings for a slope")
			}
			continue
		}
		s := *p.SlopeKPer10Min
		if math.Abs(s) >= math.Abs(steepest) {
			steepest = s
			z.res.SlopeKPer10Min = series.OrNil(s)
		}
		if math.Abs(s) > slopeK {
			p.fail("moves by %+.2f K in 10 min", s)
			moving++
		}
	}
	if moving > 0 {
		z.bad = append(z.bad, fmt.Sprintf("%d of %d probes move by more than %g K in 10 min; the rig is not at rest", moving, len(z.res.Probes), slopeK))
	}
}

// correct gives every probe its offset and correction, and looks at the cap.
func (z *check) correct() {
	if z.res.ReferenceC == nil {
		return
	}
	for i := range z.res.Probes {
		if p := &z.res.Probes[i]; p.MeanC != nil {
			off := *p.MeanC - *z.res.ReferenceC
			p.OffsetK, p.CorrectionK = series.OrNil(off), series.OrNil(-off)
			z.capped(i, off)
		}
	}
}

// capped refuses a trim that, with the one in force, would exceed the cap: small
// steps don't add up to what hides a fault.
func (z *check) capped(i int, off float64) {
	p, s := &z.res.Probes[i], &z.in.Probes[i]
	total := -off
	if s.Trimmed && z.res.Method != "steam_point" {
		total += s.OffsetK
	}
	if math.Abs(off) > capK || math.Abs(total) > capK {
		p.fail("would need a trim of %+.2f K in all, more than %g K: look for a fault in probe, wire or converter", total, capK)
		z.bad = append(z.bad, fmt.Sprintf("%s would need a trim of %+.2f K in all, more than %g K", s.Channel, total, capK))
	}
}

// finish says whether all is well and whether a trim may be made.
func (z *check) finish(passed bool) {
	z.res.Passed = passed && len(z.bad) == 0
	z.res.TrimRefused = strings.Join(z.bad, "; ")
	for _, b := range z.bad {
		z.say("%s", b)
	}
	if z.res.ReferenceC != nil {
		z.say("reference %.2f degC: %s", *z.res.ReferenceC, z.res.ReferenceFrom)
	}
}
