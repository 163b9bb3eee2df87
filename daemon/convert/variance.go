package convert

import (
	"math"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// point is where a budget is evaluated.
type point struct {
	value, coldC float64
	hot, cold    float64 // Seebeck coefficients at value and cold junction, V/K; zero without a couple
	volts        float64 // |EMF| that the converter sees
}

// at prepares the evaluation of a channel's budget. A value beyond the reference
// function (a calibration can push it there) is taken at the end of its range.
func (c *channel) at(value, coldC float64) point {
	p := point{value: value, coldC: coldC}
	if !c.couple.Valid() {
		return p
	}
	hotC, coldC := min(max(value, c.lowC), c.highC), min(max(coldC, c.lowC), c.highC)
	p.hot, p.cold = math.Abs(orZero(c.couple.Seebeck(hotC))), math.Abs(orZero(c.couple.Seebeck(coldC)))
	p.volts = math.Abs(orZero(c.couple.EMFVolts(hotC)) - orZero(c.couple.EMFVolts(coldC)))
	return p
}

func orZero(v float64, err error) float64 {
	if err != nil {
		return 0
	}
	return v
}

// standard is a line's half width where it acts on the value, and its standard
// uncertainty, both in the channel's unit. The half width of a line that is another
// budget is zero.
func (t *Table) standard(c *channel, l *line, p *point) (half, standard float64) {
	rel, scale := float64(l.Rel*math.Abs(p.value)), 1.0
	half = l.Half
	switch l.acts {
	case onEMF:
		if p.hot == 0 {
			return 0, 0
		}
		rel, scale = float64(l.Rel*p.volts), 1/p.hot
	case onCold:
		rel = float64(l.Rel * math.Abs(p.coldC))
		if p.hot != 0 {
			scale = p.cold / p.hot
		}
	case byClass:
		half = c.tolerance(p.value)
	case bySlope:
		half = c.slopeError(p.value)
	case byBlock:
		block := &t.channels[c.coldIndex]
		standard = math.Sqrt(t.variance(block, p.coldC, nominalColdC))
		if p.hot != 0 {
			standard = float64(standard * p.cold / p.hot)
		}
		return 0, standard
	}
	divisor := root3
	if l.Sigma > 0 {
		divisor = l.Sigma
	}
	half, rel = math.Abs(float64(half*scale)), float64(rel*scale)
	standard = half / divisor
	if l.capK > 0 {
		standard = min(standard, l.capK)
	}
	return half + rel, standard + rel/divisor
}

// tolerance is the half width that the class promises at valueC, in K. Outside the
// class's range, where it promises nothing, it is that at the nearer end: no wire of
// the class is known to be better there, and Warnings says so.
func (c *channel) tolerance(valueC float64) float64 {
	k, _, err := its90.Tolerance(c.couple, c.class, min(max(valueC, c.classLowC), c.classHighC))
	if err != nil {
		return 0 // never: the range is the class's own
	}
	return k
}

// slopeError is by how much the number of a chip with a fixed slope and a hidden cold
// junction can be off at chipC, in K: the largest over the cold junctions that a chip
// in an enclosure has.
func (c *channel) slopeError(chipC float64) float64 {
	worst := 0.0
	for _, coldC := range [...]float64{hiddenColdMin, (hiddenColdMin + hiddenColdMax) / 2, hiddenColdMax} {
		cold, err := c.couple.EMFVolts(coldC)
		if err != nil {
			continue
		}
		trueC, err := c.couple.TempC(cold + float64((chipC-coldC)*c.Converter.SlopeVoltsPerK))
		if err != nil {
			continue
		}
		worst = max(worst, math.Abs(trueC-chipC))
	}
	return worst
}

// variance is the combined variance of a value, without allocation.
func (t *Table) variance(c *channel, value, coldC float64) float64 {
	p := c.at(value, coldC)
	sum := 0.0
	for i := range c.lines {
		_, u := t.standard(c, &c.lines[i], &p)
		sum += float64(u * u)
	}
	return sum
}

// nearVariance is the variance of a thermocouple at the nearest whole degrees, where
// it differs by less than a hundredth of itself, remembered; of other channels the
// variance itself. It does not depend on what was asked before.
func (t *Table) nearVariance(c *channel, value, coldC float64) float64 {
	if !c.couple.Valid() || !(math.Abs(value) < 1e6 && math.Abs(coldC) < 1e6) {
		return t.variance(c, value, coldC)
	}
	v, k := int32(math.Round(value)), int32(math.Round(coldC))
	n := &c.near[v&1]
	if !n.known || n.valueC != v || n.coldC != k {
		*n = nearby{valueC: v, coldC: k, known: true, variance: t.variance(c, float64(v), float64(k))}
	}
	return n.variance
}

// Budget evaluates the uncertainty budget of a channel at a value, with the cold
// junction at coldC (which matters for thermocouples only; not a number: 25 degC).
// Lines that state nothing are left out; nil: nothing is stated for the channel.
// Two results share a line where name and SharedKey are equal, to the share of its
// variance that SharedCorrelation tells.
func (t *Table) Budget(ch int, value, coldC float64) []record.BudgetLine {
	if math.IsNaN(coldC) {
		coldC = nominalColdC
	}
	c := &t.channels[ch]
	p := c.at(value, coldC)
	total := t.variance(c, value, coldC)
	var out []record.BudgetLine
	for i := range c.lines {
		l := &c.lines[i]
		half, u := t.standard(c, l, &p)
		if u == 0 {
			continue
		}
		b := record.BudgetLine{
			Name: l.Name, HalfWidth: half, Unit: differenceUnit(c.Unit), Distribution: "rectangular",
			StandardK: u, Share: float64(u*u) / total, SharedBy: l.SharedBy, SharedKey: l.key, Source: l.Source,
		}
		if l.Sigma > 0 || l.acts == byBlock {
			b.Distribution = "normal"
		}
		if l.key != "" {
			own := l.residueK / u
			b.SharedCorrelation = 1 - min(1, float64(own*own))
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

// EMFVolts is the EMF at the converter's input: what the chip told, or what a chip
// that linearises correctly must have seen by its own number and cold junction. ok is
// false where neither is known.
func (t *Table) EMFVolts(ch int, v *Value) (volts float64, ok bool) {
	c := &t.channels[ch]
	if v.Has&HasEMF != 0 {
		return v.EMFVolts, true
	}
	if c.Converter.Law != record.LawLinearised || v.Has&HasChip == 0 || v.Faults != 0 {
		return 0, false
	}
	volts, fault := c.impliedVolts(v)
	return volts, fault == 0
}
