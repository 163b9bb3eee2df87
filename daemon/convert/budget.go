package convert

import (
	"math"

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
// near 100 degC of the wire's, standard uncertainties in K (common practice).
const (
	trimmedConverterK = 0.30
	trimmedColdK      = 0.15
	trimmedTerminalK  = 0.10
	checkedWireK      = 0.30
	checkedFromC      = 90
)

// line is a budget line ready for evaluation.
type line struct {
	record.Line
	acts     acts
	wire     bool    // the half width is the tolerance class at the value
	capK     float64 // at most this standard uncertainty, after a trim or check; zero: none
	residueK float64 // what is not shared even where the key is
	key      string
}

type acts uint8

const (
	onValue acts = iota
	onEMF
	onCold
)

// stated collects the lines of a channel: wire, converter, resolution, what rig.yaml
// adds, calibration.
func (t *Table) stated(c *channel) []line {
	var lines []line
	cal := c.Calibration
	trimmed := cal != nil && cal.Trimmed
	if c.couple.Valid() && c.class.Valid() {
		l := line{wire: true, residueK: lotSpreadK, Line: record.Line{
			Name: "wire, type " + c.Couple + " class " + c.Class, SharedBy: "spool", Source: "tolerance class " + c.Class,
		}}
		if cal != nil && len(cal.Table) > 0 && cal.Table[len(cal.Table)-1].ReferenceC >= checkedFromC {
			l.capK, l.Source = checkedWireK, l.Source+", checked "+cal.Checked
		}
		lines = append(lines, l)
	}
	for _, s := range c.Converter.Lines {
		l := line{Line: s, acts: where(s.In), residueK: channelRepeatK}
		if trimmed {
			l.capK = trimmedConverterK
			if l.acts == onCold {
				l.capK = trimmedColdK
			}
		}
		lines = append(lines, l)
	}
	if l, ok := c.resolution(); ok {
		lines = append(lines, l)
	}
	for _, s := range c.Lines {
		l := line{Line: s, acts: where(s.In)}
		if trimmed && s.Name == "terminal gradient" {
			l.capK = trimmedTerminalK
		}
		lines = append(lines, l)
	}
	if cal != nil && cal.UncertainK > 0 {
		lines = append(lines, line{Line: record.Line{
			Name: "calibration " + cal.ID, Half: cal.UncertainK, Sigma: 1, SharedBy: "channel", Source: cal.Evidence,
		}})
	}
	for i := range lines {
		lines[i].key = t.key(c, lines[i].SharedBy)
	}
	return lines
}

// resolution is half a step of the code, where a step is a fixed part of the unit.
func (c *channel) resolution() (line, bool) {
	l := line{Line: record.Line{Name: "resolution", Half: math.Abs(c.Converter.PerCode) / 2, Source: "one step of the code"}}
	switch c.Converter.Law {
	case record.LawEMF:
		l.acts = onEMF
	case record.LawFixedSlope, record.LawLinearised, record.LawFixedSlopeNoCold, record.LawLinear:
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

// key names the thing that results share.
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
		return "converter:" + c.Converter.Model
	case "channel":
		return "channel:" + rig + "/" + c.Name
	}
	return sharedBy + ":" + rig
}

// standard is the line's standard uncertainty in the channel's unit, with the half
// width as it acts there; seebeck values are in V/K and zero without a thermocouple.
func (c *channel) standard(l *line, value float64, atHot, atCold float64) (halfK, standardK float64) {
	half := l.Half
	switch {
	case l.wire:
		tol, _, err := its90.Tolerance(c.couple, c.class, value)
		if err != nil {
			tol = c.nearestTolerance(value)
		}
		half = tol
	case l.acts == onEMF:
		half += l.Rel * math.Abs(c.emf(value)) // the whole EMF: a little more than the converter sees
		if atHot == 0 {
			return 0, 0
		}
		half /= atHot
	case l.acts == onCold:
		half += l.Rel * math.Abs(value)
		if atHot != 0 {
			half *= atCold / atHot
		}
	default:
		half += l.Rel * math.Abs(value)
	}
	half = math.Abs(half)
	standardK = half / math.Sqrt(3)
	if l.Sigma > 0 {
		standardK = half / l.Sigma
	}
	if l.capK > 0 {
		standardK = min(standardK, l.capK)
	}
	return half, standardK
}

func (c *channel) emf(value float64) float64 {
	v, err := c.couple.EMFVolts(value)
	if err != nil {
		return 0
	}
	return v
}

// nearestTolerance is the class's tolerance at the end of its range that is nearest
// to value, for readings outside the range that the class covers: no class promises
// less there.
func (c *channel) nearestTolerance(value float64) float64 {
	for _, d := range []float64{10, 50, 100, 200, 400, 800} {
		for _, at := range []float64{value + d, value - d} {
			if tol, _, err := its90.Tolerance(c.couple, c.class, at); err == nil {
				return tol
			}
		}
	}
	return 0
}

// seebecks are dE/dt at the value and at the cold junction, zero without a couple.
func (c *channel) seebecks(value, coldC float64) (hot, cold float64) {
	if !c.couple.Valid() {
		return 0, 0
	}
	hot, err := c.couple.Seebeck(value)
	if err != nil {
		return 0, 0
	}
	cold, err = c.couple.Seebeck(coldC)
	if err != nil {
		cold = hot
	}
	return hot, cold
}

// variance is the combined variance of a value, without allocation.
func (c *channel) variance(value, coldC float64) float64 {
	hot, cold := c.seebecks(value, coldC)
	sum := 0.0
	for i := range c.lines {
		_, u := c.standard(&c.lines[i], value, hot, cold)
		sum += u * u
	}
	return sum
}

// Budget evaluates the uncertainty budget of a channel at a value, with the cold
// junction at coldC (which matters for thermocouples only). Lines that state nothing
// are left out; nil: nothing is stated for the channel.
func (t *Table) Budget(ch int, value, coldC float64) []record.BudgetLine {
	c := &t.channels[ch]
	hot, cold := c.seebecks(value, coldC)
	total := c.variance(value, coldC)
	var out []record.BudgetLine
	for i := range c.lines {
		l := &c.lines[i]
		half, u := c.standard(l, value, hot, cold)
		if u == 0 {
			continue
		}
		b := record.BudgetLine{
			Name: l.Name, HalfWidth: half, Unit: differenceUnit(c.Unit), Distribution: "rectangular",
			StandardK: u, Share: u * u / total, SharedBy: l.SharedBy, SharedKey: l.key, Source: l.Source,
		}
		if l.Sigma > 0 {
			b.Distribution = "normal"
		}
		if l.key != "" {
			b.SharedCorrelation = 1 - min(1, (l.residueK/u)*(l.residueK/u))
		}
		out = append(out, b)
	}
	return out
}

func differenceUnit(unit string) string {
	if unit == "degC" {
		return "K"
	}
	return unit
}
