// Package mcp9808 reads MCP9808 temperature sensors over I2C, one chip per input:
// the room, an intake, a cold junction beside other converters. The register is
// two's complement; the data sheet's sample code, which takes it for a magnitude
// with a sign, is wrong below zero.
package mcp9808

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

const (
	sheet      = "MCP9808 data sheet DS20005095B"
	regConfig  = 0x01
	regUpper   = 0x02 // upper alert limit; the alert output stays off
	regTA      = 0x05
	regMaker   = 0x06
	regDevice  = 0x07
	regRes     = 0x08
	makerID    = 0x0054
	deviceID   = 0x04 // high byte; the low one is the revision
	shutdown   = 1 << 8
	codeC      = 0.0625
	minC, maxC = -40.0, 125.0 // operating range of the part, p1
	// sentinel stands in the upper limit, where power-on leaves 0: it shows a brown-out
	// even though the other settings are the power-on ones, and the temperature register
	// reads 0.00 degC until the first conversion.
	sentinel     = 0x07C0 // 124 degC
	firstAddress = 0x18
	lastAddress  = 0x1F // eight addresses by three pins (from memory)
)

// resolution is a setting of register 08h and its conversion time, p4.
type resolution struct {
	stepC float64
	bits  byte
	time  time.Duration
}

var resolutions = [...]resolution{
	{0.5, 0, 30 * time.Millisecond},
	{0.25, 1, 65 * time.Millisecond},
	{0.125, 2, 130 * time.Millisecond},
	{0.0625, 3, 250 * time.Millisecond},
}

// Opts are the keys of the source.
type Opts struct {
	// Resolution in degC: 0.5, 0.25, 0.125 or 0.0625 (default).
	Resolution         float64 `yaml:"resolution"`
	drivers.StepOption `yaml:",inline"`
}

// InputOpts are the keys of one input.
type InputOpts struct {
	// Address is the chip's I2C address, 0x18 to 0x1F. Default 0x18.
	Address            uint16 `yaml:"address"`
	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "mcp9808",
	Info: drivers.Info{
		Summary: "MCP9808 temperature sensor, -40 to 125 degC",
		Bus:     "I2C at most 400 kHz, addresses 0x18 to 0x1F",
		Options: append([]drivers.Option{
			{Key: "address", Scope: "input", Unit: "0x18 to 0x1F", Default: "0x18", Help: "I2C address of the chip"},
			{Key: "resolution", Scope: "source", Unit: "degC: 0.5 0.25 0.125 0.0625", Default: "0.0625", Help: "finer is slower: 30, 65, 130, 250 ms"},
		}, drivers.StepOption{}.Options()...),
		Fastest:  30 * time.Millisecond,
		Detects:  []string{"no chip (no acknowledge, wrong identity, data line stuck)", "lost configuration (resolution, shutdown bit, a sentinel against brown-out)", "out of range", "a second read before a new conversion can exist", "steps faster than any copper mass"},
		Misses:   []string{"the heat of other chips beside it"},
		Accuracy: []string{"+-0.5 degC at -20 to 100 degC, typical 0.25 (" + sheet + ", p3)"},
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		dev, err := New(ctx, host, src)
		if err != nil {
			return nil, err
		}
		return dev, nil
	},
}

// Dev is an open source of one or more chips.
type Dev = drivers.Bank

// New checks src, opens its chips and configures those that answer.
func New(ctx context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Resolution: 0.0625, StepOption: drivers.DefaultStep()}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	res, err := find(o.Resolution)
	if err != nil {
		return nil, err
	}
	if src.Every < res.time {
		return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v is shorter than one conversion of %v at this resolution", src.Every, res.time)}
	}
	return drivers.OpenBank("mcp9808", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		if err := in.NoSelect(i, "its address on the I2C bus"); err != nil {
			return nil, err
		}
		own := InputOpts{Address: firstAddress, StepOption: o.StepOption}
		if err := in.Options.Decode(&own); err != nil {
			return nil, err
		}
		steps, err := own.Steps(i)
		if err != nil {
			return nil, err
		}
		switch {
		case own.Address < firstAddress || own.Address > lastAddress:
			return nil, &drivers.OptionError{Input: i, Key: "address", Text: fmt.Sprintf("%d, which is %#02x: must be 0x18 to 0x1F, with the 0x", own.Address, own.Address)}
		case in.Couple != "":
			return nil, &drivers.OptionError{Input: i, Key: "couple", Text: "the part measures its own temperature; take the couple off the channel"}
		case in.Kind != 0 && in.Kind != drivers.Temperature:
			return nil, &drivers.OptionError{Input: i, Key: "channel", Text: "the part measures temperature; give the channel that kind or none"}
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			conn, err := host.I2C(bus.I2COptions{Port: in.Port, Address: own.Address, Max: 400 * physic.KiloHertz, For: in.Channel})
			if err != nil {
				return nil, drivers.Converter{}, err
			}
			c := &chip{host: host, channel: in.Channel, conn: conn, res: res, steps: steps}
			_, _ = c.identify(ctx) // a chip that does not answer says so at every reading
			return c, converter(res), nil
		}, nil
	})
}

func find(stepC float64) (resolution, error) {
	for _, r := range resolutions {
		if r.stepC == stepC {
			return r, nil
		}
	}
	return resolution{}, &drivers.OptionError{Input: -1, Key: "resolution", Text: fmt.Sprintf("%g degC: must be 0.5, 0.25, 0.125 or 0.0625", stepC)}
}

func converter(r resolution) drivers.Converter {
	return drivers.Converter{
		Model: "MCP9808", Law: drivers.LawLinear, Kind: drivers.Temperature, Unit: "degC", PerCode: codeC, Conversion: r.time,
		Lines: []drivers.Line{
			{Name: "sensor, -20 to 100 degC", Half: 0.5, In: drivers.OnValue, SharedBy: "converter", Source: sheet + ", p3"},
			{Name: "step of the code", Half: r.stepC / 2, In: drivers.OnValue, Source: sheet + ", p4"},
		},
	}
}

// chip is one sensor. Its fields belong to the goroutine that reads.
type chip struct {
	host    *bus.Host
	channel string
	conn    bus.I2C
	res     resolution
	steps   drivers.Steps
	known   bool // identity and settings were checked since the last failure
	w       [1]byte
	r       [2]byte
	readyAt time.Time
	lastAt  time.Time
}

func (c *chip) register(ctx context.Context, reg byte, n int) (uint16, error) {
	c.w[0], c.r = reg, [2]byte{}
	if err := c.conn.Tx(ctx, c.w[:], c.r[:n]); err != nil {
		return 0, fmt.Errorf("channel %s: register %02Xh: %w", c.channel, reg, err)
	}
	if n == 1 {
		return uint16(c.r[0]), nil
	}
	return uint16(c.r[0])<<8 | uint16(c.r[1]), nil
}

// identify checks who answers, and writes the settings unless they stand already.
// It returns the faults found and their cause.
func (c *chip) identify(ctx context.Context) (drivers.Faults, error) {
	maker, err := c.register(ctx, regMaker, 2)
	if err != nil {
		return drivers.TransferFaults(err), err
	}
	device, err := c.register(ctx, regDevice, 2)
	if err != nil {
		return drivers.TransferFaults(err), err
	}
	if maker != makerID || device>>8 != deviceID {
		return drivers.NoChip, fmt.Errorf("channel %s: identity %04X %04X, want 0054 04xx: another chip, or a stuck line", c.channel, maker, device)
	}
	lost, err := c.settings(ctx)
	if err != nil || !lost {
		c.known = err == nil
		return drivers.TransferFaults(err), err
	}
	if err := c.conn.Tx(ctx, []byte{regConfig, 0, 0}, nil); err != nil {
		return drivers.TransferFaults(err), fmt.Errorf("channel %s: write the configuration: %w", c.channel, err)
	}
	if err := c.conn.Tx(ctx, []byte{regRes, c.res.bits}, nil); err != nil {
		return drivers.TransferFaults(err), fmt.Errorf("channel %s: write the resolution: %w", c.channel, err)
	}
	if err := c.conn.Tx(ctx, []byte{regUpper, sentinel >> 8, sentinel & 0xFF}, nil); err != nil {
		return drivers.TransferFaults(err), fmt.Errorf("channel %s: write the sentinel: %w", c.channel, err)
	}
	c.known = true
	c.readyAt = c.host.Now().Add(c.res.time)
	return 0, nil
}

// settings tells whether the settings are not what they should be.
func (c *chip) settings(ctx context.Context) (lost bool, err error) {
	cfg, err := c.register(ctx, regConfig, 2)
	if err != nil {
		return false, err
	}
	res, err := c.register(ctx, regRes, 1)
	if err != nil {
		return false, err
	}
	upper, err := c.register(ctx, regUpper, 2)
	if err != nil {
		return false, err
	}
	return cfg&shutdown != 0 || res&3 != uint16(c.res.bits) || upper != sentinel, nil
}

// Read reads temperature, resolution, shutdown bit and sentinel, and judges them.
func (c *chip) Read(ctx context.Context, r *drivers.Reading) error {
	*r = drivers.Reading{}
	err := c.read(ctx, r)
	if r.Faults&^(drivers.Stale|drivers.Implausible|drivers.OutOfRange) != 0 {
		c.known = false
	}
	return err
}

func (c *chip) read(ctx context.Context, r *drivers.Reading) error {
	if !c.known {
		if f, err := c.identify(ctx); f != 0 {
			r.Fail(f, err)
			return err
		}
	}
	ta, err := c.register(ctx, regTA, 2)
	if err != nil {
		r.Fail(drivers.TransferFaults(err), err)
		return err
	}
	// After the value, so that a supply dip before or between shows.
	lost, err := c.settings(ctx)
	if err != nil {
		r.Fail(drivers.TransferFaults(err), err)
		return err
	}
	if ta == 0xFFFF {
		r.Fail(drivers.NoChip, fmt.Errorf("channel %s: 16 one bits: the data line is held high", c.channel))
		return nil
	}
	r.Set(decode(ta), c.res.time)
	if lost {
		r.Fail(drivers.ConfigLost, fmt.Errorf("channel %s: resolution, shutdown bit or sentinel changed: the supply was away; they are set again at the next reading", c.channel))
		return nil
	}
	v := float64(r.Code) * codeC
	if v < minC || v > maxC {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: %.4f degC: outside the part's %g to %g degC", c.channel, v, minC, maxC))
		return nil
	}
	now := c.host.Now()
	if cause := c.fresh(now); cause != nil {
		r.Fail(drivers.Stale, cause)
		return nil
	}
	if cause := c.steps.Check(v, now); cause != nil {
		r.Fail(drivers.Implausible, cause)
	}
	return nil
}

// decode takes the 13-bit two's complement number out of the register; bits 15 to
// 13 are comparisons with limits that this driver does not use.
func decode(ta uint16) int64 { return int64(int16(ta<<3) >> 3) }

var errFirst = errors.New("the first conversion with these settings is not over")

func (c *chip) fresh(now time.Time) error {
	if now.Before(c.readyAt) {
		return errFirst
	}
	if since := now.Sub(c.lastAt); !c.lastAt.IsZero() && since < c.res.time {
		return fmt.Errorf("read %v after the last sample, a conversion takes %v: no new one can exist", since.Round(time.Millisecond), c.res.time)
	}
	c.lastAt = now
	return nil
}

// Probe shows identity and registers.
func (c *chip) Probe(ctx context.Context) (string, error) {
	var v [4]uint16
	for i, reg := range []byte{regMaker, regDevice, regConfig, regTA} {
		var err error
		if v[i], err = c.register(ctx, reg, 2); err != nil {
			return "", err
		}
	}
	return fmt.Sprintf("%s at %s: maker %04X, device %04X, configuration %04X, temperature register %04X = %.4f degC",
		c.channel, c.conn, v[0], v[1], v[2], v[3], float64(decode(v[3]))*codeC), nil
}

// ReadyAt is when the first conversion can exist.
func (c *chip) ReadyAt() time.Time { return c.readyAt }

// Close gives the address back; the chip goes on converting.
func (c *chip) Close() error { return c.conn.Close() }
