// Package ads1118 reads thermocouples through ADS1118 converters over SPI. One
// chip has two differential inputs and a temperature sensor, which is the cold
// junction. The driver hands out the EMF's code and the sensor's; soakd linearises.
//
// A result belongs to the setting it was started with, and the chip does not say
// which that was: the driver starts one conversion at a time, waits for the longest
// time it can take, and fetches it in a transfer that starts nothing and shows the
// setting. The chip's offset, up to 3 K of type K, must be calibrated by the host:
// short the input, and give what is read as offset_uv.
package ads1118

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/its90"
)

// Opts are the keys of the source.
type Opts struct {
	// Rate in samples per second: 8 16 32 64 128 250 475 860. Default 64.
	Rate int `yaml:"rate"`
	// RangeMV is the input's full scale: 256 (default), 512, 1024, 2048, 4096 or 6144.
	RangeMV            int `yaml:"range_mv"`
	drivers.StepOption `yaml:",inline"`
}

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

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "ads1118",
	Info: drivers.Info{
		Summary: "ADS1118 converter with thermocouples on its differential inputs, all types; its own sensor is the cold junction",
		Bus:     "SPI mode 1, at most 4 MHz; chip select of the port or a GPIO pin (select:); inputs of one chip name the same port and pin",
		Options: append([]drivers.Option{
			{Key: "rate", Scope: "source", Unit: "per second: 8 16 32 64 128 250 475 860", Default: "64", Help: "each reading takes one conversion for the cold junction and one per input"},
			{Key: "range_mv", Scope: "source", Unit: "mV: 256 512 1024 2048 4096 6144", Default: "256", Help: "full scale of the inputs"},
			{Key: "pair", Scope: "input", Unit: "0-1 2-3 0-3 1-3", Default: "0-1", Help: "pins of the input, plus and minus"},
			{Key: "offset_uv", Scope: "input", Unit: "uV", Default: "unknown", Help: "what the input reads with its leads shorted; is subtracted"},
			{Key: "biased", Scope: "input", Unit: "true false", Default: "false", Help: "resistors pull the open input to a rail, so that an open circuit shows"},
		}, drivers.StepOption{}.Options()...),
		Fastest:  3 * time.Millisecond,
		Detects:  []string{"no chip (zeros or ones)", "shifted or disturbed transfer (fixed bit)", "lost configuration", "an open circuit, with bias resistors", "EMF or cold junction out of range", "steps faster than any copper mass"},
		Misses:   []string{"an open circuit without bias resistors", "shorts of any kind (a shorted input reads the cold junction)", "reversed leads", "the offset of an input that was not calibrated"},
		Accuracy: []string{"gain +-0.15 %; offset +-2 LSB at +-2.048 V, 125 uV, 3 K of type K, before calibration (" + sheet + ", p5)", "cold junction +-0.5 degC at 0 to 70 degC, +-1 at -40 to 125 degC (p5)", "noise 7.8 uV rms at +-0.256 V up to 64 per second (table 1)"},
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
	o := Opts{Rate: 64, RangeMV: 256, StepOption: drivers.DefaultStep()}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	base, err := o.check()
	if err != nil {
		return nil, err
	}
	d := &Dev{}
	owners := map[string]*part{}
	for i, raw := range src.Inputs {
		in, own, err := o.input(i, raw, base)
		if err != nil {
			return nil, err
		}
		where := raw.Port + " " + raw.Select
		p := owners[where]
		if p == nil {
			p = &part{host: host, place: strings.TrimSpace(where), rate: o.Rate, coldCfg: base&^(7<<9) | 5<<9 | sensor}
			owners[where] = p
			d.parts = append(d.parts, p)
		}
		for _, other := range p.inputs {
			if other.cfg == in.cfg {
				return nil, &drivers.OptionError{Input: i, Key: "pair", Text: fmt.Sprintf("channels %s and %s are both on pair %s of the chip at %s", other.channel, in.channel, own.Pair, p.place)}
			}
		}
		p.inputs = append(p.inputs, in)
		d.convs = append(d.convs, o.converter(own))
	}
	var need time.Duration
	for _, p := range d.parts {
		need += time.Duration(1+len(p.inputs)) * (conversion(o.Rate) + time.Millisecond)
	}
	if src.Every < need {
		return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v is shorter than the conversions of one reading at %d per second, %v; raise the rate or read less often", src.Every, o.Rate, need)}
	}
	for _, p := range d.parts {
		first := src.Inputs[p.inputs[0].index]
		conn, err := host.SPI(bus.SPIOptions{Port: first.Port, Select: first.Select, Mode: spi.Mode1, Max: 4 * physic.MegaHertz, For: first.Channel})
		if err != nil {
			return nil, errors.Join(err, d.Close())
		}
		p.spi = conn
	}
	return d, nil
}

// check refuses what the chip can't do and returns the bits common to all words.
func (o Opts) check() (base uint16, err error) {
	base = singleRun | pullUp | validNOP | alwaysOne
	found := false
	for code, r := range rates {
		if r == o.Rate {
			base |= uint16(code) << 5
			found = true
		}
	}
	if !found {
		return 0, &drivers.OptionError{Input: -1, Key: "rate", Text: fmt.Sprintf("%d: must be 8, 16, 32, 64, 128, 250, 475 or 860", o.Rate)}
	}
	for _, r := range ranges {
		if r.mV == o.RangeMV {
			return base | r.code<<9, nil
		}
	}
	return 0, &drivers.OptionError{Input: -1, Key: "range_mv", Text: fmt.Sprintf("%d: must be 256, 512, 1024, 2048, 4096 or 6144", o.RangeMV)}
}

func (o Opts) input(i int, raw drivers.Input, base uint16) (*input, InputOpts, error) {
	own := InputOpts{Pair: "0-1", StepOption: o.StepOption}
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
	in := &input{index: i, channel: raw.Channel, couple: couple, cfg: base | mux<<12, lsb: lsb(o.RangeMV), biased: own.Biased, steps: steps}
	if own.OffsetUV != nil {
		if math.Abs(*own.OffsetUV) > 1000 || math.IsNaN(*own.OffsetUV) {
			return refuse("offset_uv", "%g uV: more than any good part has; were the leads shorted?", *own.OffsetUV)
		}
		in.offset = -*own.OffsetUV * 1e-6
	}
	return in, own, nil
}

func (o Opts) converter(own InputOpts) drivers.Converter {
	step := lsb(o.RangeMV)
	c := drivers.Converter{
		Model: "ADS1118", Law: drivers.LawEMF, Kind: drivers.Temperature, Unit: "degC",
		PerCode: step, ColdPerCode: coldPer, Conversion: conversion(o.Rate),
		Lines: []drivers.Line{
			{Name: "converter gain", Rel: 0.0015, In: drivers.OnEMF, SharedBy: "converter", Source: sheet + ", p5"},
			{Name: "cold junction, 0 to 70 degC", Half: 0.5, In: drivers.OnCold, SharedBy: "converter", Source: sheet + ", p5"},
			{Name: "step of the code", Half: step / 2, In: drivers.OnEMF, Source: sheet + ", table 3"},
			{Name: "noise up to 64 per second", Half: 7.81e-6, Sigma: 1, In: drivers.OnEMF, Source: sheet + ", table 1"},
		},
	}
	if own.OffsetUV == nil {
		c.Lines = append(c.Lines, drivers.Line{Name: "offset, not calibrated", Half: 125e-6, In: drivers.OnEMF, SharedBy: "converter", Source: sheet + ", p5, +-2 LSB at +-2.048 V"})
		return c
	}
	c.Offset = -*own.OffsetUV * 1e-6
	c.Lines = append(c.Lines, drivers.Line{Name: "offset after calibration", Half: step, In: drivers.OnEMF, SharedBy: "converter", Source: "one step of the code; common practice"})
	return c
}

// Converters implements drivers.Device.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Read implements drivers.Device: each chip in turn, cold junction first.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	if d.closed.Load() {
		return drivers.FailAll(out, fmt.Errorf("ads1118: %w", bus.ErrClosed))
	}
	if err := ctx.Err(); err != nil {
		return drivers.FailAll(out, fmt.Errorf("ads1118: %w", err))
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
		cold, err := p.convert(ctx, p.coldCfg)
		if err != nil {
			return lines, fmt.Errorf("%s: cold junction: %w", p.place, err)
		}
		lines = append(lines, fmt.Sprintf("chip at %s: configuration %04X, cold junction %.5f degC", p.place, cold.cfg, float64(cold.cold())*coldPer))
		for _, in := range p.inputs {
			w, err := p.convert(ctx, in.cfg)
			if err != nil {
				return lines, fmt.Errorf("channel %s at %s: %w", in.channel, p.place, err)
			}
			lines = append(lines, fmt.Sprintf("%s at %s: configuration %04X, input %.1f uV before the offset", in.channel, p.place, w.cfg, float64(w.data)*in.lsb*1e6))
		}
	}
	return lines, nil
}

// Close implements drivers.Device. The chips are powered down between readings.
func (d *Dev) Close() error {
	d.closed.Store(true)
	var errs []error
	for _, p := range d.parts {
		if p.spi != nil {
			errs = append(errs, p.spi.Close())
		}
	}
	return errors.Join(errs...)
}
