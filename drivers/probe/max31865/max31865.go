// Package max31865 reads MAX31865 resistance thermometer converters (Pt100, Pt1000)
// over SPI, one chip per input. It hands out the ratio's code; soakd applies
// Callendar-Van Dusen of IEC 60751.
//
// Each reading is one cycle: thresholds, bias on, fault detection cycle, one
// conversion, bias off. The element warms only while it is measured, and the fault bits that need
// a detection cycle are always fresh. A reading takes about 80 ms.
package max31865

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// InputOpts are the keys of one input.
type InputOpts struct {
	// Rref is the reference resistor in ohm; required. Boards have 400 or 430 for
	// Pt100, 4000 or 4300 for Pt1000: a wrong value looks like a plausible temperature.
	Rref float64 `yaml:"rref"`
	// RrefTolerance is its tolerance in percent. Default 0.1.
	RrefTolerance float64 `yaml:"rref_tolerance"`
	// Element is pt100 (default) or pt1000.
	Element string `yaml:"element"`
	// Wires is 2, 3 or 4 (default).
	Wires int `yaml:"wires"`
	// Bias is the wait after the bias is switched on: 10.5 time constants of the
	// input filter plus 1 ms. Default 10ms.
	Bias               time.Duration `yaml:"bias"`
	drivers.StepOption `yaml:",inline"`
}

const (
	convert50 = 66 * time.Millisecond // longest single conversion, p4
	convert60 = 55 * time.Millisecond
	detection = time.Millisecond // fault detection cycle with automatic delays of 100 us each (p13), 0.6 ms in all (from memory)
)

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "max31865",
	Info: drivers.Info{
		Summary: "MAX31865 resistance thermometer converter, Pt100 and Pt1000, -200 to 850 degC; its mains notch is that of mains:, 60 Hz without it",
		Bus:     "SPI mode 1, at most 5 MHz; chip select of the port or a GPIO pin (select:)",
		Options: append([]drivers.Option{
			{Key: "rref", Scope: "input", Unit: "ohm", Default: "", Help: "reference resistor on the board, as printed on it: 400 or 430 for Pt100; from 1 to 10 times the element's resistance at 0 degC"},
			{Key: "rref_tolerance", Scope: "input", Unit: "%: 0 to 10", Default: "0.1", Help: "tolerance of the reference resistor"},
			{Key: "element", Scope: "input", Unit: "pt100 pt1000", Default: "pt100", Help: "platinum element after IEC 60751"},
			{Key: "wires", Scope: "input", Unit: "2 3 4", Default: "4", Help: "how the element is connected"},
			{Key: "bias", Scope: "input", Unit: "duration: 1ms to 1s", Default: "10ms", Help: "wait after bias on: 10.5 time constants of the input filter plus 1 ms"},
		}, drivers.StepOption{}.Options()...),
		Fastest:  80 * time.Millisecond,
		Detects:  []string{"no chip (all registers zeros or ones)", "a chip that does not keep its configuration, a supply dip in any part of a reading", "open element and leads", "leads at ground or beyond the supply", "shorted element (0 ohm)", "out of range", "steps faster than any copper mass"},
		Misses:   []string{"a wrong reference resistor or element in the configuration", "lead resistance of two-wire elements"},
		Accuracy: []string{"+-0.5 degC, 0.05 % of full scale, with an ideal reference resistor (" + sheet + ", p1); the resistor's tolerance adds"},
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
type Dev = drivers.Bank

// New checks src and opens its chips. It does not talk to them.
func New(host *bus.Host, src drivers.Source) (*Dev, error) {
	common := drivers.DefaultStep()
	if err := src.Options.Decode(&common); err != nil {
		return nil, err
	}
	conversion, config := convert60, byte(0)
	if src.MainsHz == 50 {
		conversion, config = convert50, hz50
	}
	var all time.Duration
	return drivers.OpenBank("max31865", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		o := InputOpts{RrefTolerance: 0.1, Element: "pt100", Wires: 4, Bias: 10 * time.Millisecond, StepOption: common}
		if err := in.Options.Decode(&o); err != nil {
			return nil, err
		}
		r0, err := o.check(i, in)
		if err != nil {
			return nil, err
		}
		steps, err := o.Steps(i)
		if err != nil {
			return nil, err
		}
		cycle := o.Bias + detection + conversion
		if all += cycle; src.Every < all {
			return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v is shorter than %d readings one after the other, %v; read less often or split the source over two buses", src.Every, i+1, all)}
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			conn, err := host.SPI(bus.SPIOptions{Port: in.Port, Select: in.Select, Mode: spi.Mode1, Max: 5 * physic.MegaHertz, For: in.Channel})
			if err != nil {
				return nil, drivers.Converter{}, err
			}
			c := &chip{host: host, channel: in.Channel, spi: conn, config: config, bias: o.Bias, conversion: conversion, steps: steps, ratio: o.Rref / r0 / (1 << 15)}
			if o.Wires == 3 {
				c.config |= threeWire
			}
			return c, o.converter(r0, cycle), nil
		}, nil
	})
}

func (o *InputOpts) check(i int, in drivers.Input) (r0 float64, err error) {
	refuse := func(key, format string, args ...any) (float64, error) {
		return 0, &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	switch o.Element = strings.ToLower(o.Element); o.Element {
	case "pt100":
		r0 = 100
	case "pt1000":
		r0 = 1000
	default:
		return refuse("element", "%q: must be pt100 or pt1000", o.Element)
	}
	switch {
	case o.Rref == 0:
		return refuse("rref", "missing: give the reference resistor in ohm as printed on the board (400 or 430 for Pt100); a wrong one looks like a plausible temperature")
	case o.Rref < r0 || o.Rref > 10*r0:
		return refuse("rref", "%g ohm: must be %g to %g for a %s", o.Rref, r0, 10*r0, o.Element)
	case o.RrefTolerance < 0 || o.RrefTolerance > 10:
		return refuse("rref_tolerance", "%g %%: must be 0 to 10", o.RrefTolerance)
	case o.Wires < 2 || o.Wires > 4:
		return refuse("wires", "%d: must be 2, 3 or 4", o.Wires)
	case o.Bias < time.Millisecond || o.Bias > time.Second:
		return refuse("bias", "%v: must be 1 ms to 1 s", o.Bias)
	case in.Couple != "":
		return refuse("couple", "the part reads platinum elements; take the couple off the channel")
	case in.Kind != 0 && in.Kind != drivers.Temperature:
		return refuse("channel", "the part measures temperature; give the channel that kind or none")
	}
	return r0, nil
}

func (o InputOpts) converter(r0 float64, cycle time.Duration) drivers.Converter {
	rel := o.RrefTolerance / 100
	return drivers.Converter{
		Model: "MAX31865 " + o.Element, Law: drivers.LawRTD, Kind: drivers.Temperature, Unit: "degC",
		PerCode: o.Rref / (1 << 15), R0Ohms: r0, Conversion: cycle,
		Lines: []drivers.Line{
			{Name: "converter", Half: 0.5, In: drivers.OnValue, SharedBy: "converter", Source: sheet + ", p1"},
			{Name: "reference resistor", Half: rel / cvdA, Rel: rel, In: drivers.OnValue, SharedBy: "converter", Source: "its tolerance, through the slope of IEC 60751"},
			{Name: "step of the code", Half: o.Rref / (1 << 16) / r0 / cvdA, In: drivers.OnValue, Source: sheet + ", p12"},
		},
	}
}

// chip is one converter. Its fields belong to the goroutine that reads.
type chip struct {
	host             *bus.Host
	channel          string
	spi              bus.SPI
	config           byte // wires and mains, without bias
	bias, conversion time.Duration
	ratio            float64 // R/R0 per code
	steps            drivers.Steps
	wConfig          [2]byte
	wGuard           [5]byte
	w, r             [1 + regCount]byte
	d                dump
}

// set writes the configuration register.
func (c *chip) set(ctx context.Context, bits byte) error {
	c.wConfig = [2]byte{writeBit, c.config | bits}
	if err := c.spi.Tx(ctx, c.wConfig[:], nil); err != nil {
		return fmt.Errorf("channel %s: write configuration %02Xh: %w", c.channel, c.wConfig[1], err)
	}
	return nil
}

// cycle measures once: bias, fault detection, conversion, all registers, bias off.
func (c *chip) cycle(ctx context.Context) (err error) {
	c.wGuard = [5]byte{writeBit | regGuard, guard[0], guard[1], guard[2], guard[3]}
	if err := c.spi.Tx(ctx, c.wGuard[:], nil); err != nil {
		return fmt.Errorf("channel %s: write the thresholds: %w", c.channel, err)
	}
	if err := c.set(ctx, biasOn|clear); err != nil {
		return err
	}
	defer func() {
		if off := c.off(ctx); off != nil && err == nil {
			err = off
		}
	}()
	for _, step := range [...]struct {
		wait time.Duration
		bits byte
	}{{c.bias, biasOn | runFaults}, {detection, biasOn | oneShot}} {
		if err := c.host.Wait(ctx, step.wait); err != nil {
			return fmt.Errorf("channel %s: %w", c.channel, err)
		}
		if err := c.set(ctx, step.bits); err != nil {
			return err
		}
	}
	if err := c.host.Wait(ctx, c.conversion); err != nil {
		return fmt.Errorf("channel %s: %w", c.channel, err)
	}
	return c.dump(ctx)
}

// off switches the bias off, for a moment even when ctx has ended: an element that
// stays under bias warms up.
func (c *chip) off(ctx context.Context) error {
	if ctx.Err() == nil {
		return c.set(ctx, 0)
	}
	short, cancel := context.WithTimeout(context.WithoutCancel(ctx), 100*time.Millisecond)
	defer cancel()
	return c.set(short, 0)
}

func (c *chip) dump(ctx context.Context) error {
	if err := c.spi.Tx(ctx, c.w[:], c.r[:]); err != nil {
		return fmt.Errorf("channel %s: %w", c.channel, err)
	}
	copy(c.d[:], c.r[1:])
	return nil
}

// Read takes one cycle and judges it.
func (c *chip) Read(ctx context.Context, r *drivers.Reading) error {
	*r = drivers.Reading{}
	if err := c.cycle(ctx); err != nil {
		r.Fail(drivers.TransferFaults(err), err)
		return err
	}
	d := &c.d
	if f, cause := d.presence(); f != 0 {
		r.Fail(f, cause)
		return nil
	}
	r.Set(d.code(), c.conversion/2)
	if d[0]&^volatile != c.config|biasOn || !d.guarded() {
		r.Fail(drivers.ConfigLost, fmt.Errorf("channel %s: configuration register %02Xh and thresholds % X at the end of the conversion, want %02Xh and % X: the supply was away, or another kind of chip",
			c.channel, d[0], d[regGuard:regGuard+len(guard)], c.config|biasOn, guard))
		return nil
	}
	if d[0]&oneShot != 0 {
		r.Fail(drivers.Stale, errors.New("the conversion had not ended in its longest time"))
		return nil
	}
	if f, cause := d.wiring(); f != 0 {
		r.Fail(f, fmt.Errorf("channel %s: %w", c.channel, cause))
		return nil
	}
	ratio := float64(d.code()) * c.ratio
	if half := c.ratio / 2; ratio < minRatio-half || ratio > maxRatio+half {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: %.4f times the resistance at 0 degC: outside %g to %g (-200 to 850 degC)", c.channel, ratio, minRatio, maxRatio))
		return nil
	}
	if cause := c.steps.Check(roughC(ratio), c.host.Now()); cause != nil {
		r.Fail(drivers.Implausible, cause)
	}
	return nil
}

// Probe shows all registers of a fresh cycle.
func (c *chip) Probe(ctx context.Context) (string, error) {
	if err := c.cycle(ctx); err != nil {
		return "", err
	}
	return fmt.Sprintf("%s at %s: registers % X, ratio to the resistance at 0 degC %.5f", c.channel, c.spi, c.d[:], float64(c.d.code())*c.ratio), nil
}

// ReadyAt is zero: a conversion is started by each reading.
func (c *chip) ReadyAt() time.Time { return time.Time{} }

// Close gives the chip select back; the bias is off between readings.
func (c *chip) Close() error { return c.spi.Close() }
