package convert

import (
	"errors"
	"math"
	"strings"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// What a repeated use of the same thing leaves over, standard uncertainties in K:
// two results that share a spool, or a channel, share all of a line but this.
const (
	lotSpreadK     = 0.07 // cuts of one lot of type K wire, 1 standard deviation, national-laboratory comparison 100..1100 degC
	channelRepeatK = 0.10 // converter and cold junction of the same channel from run to run; common practice
)

// What a zero-spread trim leaves of the converter's lines, and a check of the spool
// near 100 degC of the wire's, standard uncertainties in K (common practice). A trim
// is made where the converter sees no EMF, so it leaves a gain error as it was.
const (
	trimmedConverterK = 0.30
	trimmedColdK      = 0.15
	trimmedTerminalK  = 0.10
	checkedWireK      = 0.30
	checkedFromC      = 90
)

// About cold junctions (common practice).
const (
	nominalColdC  = 25.0     // where nothing tells the cold junction
	coldDriftKPS  = 0.5 / 60 // how fast a terminal block drifts at most, K/s
	assumedColdK  = 2.0      // of a fixed cold junction that nobody measures
	iceBathK      = 0.1      // of one at 0 degC: an ice bath
	hiddenColdMin = 20.0     // degC, a converter chip in its enclosure
	hiddenColdMax = 40.0     // degC
)

const nsPerS = 1e9

// root3 is half width over standard deviation of a rectangular distribution.
const root3 = 1.7320508075688772

// budget is what a channel's value is uncertain by.
type budget struct {
	class       its90.Class // zero: no class is stated, or none that covers the couple
	classLowC   float64     // where the class promises something
	classHighC  float64
	lines       []line
	near        [2]nearby // uncertainties worked out before, by whole degrees
	lowC, highC float64   // range of the reference function
}

// nearby is the variance at whole degrees of value and cold junction.
type nearby struct {
	valueC, coldC int32
	known         bool
	variance      float64
}

// line is a budget line ready for evaluation.
type line struct {
	record.Line
	acts     acts
	capK     float64 // at most this standard uncertainty of Half, after a trim or check; zero: none
	residueK float64 // what is not shared even where the key is
	key      string
}

// acts says where a line acts, or by what it is worked out.
type acts uint8

const (
	onValue acts = iota
	onEMF
	onCold
	byClass // the tolerance class at the value
	bySlope // the error of a fixed slope that can't be undone
	byBlock // the budget of the channel that is the cold junction
)

// wire finds the tolerance class of a thermocouple and its range.
func (c *channel) wire() error {
	c.lowC, c.highC = c.couple.Range()
	if c.Class == "" {
		return nil
	}
	class, err := its90.ParseClass(c.Class)
	if err != nil {
		return err
	}
	var ok bool
	if c.classLowC, c.classHighC, ok = classRange(c.couple, class); ok {
		c.class = class
	}
	return nil
}

// classRange is where a class promises something for a couple, in degC; ok is false
// when it does not cover the couple at all.
func classRange(couple its90.Type, class its90.Class) (lowC, highC float64, ok bool) {
	var outside *its90.RangeError
	if _, _, err := its90.Tolerance(couple, class, math.NaN()); !errors.As(err, &outside) {
		return 0, 0, false
	}
	return outside.Min, outside.Max, true
}

// stated collects the lines of a channel: wire, converter, step of the code, cold
// junction, what rig.yaml adds, calibration.
func (t *Table) stated(i int) {
	c := &t.channels[i]
	cal := c.Calibration
	trimmed := cal != nil && cal.Trimmed
	if c.class.Valid() {
		l := line{acts: byClass, residueK: lotSpreadK, Line: record.Line{
			Name: "wire, type " + c.Couple + " class " + c.Class, SharedBy: "spool", Source: "tolerance class " + c.Class,
		}}
		if cal != nil && len(cal.Table) > 0 && cal.Table[len(cal.Table)-1].ReferenceC >= checkedFromC {
			l.capK, l.Source = checkedWireK, l.Source+", checked "+cal.Checked
		}
		c.lines = append(c.lines, l)
	}
	t.converterLines(c, trimmed)
	t.coldLines(c)
	for _, s := range c.Lines {
		l := line{Line: s, acts: where(s.In)}
		if trimmed && s.Name == "terminal gradient" {
			l.capK = trimmedTerminalK
		}
		c.lines = append(c.lines, l)
	}
	if cal != nil && cal.UncertainK > 0 {
		by := cal.SharedBy
		if by == "" {
			by = "channel"
		}
		c.lines = append(c.lines, line{Line: record.Line{
			Name: "calibration " + cal.ID, Half: cal.UncertainK, Sigma: 1, SharedBy: by, Source: cal.Evidence,
		}})
	}
	for i := range c.lines {
		l := &c.lines[i]
		if l.key == "" {
			l.key = t.key(c, l.SharedBy)
		}
	}
}

// converterLines are the lines of the data sheet, the step of the code where they
// hold none, and the fixed slope of a chip that can't be corrected.
func (t *Table) converterLines(c *channel, trimmed bool) {
	step, slope := false, false
	for _, s := range c.Converter.Lines {
		l := line{Line: s, acts: where(s.In)}
		if c.Kind == record.Temperature || c.Unit == "degC" {
			l.residueK = channelRepeatK
		}
		step = step || strings.HasPrefix(s.Name, "step of") || strings.HasSuffix(s.Name, "resolution")
		if l.acts == onCold && !c.ownJunction() && c.Converter.Law != record.LawFixedSlopeNoCold {
			// The chip's cold junction is not used. Where its number was undone with it,
			// its error cancels, and only the step of its code, which nothing shares, stays.
			if c.Converter.Law == record.LawEMF || s.SharedBy != "" {
				continue
			}
		}
		if trimmed {
			l.capK = trimmedConverterK
			if l.acts == onCold {
				l.capK = trimmedColdK
			}
		}
		if c.Converter.Law == record.LawFixedSlopeNoCold && strings.HasPrefix(s.Name, "fixed slope") {
			if c.Converter.SlopeVoltsPerK > 0 {
				continue // worked out below at the value itself
			}
			slope, l.capK = true, 0
		}
		c.lines = append(c.lines, l)
	}
	if l, ok := c.resolution(); ok && !step {
		c.lines = append(c.lines, l)
	}
	if c.Converter.Law == record.LawFixedSlopeNoCold && !slope && c.Converter.SlopeVoltsPerK > 0 {
		c.lines = append(c.lines, line{acts: bySlope, residueK: channelRepeatK, Line: record.Line{
			Name: "fixed slope of the chip, not corrected", SharedBy: "rig", Source: "computed from the reference function, cold junction 20 to 40 degC",
		}})
	}
}

// coldLines are those of a cold junction that is not the chip's: the sensor's own
// budget, and what it may have drifted since it was read.
func (t *Table) coldLines(c *channel) {
	switch {
	case !c.thermocouple() || c.ownJunction() || c.Converter.Law == record.LawFixedSlopeNoCold:
	case c.coldIndex >= 0:
		block := &t.channels[c.coldIndex]
		c.lines = append(c.lines,
			line{acts: byBlock, residueK: channelRepeatK, key: t.key(block, "channel"), Line: record.Line{
				Name: "cold junction by channel " + block.Name, SharedBy: "channel", Source: "budget of channel " + block.Name}},
			line{acts: onCold, Line: record.Line{
				Name: "cold junction read at another instant", Half: float64(coldDriftKPS * t.ageS(c.coldIndex)),
				Source: "common practice: a terminal block drifts by at most 0.5 K/min; the sensor's period and conversion time"}},
		)
	case *c.Cold.FixedC == 0:
		c.lines = append(c.lines, line{acts: onCold, Line: record.Line{Name: "cold junction in an ice bath", Half: iceBathK, Source: "common practice"}})
	default:
		c.lines = append(c.lines, line{acts: onCold, Line: record.Line{
			Name: "cold junction assumed, not measured", Half: assumedColdK, SharedBy: "room", Source: "common practice"}})
	}
}

// ageS is how old the newest value of a channel can be when another is converted.
func (t *Table) ageS(ch int) float64 {
	ns := t.channels[ch].Converter.ConversionNS
	for _, s := range t.layout.Sources {
		for _, i := range s.Channels {
			if i == ch {
				ns += s.EveryNS
			}
		}
	}
	return float64(ns) / nsPerS
}

// resolution is half a step of the code, where a step is a fixed part of the unit.
// Drivers that state the step themselves name the line "step of ...".
func (c *channel) resolution() (line, bool) {
	l := line{Line: record.Line{Name: "resolution", Half: math.Abs(c.Converter.PerCode) / 2, Source: "one step of the code"}}
	switch c.Converter.Law {
	case record.LawEMF:
		l.acts = onEMF
	case record.LawFixedSlope:
		l.acts, l.Half = onEMF, float64(l.Half*c.Converter.SlopeVoltsPerK)
	case record.LawLinearised, record.LawFixedSlopeNoCold, record.LawLinear:
	default:
		return line{}, false
	}
	return l, true
}

func where(in string) acts {
	switch in {
	case "emf":
		return onEMF
	case "cold":
		return onCold
	}
	return onValue
}

// key names the thing that results share. A converter is one chip, not a model:
// the limits of a data sheet hold for each part, and two parts of a model differ
// within them as much as any two.
func (t *Table) key(c *channel, sharedBy string) string {
	rig := t.layout.Rig
	switch sharedBy {
	case "":
		return ""
	case "spool":
		if c.Spool != "" {
			return "spool:" + c.Spool
		}
		return "spool:" + rig + "/" + c.Couple + "/" + c.Class
	case "converter":
		return "converter:" + c.Converter.Model + " at " + rig + "/" + c.Name
	case "channel":
		return "channel:" + rig + "/" + c.Name
	}
	return sharedBy + ":" + rig
}
