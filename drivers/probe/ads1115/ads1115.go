// Package ads1115 reads thermocouples through ADS1115 converters over I2C. The
// chip has no temperature sensor: one of its pins reads an analog sensor (so many
// millivolts per degC) at the terminals, the external cold junction. The driver
// hands out both codes of one round; soakd linearises.
//
// After a change of input the data register holds the previous input's result
// until a conversion has ended: the driver starts one conversion at a time and
// takes its result only when the chip says that it is done with that setting.
package ads1115

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/its90"
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
	Address uint16 `yaml:"address"`
	// Pair of pins, plus and minus: 0-1 (default), 2-3, 0-3 or 1-3.
	Pair string `yaml:"pair"`
	// OffsetUV is what the input reads with its leads shorted, in uV; it is subtracted.
	OffsetUV *float64 `yaml:"offset_uv"`
	// Biased says that resistors pull the open input to a rail.
	Biased             bool `yaml:"biased"`
	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "ads1115",
	Info: drivers.Info{
		Summary: "ADS1115 converter with thermocouples on its differential inputs, all types; an analog sensor on a pin is the cold junction",
		Bus:     "I2C at most 400 kHz, addresses 0x48 to 0x4B; inputs of one chip name the same port and address",
		Options: append([]drivers.Option{
			{Key: "rate", Scope: "source", Unit: "per second: 8 16 32 64 128 250 475 860", Default: "64", Help: "each reading takes one conversion for the cold junction and one per input"},
			{Key: "junction", Scope: "source", Unit: "map: pin (2 or 3), mv_per_c (mV/degC), zero_mv (mV), accuracy_c (degC)", Default: "", Help: "the sensor at the terminals; defaults: pin 3, 10 mV/degC, 500 mV at 0 degC; accuracy_c is required"},
			{Key: "address", Scope: "input", Unit: "0x48 to 0x4B", Default: "0x48", Help: "I2C address of the chip"},
			{Key: "pair", Scope: "input", Unit: "0-1 2-3 0-3 1-3", Default: "0-1", Help: "pins of the input, plus and minus"},
			{Key: "offset_uv", Scope: "input", Unit: "uV", Default: "unknown", Help: "what the input reads with its leads shorted; is subtracted"},
			{Key: "biased", Scope: "input", Unit: "true false", Default: "false", Help: "resistors pull the open input to a rail, so that an open circuit shows"},
		}, drivers.StepOption{}.Options()...),
		Fastest:  4 * time.Millisecond,
		Detects:  []string{"no chip (no acknowledge, data line stuck)", "lost configuration", "a conversion that had not ended", "an open circuit, with bias resistors", "EMF or cold junction out of range", "steps faster than any copper mass"},
		Misses:   []string{"an open circuit without bias resistors", "shorts of any kind (a shorted input reads the cold junction)", "reversed leads", "a cold-junction sensor with other figures than configured", "the offset of an input that was not calibrated"},
		Accuracy: []string{"gain +-0.15 %, offset as the ADS1118's: 125 uV, 3 K of type K, before calibration (" + sheet + ", p5; from memory)", "cold junction: the sensor's own accuracy, given as accuracy_c"},
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
type Dev struct {
	parts  []*part
	convs  []drivers.Converter
	closed atomic.Bool
}

var (
	_ drivers.Device = (*Dev)(nil)
	_ drivers.Prober = (*Dev)(nil)
)

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
	d := &Dev{}
	for i, raw := range src.Inputs {
		in, own, err := o.input(i, raw, base)
		if err != nil {
			return nil, err
		}
		if err := d.attach(host, src, i, in, own, o, base); err != nil {
			return nil, err
		}
		d.convs = append(d.convs, o.converter(own))
	}
	var need time.Duration
	for _, p := range d.parts {
		need += time.Duration(1+len(p.inputs)) * (conversion(o.Rate) + 2*time.Millisecond)
	}
	if src.Every < need {
		return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v is shorter than the conversions of one reading at %d per second, %v; raise the rate or read less often", src.Every, o.Rate, need)}
	}
	for _, p := range d.parts {
		first := src.Inputs[p.inputs[0].index]
		conn, err := host.I2C(bus.I2COptions{Port: first.Port, Address: p.address, Max: 400 * physic.KiloHertz, For: first.Channel})
		if err != nil {
			return nil, errors.Join(err, d.Close())
		}
		p.conn = conn
	}
	return d, nil
}

// attach puts an input on its chip.
func (d *Dev) attach(host *bus.Host, src drivers.Source, i int, in *input, own InputOpts, o Opts, base uint16) error {
	var p *part
	for _, have := range d.parts {
		if have.address == own.Address && bus.Key(src.Inputs[have.inputs[0].index].Port) == bus.Key(src.Inputs[i].Port) {
			p = have
		}
	}
	if p == nil {
		p = &part{host: host, address: own.Address, rate: o.Rate, coldCfg: base | junctionGain | singles[o.Junction.Pin]<<12,
			coldZero: int64(math.Round(o.Junction.ZeroMV * 1e-3 / junctionPer)), coldPer: o.Junction.perCode()}
		d.parts = append(d.parts, p)
	}
	for _, other := range p.inputs {
		if other.cfg == in.cfg {
			return &drivers.OptionError{Input: i, Key: "pair", Text: fmt.Sprintf("channels %s and %s are both on pair %s of the chip at %#02x", other.channel, in.channel, own.Pair, own.Address)}
		}
	}
	p.inputs = append(p.inputs, in)
	return nil
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
	for code, r := range rates {
		if r == o.Rate {
			return singleRun | noCompare | uint16(code)<<5, nil
		}
	}
	return refuse("rate", "%d: must be 8, 16, 32, 64, 128, 250, 475 or 860", o.Rate)
}

func (o Opts) input(i int, raw drivers.Input, base uint16) (*input, InputOpts, error) {
	own := InputOpts{Address: 0x48, Pair: "0-1", StepOption: o.StepOption}
	if err := raw.Options.Decode(&own); err != nil {
		return nil, own, err
	}
	refuse := func(key, format string, args ...any) (*input, InputOpts, error) {
		return nil, own, &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	mux, ok := pairs[own.Pair]
	if !ok {
		return refuse("pair", "%q: must be 0-1, 2-3, 0-3 or 1-3", own.Pair)
	}
	if pin := byte('0' + o.Junction.Pin); own.Pair[0] == pin || own.Pair[2] == pin {
		return refuse("pair", "%s uses pin %d, which reads the cold junction's sensor", own.Pair, o.Junction.Pin)
	}
	if own.Address < 0x48 || own.Address > 0x4B {
		return refuse("address", "%#02x: must be 0x48 to 0x4B", own.Address)
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
		return nil, own, err
	}
	in := &input{index: i, channel: raw.Channel, couple: couple, cfg: base | coupleGain | mux<<12, biased: own.Biased, steps: steps}
	if own.OffsetUV != nil {
		if math.Abs(*own.OffsetUV) > 1000 || math.IsNaN(*own.OffsetUV) {
			return refuse("offset_uv", "%g uV: more than any good part has; were the leads shorted?", *own.OffsetUV)
		}
		in.offset = -*own.OffsetUV * 1e-6
	}
	return in, own, nil
}

func (o Opts) converter(own InputOpts) drivers.Converter {
	c := drivers.Converter{
		Model: "ADS1115", Law: drivers.LawEMF, Kind: drivers.Temperature, Unit: "degC",
		PerCode: couplePer, ColdPerCode: o.Junction.perCode(), Conversion: conversion(o.Rate),
		Lines: []drivers.Line{
			{Name: "converter gain", Rel: 0.0015, In: drivers.OnEMF, SharedBy: "converter", Source: sheet + ", p5 (from memory)"},
			{Name: "cold junction's sensor", Half: o.Junction.AccuracyC, In: drivers.OnCold, SharedBy: "converter", Source: "accuracy_c in the configuration"},
			{Name: "step of the code", Half: couplePer / 2, In: drivers.OnEMF, Source: sheet + ", table 3"},
			{Name: "step of the cold junction's code", Half: o.Junction.perCode() / 2, In: drivers.OnCold, Source: sheet + ", table 3"},
		},
	}
	if own.OffsetUV == nil {
		c.Lines = append(c.Lines, drivers.Line{Name: "offset, not calibrated", Half: 125e-6, In: drivers.OnEMF, SharedBy: "converter", Source: "as the ADS1118 at +-2.048 V, SBAS457F p5"})
		return c
	}
	c.Offset = -*own.OffsetUV * 1e-6
	c.Lines = append(c.Lines, drivers.Line{Name: "offset after calibration", Half: couplePer, In: drivers.OnEMF, SharedBy: "converter", Source: "one step of the code; common practice"})
	return c
}

// Converters implements drivers.Device.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Read implements drivers.Device: each chip in turn, cold junction first.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	if d.closed.Load() {
		return drivers.FailAll(out, fmt.Errorf("ads1115: %w", bus.ErrClosed))
	}
	if err := ctx.Err(); err != nil {
		return drivers.FailAll(out, fmt.Errorf("ads1115: %w", err))
	}
	for _, p := range d.parts {
		if err := p.read(ctx, out); drivers.EndsRead(err) {
			return drivers.FailAll(out, err)
		}
	}
	return nil
}

// Probe implements drivers.Prober.
func (d *Dev) Probe(ctx context.Context) ([]string, error) {
	var lines []string
	for _, p := range d.parts {
		cfg, err := p.read16(ctx, regConfig)
		if err != nil {
			return lines, fmt.Errorf("%s: %w", p.conn, err)
		}
		raw, _, err := p.convert(ctx, p.coldCfg)
		if err != nil {
			return lines, fmt.Errorf("%s: cold junction: %w", p.conn, err)
		}
		lines = append(lines, fmt.Sprintf("chip at %s: configuration found %04X, cold junction %.2f degC", p.conn, cfg, float64(int64(raw)-p.coldZero)*p.coldPer))
		for _, in := range p.inputs {
			v, _, err := p.convert(ctx, in.cfg)
			if err != nil {
				return lines, fmt.Errorf("channel %s at %s: %w", in.channel, p.conn, err)
			}
			lines = append(lines, fmt.Sprintf("%s at %s pair %03b: input %.1f uV before the offset", in.channel, p.conn, in.cfg>>12&7, float64(v)*couplePer*1e6))
		}
	}
	return lines, nil
}

// Close implements drivers.Device. The chips are powered down between readings.
func (d *Dev) Close() error {
	d.closed.Store(true)
	var errs []error
	for _, p := range d.parts {
		if p.conn != nil {
			errs = append(errs, p.conn.Close())
		}
	}
	return errors.Join(errs...)
}
