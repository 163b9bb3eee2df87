// Package convert turns codes into values, in one place: live in the daemon, on
// replay of an old night, and offline in the client. It knows the reference
// functions (its90), the calibrations and the uncertainty budget of every channel.
// It reads no chip, keeps no history beyond external cold junctions, and never
// makes a value where there is a fault.
//
// A thermocouple's temperature is t(E(tcj) + V): the EMF V at the converter plus
// the EMF of the cold junction, put through the inverse reference function
// (IEC 60584-1). A chip that adds a cold junction in degrees with a fixed slope is
// turned back into EMF first; a chip that linearises correctly is left alone, unless
// rig.yaml names a better cold junction than the chip's own; a chip that hides its
// cold junction can't be corrected, and its budget carries what that costs.
//
// Every product is wrapped in float64(...), which forbids fusing it with the addition
// that follows: a night recorded on one machine and converted on another gives the
// same bits.
package convert

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// Evidence tells which of a value's numbers are there. Absent is not zero.
type Evidence uint8

// The evidence a value may carry.
const (
	HasEMF         Evidence = 1 << iota // EMFVolts
	HasCold                             // ColdC
	HasChip                             // ChipC
	HasUncorrected                      // Uncorrected
)

// Value is what a reading means.
type Value struct {
	Faults      record.Faults // zero: Value holds
	Value       float64       // in the channel's unit, calibration applied
	Expanded    float64       // expanded uncertainty, k = 2, same unit; zero: not stated
	EMFVolts    float64       // at the converter's input
	ColdC       float64       // cold junction
	ChipC       float64       // the chip's own number
	Uncorrected float64       // Value before the calibration
	Has         Evidence
}

// Table is a compiled layout. It serves one goroutine: it remembers the newest value
// of channels that are the cold junction of others, and the uncertainties that it has
// worked out.
type Table struct {
	layout   *record.Layout
	channels []channel
	cold     []coldValue // by channel; only those that others refer to are kept
}

type coldValue struct {
	valueC float64
	ok     bool
	wanted bool
}

type channel struct {
	*record.Channel
	couple    its90.Type // zero: no thermocouple
	coldIndex int        // channel that is the cold junction; -1: the chip's or a fixed one
	budget
}

// New compiles a layout. It fails for what no reading could be converted with: an
// unknown law, couple, class or cold-junction channel, cold junctions in a circle, a
// calibration table that does not ascend. What is merely doubtful is for [Warnings].
func New(l *record.Layout) (*Table, error) {
	t := &Table{layout: l, channels: make([]channel, len(l.Channels)), cold: make([]coldValue, len(l.Channels))}
	for i := range l.Channels {
		if err := t.compile(i); err != nil {
			return nil, fmt.Errorf("channel %s: %w", l.Channels[i].Name, err)
		}
	}
	for i := range t.channels {
		if err := t.circle(i); err != nil {
			return nil, err
		}
	}
	for _, s := range l.Sources {
		for _, i := range s.Channels {
			if i < 0 || i >= len(l.Channels) {
				return nil, fmt.Errorf("source %s has channel number %d of %d", s.Name, i, len(l.Channels))
			}
		}
	}
	for i := range t.channels {
		t.stated(i)
	}
	return t, nil
}

func (t *Table) compile(i int) (err error) {
	c := &t.channels[i]
	c.Channel, c.coldIndex = &t.layout.Channels[i], -1
	if law := c.Converter.Law; law > record.LawFloat64 {
		return fmt.Errorf("law %d is not known to this version", law)
	}
	if c.thermocouple() {
		if c.couple, err = its90.ParseType(c.Couple); err != nil {
			return err
		}
		if err := c.wire(); err != nil {
			return err
		}
	}
	if cal := c.Calibration; cal != nil && !slices.IsSortedFunc(cal.Table, func(a, b record.Correction) int { return cmp.Compare(a.ReferenceC, b.ReferenceC) }) {
		return fmt.Errorf("calibration %s: the references of its table must ascend", cal.ID)
	}
	return t.junction(c)
}

// junction finds where the cold junction of a channel comes from.
func (t *Table) junction(c *channel) error {
	switch {
	case c.Cold.From == "" || c.Cold.From == "chip":
	case c.Cold.From == "fixed" && c.Cold.FixedC != nil:
	case c.Cold.From == "channel":
		for j := range t.layout.Channels {
			if t.layout.Channels[j].Name == c.Cold.Channel {
				c.coldIndex = j
				t.cold[j].wanted = true
			}
		}
		if c.coldIndex < 0 {
			return fmt.Errorf("cold junction: no channel %q", c.Cold.Channel)
		}
	default:
		return fmt.Errorf("cold junction: %q is not chip, channel or fixed with a temperature", c.Cold.From)
	}
	return nil
}

// circle refuses cold junctions that depend on themselves.
func (t *Table) circle(i int) error {
	at := i
	for range t.channels {
		if at = t.channels[at].coldIndex; at < 0 {
			return nil
		}
	}
	return fmt.Errorf("channel %s: its cold junction depends on itself; name a sensor that needs none", t.channels[i].Name)
}

func (c *channel) thermocouple() bool { return thermocouple(c.Converter.Law) }

func thermocouple(law record.Law) bool {
	switch law {
	case record.LawEMF, record.LawFixedSlope, record.LawLinearised, record.LawFixedSlopeNoCold:
		return true
	}
	return false
}

// Layout is what the table was compiled from.
func (t *Table) Layout() *record.Layout { return t.layout }

// Convert fills out with what the readings of s mean, one element per reading. It
// allocates nothing. It fails only when s does not fit the layout.
func (t *Table) Convert(s *record.Sample, out []Value) error {
	if s.Layout != t.layout.ID || int(s.Source) >= len(t.layout.Sources) {
		return fmt.Errorf("sample of layout %d, source %d does not belong to layout %d", s.Layout, s.Source, t.layout.ID)
	}
	src := &t.layout.Sources[s.Source]
	if len(s.Raw) != len(src.Channels) || len(out) != len(s.Raw) {
		return fmt.Errorf("sample of %s has %d readings for %d channels, room for %d", src.Name, len(s.Raw), len(src.Channels), len(out))
	}
	for i := range s.Raw {
		ch := src.Channels[i]
		c := &t.channels[ch]
		out[i] = c.convert(&s.Raw[i], t)
		if t.cold[ch].wanted {
			t.cold[ch].valueC, t.cold[ch].ok = out[i].Value, out[i].Faults == 0
		}
	}
	return nil
}

// convert turns one reading into a value.
func (c *channel) convert(raw *record.Raw, t *Table) Value {
	v := Value{Faults: raw.Faults}
	c.evidence(raw, &v)
	if v.Faults != 0 {
		return v
	}
	if raw.Has&record.HasCode == 0 {
		v.Faults |= record.BusError // a reading with neither code nor fault says nothing
		return v
	}
	value, faults := c.quantity(raw, &v, t)
	if faults == 0 && (math.IsNaN(value) || math.IsInf(value, 0)) {
		faults = record.OutOfRange
	}
	if faults != 0 {
		v.Faults |= faults
		return v
	}
	v.Value = value
	if cal := c.Calibration; cal != nil {
		v.Uncorrected = value
		v.Has |= HasUncorrected
		v.Value = Correct(cal, value)
	}
	coldC := nominalColdC
	if v.Has&HasCold != 0 {
		coldC = v.ColdC
	}
	v.Expanded = float64(2 * math.Sqrt(t.nearVariance(c, v.Value, coldC)))
	return v
}

// evidence fills in what the chip said, faults or not.
func (c *channel) evidence(raw *record.Raw, v *Value) {
	conv := &c.Converter
	if raw.Has&record.HasCold != 0 && conv.ColdPerCode != 0 {
		v.ColdC = float64(float64(raw.Cold) * conv.ColdPerCode)
		v.Has |= HasCold
	}
	if raw.Has&record.HasCode == 0 {
		return
	}
	switch conv.Law {
	case record.LawFixedSlope:
		v.ChipC = scaled(float64(raw.Code), conv)
		v.Has |= HasChip
		if v.Has&HasCold != 0 {
			v.EMFVolts = float64((v.ChipC - v.ColdC) * conv.SlopeVoltsPerK)
			v.Has |= HasEMF
		}
	case record.LawEMF:
		v.EMFVolts = scaled(float64(raw.Code), conv)
		v.Has |= HasEMF
	case record.LawLinearised, record.LawFixedSlopeNoCold:
		v.ChipC = scaled(float64(raw.Code), conv)
		v.Has |= HasChip
	}
}

// quantity computes the value before calibration.
func (c *channel) quantity(raw *record.Raw, v *Value, t *Table) (float64, record.Faults) {
	conv := &c.Converter
	code := float64(raw.Code)
	var fault record.Faults
	switch conv.Law {
	case record.LawFixedSlope:
		if v.Has&HasEMF == 0 {
			return 0, record.ColdJunctionFault // the chip's own cold junction is part of its number
		}
		return c.hot(v, t)
	case record.LawEMF:
		return c.hot(v, t)
	case record.LawLinearised:
		if !c.ownJunction() {
			if v.EMFVolts, fault = c.impliedVolts(v); fault != 0 {
				return 0, fault
			}
			v.Has |= HasEMF
			return c.hot(v, t)
		}
		return v.ChipC, 0
	case record.LawFixedSlopeNoCold:
		return v.ChipC, 0
	case record.LawRTD:
		valueC, err := rtdC(scaled(code, conv), conv.R0Ohms)
		if err != nil {
			return 0, record.OutOfRange
		}
		return valueC, 0
	case record.LawLinear:
		return scaled(code, conv), 0
	case record.LawFloat32:
		return scaled(float64(math.Float32frombits(uint32(raw.Code))), conv), 0
	case record.LawFloat64:
		return scaled(math.Float64frombits(uint64(raw.Code)), conv), 0
	}
	return 0, record.BusError // the source was never open: nothing says what a code means
}

// scaled is what a number of the device is worth.
func scaled(code float64, conv *record.Converter) float64 {
	return float64(code*conv.PerCode) + conv.Offset
}

// ownJunction says whether the chip's own cold junction is the channel's.
func (c *channel) ownJunction() bool { return c.Cold.From == "" || c.Cold.From == "chip" }

// impliedVolts is the EMF that a chip which linearises correctly must have seen.
func (c *channel) impliedVolts(v *Value) (float64, record.Faults) {
	if v.Has&HasCold == 0 {
		return 0, record.ColdJunctionFault
	}
	hot, err := c.couple.EMFVolts(v.ChipC)
	if err != nil {
		return 0, record.OutOfRange
	}
	cold, err := c.couple.EMFVolts(v.ColdC)
	if err != nil {
		return 0, record.ColdJunctionFault
	}
	return hot - cold, 0
}

// hot is t(E(tcj) + V).
func (c *channel) hot(v *Value, t *Table) (float64, record.Faults) {
	switch {
	case c.Cold.FixedC != nil && c.Cold.From == "fixed":
		v.ColdC, v.Has = *c.Cold.FixedC, v.Has|HasCold
	case c.coldIndex >= 0:
		ext := t.cold[c.coldIndex]
		if !ext.ok {
			v.Has &^= HasCold
			return 0, record.ColdJunctionFault
		}
		v.ColdC, v.Has = ext.valueC, v.Has|HasCold
	case v.Has&HasCold == 0:
		return 0, record.ColdJunctionFault
	}
	coldVolts, err := c.couple.EMFVolts(v.ColdC)
	if err != nil {
		return 0, record.ColdJunctionFault
	}
	valueC, err := c.couple.TempC(coldVolts + v.EMFVolts)
	if err != nil {
		return 0, record.OutOfRange
	}
	return valueC, 0
}
