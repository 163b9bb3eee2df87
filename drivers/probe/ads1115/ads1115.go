// Package ads1115 reads thermocouples through ADS1115 converters over I2C. The
// chip has no temperature sensor: one of its pins reads an analog sensor (so many
// millivolts per degC) at the terminals, the external cold junction. The driver
// hands out both codes of one round; soakd linearises.
//
// After a change of input the data register holds the previous input's result
// until a conversion has ended: the driver starts one conversion at a time and
// takes its result only when the chip says that it is done with that setting. The
// chip's offset must be calibrated by the host, input by input: short the input's
// leads, and give what soakd check reads as offset_uv.
package ads1115

import (
	"context"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/probe/internal/ads111x"
)

// Opts are the keys of the source.
type Opts struct {
	// Rate in samples per second: 8 16 32 64 128 250 475 860. Default 64.
	Rate int `yaml:"rate"`
	// Junction is the cold junction's sensor, the same for every chip of the source.
	Junction           Junction `yaml:"junction"`
	drivers.StepOption `yaml:",inline"`
}

// Junction is an analog temperature sensor on a pin.
type Junction struct {
	// Pin of the chip: 2 or 3 (default).
	Pin int `yaml:"pin"`
	// MVPerC is the sensor's slope in mV per degC. Default 10.
	MVPerC float64 `yaml:"mv_per_c"`
	// ZeroMV is its output at 0 degC in mV. Default 500.
	ZeroMV float64 `yaml:"zero_mv"`
	// AccuracyC are the limits of its error in degC, from its own data sheet; required.
	AccuracyC float64 `yaml:"accuracy_c"`
}

// InputOpts are the keys of one input.
type InputOpts struct {
	// Address is the chip's I2C address, 0x48 (default) to 0x4B.
	Address           uint16 `yaml:"address"`
	ads111x.InputOpts `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "ads1115",
	Info: drivers.Info{
		Summary: "ADS1115 converter with thermocouples on its differential inputs, all types; an analog sensor on a pin is the cold junction",
		Bus:     "I2C at most 400 kHz, addresses 0x48 to 0x4B; inputs of one chip name the same port and address",
		Options: append(append([]drivers.Option{
			{Key: "rate", Scope: "source", Unit: "per second: 8 16 32 64 128 250 475 860", Default: "64", Help: "each reading takes one conversion for the cold junction and one per input"},
			{Key: "junction", Scope: "source", Unit: "map: pin (2 or 3), mv_per_c (mV/degC: 0.5 to 100), zero_mv (mV: -2000 to 2000), accuracy_c (degC)", Default: "", Help: "the sensor at the terminals; defaults: pin 3, 10 mV/degC, 500 mV at 0 degC; accuracy_c is required"},
			{Key: "address", Scope: "input", Unit: "0x48 to 0x4B", Default: "0x48", Help: "I2C address of the chip"},
		}, ads111x.InputOpts{}.Options()...), drivers.StepOption{}.Options()...),
		Fastest:  4 * time.Millisecond,
		Detects:  []string{"no chip (no acknowledge, data line stuck)", "lost configuration", "a conversion that had not ended", "an open circuit, with bias resistors", "EMF or cold junction out of range", "steps faster than any copper mass"},
		Misses:   []string{"an open circuit without bias resistors", "shorts of any kind (a shorted input reads the cold junction)", "reversed leads", "a cold-junction sensor with other figures than configured, or one of 0 mV at 0 degC that is not connected (reads 0 degC)", "the offset of an input that was not calibrated"},
		Accuracy: []string{"gain +-0.15 %; offset +-3 LSB at +-2.048 V, 188 uV, 4.6 K of type K, before calibration (" + sheetQ + ", p3)", "cold junction: the sensor's own accuracy, given as accuracy_c"},
		Caution:  "pins must stay within 0.3 V of ground and supply: insulate the junction. The rate is 10 % uncertain, so its notch is no mains filter.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		dev, err := New(host, src)
		if err != nil {
			return nil, err
		}
		return dev, nil
	},
}

// Dev is an open source of one or more chips.
type Dev = ads111x.Dev

// place is a chip: its bus and address.
type place struct {
	port    string
	address uint16
}

// New checks src and opens its chips. It does not talk to them.
func New(host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Rate: 64, Junction: Junction{Pin: 3, MVPerC: 10, ZeroMV: 500}, StepOption: drivers.DefaultStep()}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	base, err := o.check()
	if err != nil {
		return nil, err
	}
	var chips []*ads111x.Chip
	var convs []drivers.Converter
	at := map[place]*ads111x.Chip{}
	address := map[*ads111x.Chip]uint16{}
	for i, raw := range src.Inputs {
		in, own, err := o.input(i, raw, base)
		if err != nil {
			return nil, err
		}
		where := place{bus.Key(raw.Port), own.Address}
		c := at[where]
		if c == nil {
			c = &ads111x.Chip{Host: host, Rate: o.Rate, ColdCfg: base | junctionGain | singles[o.Junction.Pin]<<12}
			at[where], address[c] = c, own.Address
			chips = append(chips, c)
		}
		if err := c.Add(in, fmt.Sprintf("%#02x", own.Address)); err != nil {
			return nil, err
		}
		convs = append(convs, o.converter(own))
	}
	return ads111x.Open("ads1115", src, chips, convs, 2*time.Millisecond, func(c *ads111x.Chip) (ads111x.Bus, error) {
		first := src.Inputs[c.Inputs[0].Index]
		conn, err := host.I2C(bus.I2COptions{Port: first.Port, Address: address[c], Max: 400 * physic.KiloHertz, For: first.Channel})
		if err != nil {
			return nil, err
		}
		return &part{host: host, conn: conn, rate: o.Rate,
			coldZero: int64(math.Round(o.Junction.ZeroMV * 1e-3 / junctionPer)), coldPer: o.Junction.perCode()}, nil
	})
}

// perCode is what a code of the junction's sensor is worth in degC.
func (j Junction) perCode() float64 { return junctionPer * 1e3 / j.MVPerC }

// check refuses what the chip can't do and returns the bits common to all settings.
func (o Opts) check() (base uint16, err error) {
	refuse := func(key, format string, args ...any) (uint16, error) {
		return 0, &drivers.OptionError{Input: -1, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	j := o.Junction
	switch {
	case j.Pin != 2 && j.Pin != 3:
		return refuse("junction", "pin %d: must be 2 or 3", j.Pin)
	case j.MVPerC < 0.5 || j.MVPerC > 100:
		return refuse("junction", "mv_per_c %g: must be 0.5 to 100 mV/degC", j.MVPerC)
	case math.Abs(j.ZeroMV) > 2000:
		return refuse("junction", "zero_mv %g: must be within +-2000 mV, the range of the input", j.ZeroMV)
	case !(j.AccuracyC > 0):
		return refuse("junction", "accuracy_c is missing: give the limits of the sensor's error in degC, from its data sheet; it passes into every result")
	}
	rate, ok := ads111x.RateBits(o.Rate)
	if !ok {
		return refuse("rate", "%d: must be %s", o.Rate, ads111x.RateWords)
	}
	return ads111x.SingleRun | noCompare | rate, nil
}

func (o Opts) input(i int, raw drivers.Input, base uint16) (*ads111x.Input, InputOpts, error) {
	own := InputOpts{Address: 0x48, InputOpts: ads111x.InputOpts{Pair: "0-1", StepOption: o.StepOption}}
	if err := raw.Options.Decode(&own); err != nil {
		return nil, own, err
	}
	if err := raw.NoSelect(i, "its address on the I2C bus"); err != nil {
		return nil, own, err
	}
	refuse := func(key, format string, args ...any) (*ads111x.Input, InputOpts, error) {
		return nil, own, &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	if own.Address < 0x48 || own.Address > 0x4B {
		return refuse("address", "%d, which is %#02x: must be 0x48 to 0x4B, with the 0x", own.Address, own.Address)
	}
	in, err := ads111x.NewInput(i, raw, own.InputOpts, base|coupleGain, couplePer)
	if err != nil {
		return nil, own, err
	}
	if pin := byte('0' + o.Junction.Pin); own.Pair[0] == pin || own.Pair[2] == pin {
		return refuse("pair", "%s uses pin %d, which reads the cold junction's sensor", own.Pair, o.Junction.Pin)
	}
	return in, own, nil
}

func (o Opts) converter(own InputOpts) drivers.Converter {
	c := drivers.Converter{
		Model: "ADS1115", Law: drivers.LawEMF, Kind: drivers.Temperature, Unit: "degC",
		PerCode: couplePer, ColdPerCode: o.Junction.perCode(), Conversion: ads111x.Conversion(o.Rate),
		Lines: []drivers.Line{
			{Name: "converter gain", Rel: 0.0015, In: drivers.OnEMF, SharedBy: "converter", Source: sheetQ + ", p3"},
			{Name: "cold junction's sensor", Half: o.Junction.AccuracyC, In: drivers.OnCold, SharedBy: "converter", Source: "accuracy_c in the configuration"},
			{Name: "step of the code", Half: couplePer / 2, In: drivers.OnEMF, Source: sheet + ", table 3"},
			{Name: "step of the cold junction's code", Half: o.Junction.perCode() / 2, In: drivers.OnCold, Source: sheet + ", table 3"},
		},
	}
	own.Budget(&c, 187.5e-6, sheetQ+", p3, +-3 LSB at +-2.048 V")
	return c
}
