// Package max6675 reads MAX6675 thermocouple converters (type K, obsolete) over
// SPI, one chip per input. The chip shows no cold junction and no negative
// temperature, and its fixed slope can't be undone: soakd takes its number as it
// is and carries the error in the budget.
package max6675

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

const (
	sheet      = "MAX6675 data sheet 19-2235 rev 3"
	conversion = 220 * time.Millisecond // longest, p4; chip select low aborts it
	typical    = 170 * time.Millisecond
	codeC      = 0.25
	maxClock   = 4300 * physic.KiloHertz
	openBit    = 1 << 2
	idBit      = 1 << 1
	signBit    = 1 << 15
)

// Opts are the keys of the source.
type Opts struct {
	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "max6675",
	Info: drivers.Info{
		Summary: "MAX6675 thermocouple converter, type K only, 0 to 1023.75 degC (obsolete part)",
		Bus:     "SPI mode 1, at most 4.3 MHz, read only; chip select of the port or a GPIO pin (select:)",
		Options: drivers.StepOption{}.Options(),
		Fastest: conversion,
		Detects: []string{"no chip (16 zeros or ones)", "disturbed frame (sign and identity bits)", "open circuit, if T- is grounded at the chip", "a read that would abort the running conversion", "steps faster than any copper mass"},
		Misses: []string{"a MAX31855 in its place (its first 16 bits are a legal frame of half the temperature)", "a probe at exactly 0.00 degC (the frame is that of a missing chip and is refused)", "negative temperatures", "shorts of any kind", "anything about the cold junction: there is no readout",
			"when the supply came back: the part states no power-up time, the first 220 ms are discarded"},
		Accuracy: []string{"+-8 LSB = 2 degC at 0 to 700 degC and 25 degC ambient, +-17 LSB above (" + sheet + ", p2)", "cold junction +-3 degC (p2)"},
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
	o := Opts{drivers.DefaultStep()}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	if src.Every < conversion {
		return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v would abort each conversion before its end; use %v or more", src.Every, conversion)}
	}
	return drivers.OpenBank("max6675", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		own := o
		if err := in.Options.Decode(&own); err != nil {
			return nil, err
		}
		steps, err := own.Steps(i)
		if err != nil {
			return nil, err
		}
		if in.Couple != "" && !strings.EqualFold(in.Couple, "K") {
			return nil, &drivers.OptionError{Input: i, Key: "couple", Text: fmt.Sprintf("the part is made for type K only, the channel's couple is %s", in.Couple)}
		}
		if in.Kind != 0 && in.Kind != drivers.Temperature {
			return nil, &drivers.OptionError{Input: i, Key: "channel", Text: "the part measures temperature; give the channel that kind or none"}
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			conn, err := host.SPI(bus.SPIOptions{Port: in.Port, Select: in.Select, Mode: spi.Mode1, Max: maxClock, For: in.Channel})
			if err != nil {
				return nil, drivers.Converter{}, err
			}
			return &chip{host: host, channel: in.Channel, spi: conn, steps: steps, readyAt: host.Now().Add(conversion)}, converter(), nil
		}, nil
	})
}

func converter() drivers.Converter {
	return drivers.Converter{
		Model: "MAX6675", Law: drivers.LawFixedSlopeNoCold, Kind: drivers.Temperature, Unit: "degC",
		PerCode: codeC, SlopeVoltsPerK: 41e-6, Conversion: conversion,
		Lines: []drivers.Line{
			{Name: "converter, 0 to 700 degC", Half: 2, In: drivers.OnValue, SharedBy: "converter", Source: sheet + ", p2, ambient 25 degC"},
			{Name: "cold junction", Half: 3, In: drivers.OnValue, SharedBy: "converter", Source: sheet + ", p2"},
			{Name: "fixed slope of 41 uV/K instead of type K, cold junction 20 to 40 degC, probe to 200 degC", Half: 1, In: drivers.OnValue, SharedBy: "rig", Source: "computed from the type K reference function and " + sheet + ", p4"},
			{Name: "step of the code", Half: codeC / 2, In: drivers.OnValue, Source: sheet + ", p5"},
		},
	}
}

// chip is one converter. Its fields belong to the goroutine that reads.
type chip struct {
	host    *bus.Host
	channel string
	spi     bus.SPI
	steps   drivers.Steps
	w, r    [2]byte
	readyAt time.Time // before this no conversion can have ended
	gone    bool      // the last frame was that of a missing chip
}

var (
	errLow  = errors.New("16 zero bits: no chip, no supply, or a probe at exactly 0.00 degC, which this part can't tell apart")
	errHigh = errors.New("16 one bits: no chip, or the data line is held high")
	errOpen = errors.New("chip flags an open circuit")
)

// judge decodes a frame: D14..D3 the code, D2 open, D1 and D15 zero, D0 unknown.
func judge(b [2]byte) (code int64, f drivers.Faults, cause error) {
	v := uint16(b[0])<<8 | uint16(b[1])
	code = int64(v>>3) & 0xFFF
	switch {
	case v&^1 == 0:
		return code, drivers.NoChip, errLow
	case v|1 == 0xFFFF:
		return code, drivers.NoChip, errHigh
	case v&(signBit|idBit) != 0:
		return code, drivers.Corrupt, fmt.Errorf("frame %04X: bits D15 and D1 must be zero: disturbed transfer or another kind of chip", v)
	case v&openBit != 0:
		return code, drivers.Open, errOpen
	}
	return code, 0, nil
}

// Read takes one frame and judges it. It leaves the chip alone while a conversion
// must be running, since chip select would abort it.
func (c *chip) Read(ctx context.Context, r *drivers.Reading) error {
	*r = drivers.Reading{}
	if wait := c.readyAt.Sub(c.host.Now()); wait > 0 {
		r.Fail(drivers.Stale, fmt.Errorf("the running conversion takes %v more; reading now would abort it", wait.Round(time.Millisecond)))
		return nil
	}
	err := c.spi.Tx(ctx, c.w[:], c.r[:])
	now := c.host.Now()
	c.readyAt = now.Add(typical) // chip select went high: a new conversion began
	if err != nil {
		err = fmt.Errorf("channel %s: %w", c.channel, err)
		r.Fail(drivers.TransferFaults(err), err)
		return err
	}
	code, f, cause := judge(c.r)
	if f == drivers.NoChip {
		c.gone = true
		r.Fail(f, cause)
		return nil
	}
	r.Set(code, typical)
	if f != 0 {
		r.Fail(f, cause)
		return nil
	}
	if c.gone {
		c.gone = false
		r.Fail(drivers.Stale, errors.New("the chip came back; its first conversion is discarded"))
		return nil
	}
	if cause := c.steps.Check(float64(code)*codeC, now); cause != nil {
		r.Fail(drivers.Implausible, cause)
	}
	return nil
}

// Probe shows the frame as it is. It aborts the running conversion.
func (c *chip) Probe(ctx context.Context) (string, error) {
	var w, r [2]byte
	err := c.spi.Tx(ctx, w[:], r[:])
	c.readyAt = c.host.Now().Add(typical)
	if err != nil {
		return "", fmt.Errorf("channel %s: %w", c.channel, err)
	}
	code, _, _ := judge(r)
	return fmt.Sprintf("%s at %s: frame %X, probe code %.2f degC (not linearised, cold junction hidden)", c.channel, c.spi, r, float64(code)*codeC), nil
}

// ReadyAt is when the first conversion can have ended.
func (c *chip) ReadyAt() time.Time { return c.readyAt }

// Close gives the chip select back.
func (c *chip) Close() error { return c.spi.Close() }
