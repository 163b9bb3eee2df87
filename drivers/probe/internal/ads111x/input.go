package ads111x

import (
	"fmt"
	"math"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/its90"
)

// InputOpts are the keys of one input.
type InputOpts struct {
	// Pair of pins, plus and minus: 0-1 (default), 2-3, 0-3 or 1-3.
	Pair string `yaml:"pair"`
	// OffsetUV is what the input reads with its leads shorted, in uV; it is
	// subtracted. Absent: the offset is unknown and the budget carries its limits.
	OffsetUV *float64 `yaml:"offset_uv"`
	// Biased says that resistors pull the open input to a rail.
	Biased             bool `yaml:"biased"`
	drivers.StepOption `yaml:",inline"`
}

// Options describes the keys for Info.
func (InputOpts) Options() []drivers.Option {
	return []drivers.Option{
		{Key: "pair", Scope: "input", Unit: "0-1 2-3 0-3 1-3", Default: "0-1", Help: "pins of the input, plus and minus"},
		{Key: "offset_uv", Scope: "input", Unit: "uV: -1000 to 1000", Default: "unknown", Help: "what soakd check reads at this very input with its leads shorted at the terminals; is subtracted. Give its date as the channel's checked: another input's offset does not serve"},
		{Key: "biased", Scope: "input", Unit: "true false", Default: "false", Help: "resistors pull the open input to a rail, so that an open circuit shows"},
	}
}

// Input is one thermocouple of a chip.
type Input struct {
	Index   int // in Source.Inputs
	Channel string
	Cfg     uint16 // the setting of its conversions

	pair   string
	couple its90.Type
	lsb    float64 // volts
	offset float64 // volts, added
	biased bool
	steps  drivers.Steps
}

// NewInput checks an input's options. base holds the bits of every setting, lsb is
// what one code is worth.
func NewInput(i int, raw drivers.Input, own InputOpts, base uint16, lsb float64) (*Input, error) {
	refuse := func(key, format string, args ...any) (*Input, error) {
		return nil, &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	mux, ok := pairs[own.Pair]
	if !ok {
		return refuse("pair", "%q: must be 0-1, 2-3, 0-3 or 1-3, the numbers of the chip's AIN pins, plus first", own.Pair)
	}
	if raw.Kind != 0 && raw.Kind != drivers.Temperature {
		return refuse("channel", "the driver reads thermocouples; give the channel kind temperature or none")
	}
	couple, err := its90.ParseType(raw.Couple)
	if err != nil {
		return refuse("couple", "give the channel's thermocouple letter: %v", err)
	}
	steps, err := own.Steps(i)
	if err != nil {
		return nil, err
	}
	in := &Input{Index: i, Channel: raw.Channel, Cfg: base | mux<<12, pair: own.Pair, couple: couple, lsb: lsb, biased: own.Biased, steps: steps}
	if own.OffsetUV != nil {
		if !(math.Abs(*own.OffsetUV) <= 1000) {
			return refuse("offset_uv", "%g uV: more than any good part has; were the leads shorted?", *own.OffsetUV)
		}
		in.offset = -*own.OffsetUV * 1e-6
	}
	return in, nil
}

const familySheet = "ADS1115-Q1 data sheet SBAS563 p3, same converter core"

// Budget completes a converter by the offset and the lines that follow from it.
// limit is the part's offset before calibration in volts, as source says.
func (o InputOpts) Budget(c *drivers.Converter, limit float64, source string) {
	if o.OffsetUV == nil {
		c.Lines = append(c.Lines, drivers.Line{Name: "offset, not calibrated", Half: limit, In: drivers.OnEMF, SharedBy: "converter", Source: source})
		return
	}
	c.Offset = -*o.OffsetUV * 1e-6
	const lsbAt2V = 62.5e-6
	c.Lines = append(c.Lines,
		drivers.Line{Name: "offset after calibration", Half: c.PerCode, In: drivers.OnEMF, SharedBy: "converter", Source: "one step of the code; common practice"},
		drivers.Line{Name: "offset drift since calibration, 20 K of the chip and 0.1 V of its supply", Half: (20*0.005 + 0.1*1) * lsbAt2V, In: drivers.OnEMF, SharedBy: "converter",
			Source: familySheet + ": 0.005 LSB/degC and 1 LSB/V at +-2.048 V; 20 K and 0.1 V: common practice"})
}

// judge looks at one input's code with the cold junction of the same round.
func (in *Input) judge(r *drivers.Reading, cold Cold, at time.Time) {
	if cold.Cause != nil {
		r.Fail(drivers.ColdJunction, fmt.Errorf("channel %s: %w", in.Channel, cold.Cause))
	}
	if r.Code == RailHigh || r.Code == RailLow {
		f, text := drivers.OutOfRange, "the input is at the end of its range"
		if in.biased {
			f, text = drivers.Open, "the bias resistors pull the input to the end of its range: open circuit"
		}
		r.Fail(f, fmt.Errorf("channel %s: code %d: %s", in.Channel, r.Code, text))
	}
	if r.Faults != 0 {
		return
	}
	e, err := in.couple.EMFVolts(cold.DegC)
	var probeC float64
	if err == nil {
		probeC, err = in.couple.TempC(e + float64(r.Code)*in.lsb + in.offset)
	}
	if err != nil {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: %.1f uV with the cold junction at %.2f degC: %w", in.Channel, float64(r.Code)*in.lsb*1e6, cold.DegC, err))
		return
	}
	if cause := in.steps.Check(probeC, at); cause != nil {
		r.Fail(drivers.Implausible, fmt.Errorf("channel %s: %w", in.Channel, cause))
	}
}
