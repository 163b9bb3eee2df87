// Package mcp9600 reads MCP9600 and MCP9601 thermocouple converters over I2C, one
// chip per input. The chip linearises eight types and adds its cold junction.
//
// Two failures are silent on the wire. When the input is out of range the hot
// junction's register keeps its old value while the cold one goes on: the status
// register is judged before the value. A controller that ignores clock stretching
// repeats bytes: registers whose bytes are all equal are refused, and so is an
// identity with equal bytes.
package mcp9600

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Opts are the keys of the source.
type Opts struct {
	// Resolution of the converter in bits: 18 (default), 16, 14 or 12.
	Resolution int `yaml:"resolution"`
	// ColdResolution in degC: 0.0625 (default) or 0.25.
	ColdResolution float64 `yaml:"cold_resolution"`
	// Filter is n of the chip's recursive filter, k = 2/(2^n+1); 0 (default, off) to 7.
	Filter             int `yaml:"filter"`
	drivers.StepOption `yaml:",inline"`
}

// InputOpts are the keys of one input.
type InputOpts struct {
	// Address is the chip's I2C address, 0x60 to 0x67. Default 0x67.
	Address            uint16 `yaml:"address"`
	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "mcp9600",
	Info: drivers.Info{
		Summary: "MCP9600 and MCP9601 thermocouple converters, types K J T N S E B R",
		Bus:     "I2C 10 to 100 kHz with clock stretching, addresses 0x60 to 0x67",
		Options: append([]drivers.Option{
			{Key: "address", Scope: "input", Unit: "0x60 to 0x67", Default: "0x67", Help: "I2C address of the chip"},
			{Key: "resolution", Scope: "source", Unit: "bit: 18 16 14 12", Default: "18", Help: "finer is slower: 320, 80, 20, 5 ms"},
			{Key: "cold_resolution", Scope: "source", Unit: "degC: 0.0625 0.25", Default: "0.0625", Help: "cold junction; finer is slower: 250, 63 ms"},
			{Key: "filter", Scope: "source", Unit: "0 to 7", Default: "0", Help: "recursive filter k = 2/(2^n+1); 0 is off"},
		}, drivers.StepOption{}.Options()...),
		Fastest: 17 * time.Millisecond,
		Detects: []string{"no chip (no acknowledge, wrong identity, data line stuck)", "repeated bytes (controller ignores clock stretching)", "a supply dip in the middle of a reading", "lost or changed settings", "input out of range, result frozen (MCP9600)", "open circuit and shorts to ground or supply (MCP9601 with its resistor network)", "probe or cold junction out of range", "no new conversion since the last reading", "steps faster than any copper mass"},
		Misses:  []string{"open circuit on the MCP9600 without bias resistors", "short between the two leads (reads the cold junction)", "reversed leads", "a brown-out while all settings are the power-on ones (harmless: they are what is wanted)"},
		Accuracy: []string{"hot against cold junction +-0.5 degC, cold junction +-1.0 degC at 0 to 85 degC (typical 0.5), together +-1.5 degC (" + sheet + ", p3); the L00 parts +-4, RL00 +-8 degC",
			"promised for K -200 to 1372, J -150 to 1200, T -200 to 400, N -150 to 1300, E -200 to 1000, S and R 250 to 1664, B 1000 to 1800 degC (electrical characteristics, as a maker of boards quotes them)"},
		Caution: "inputs must stay within 0.3 V of ground and supply: insulate the junction. Reading more often than three times per conversion warms the chip.",
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
	o := Opts{Resolution: 18, ColdResolution: 0.0625, StepOption: drivers.DefaultStep()}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	res, err := o.check(src.Every)
	if err != nil {
		return nil, err
	}
	return drivers.OpenBank("mcp9600", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		if err := in.NoSelect(i, "its address on the I2C bus"); err != nil {
			return nil, err
		}
		own := InputOpts{Address: 0x67, StepOption: o.StepOption}
		if err := in.Options.Decode(&own); err != nil {
			return nil, err
		}
		k, err := choose(i, in, own)
		if err != nil {
			return nil, err
		}
		steps, err := own.Steps(i)
		if err != nil {
			return nil, err
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			conn, err := host.I2C(bus.I2COptions{Port: in.Port, Address: own.Address, Max: 100 * physic.KiloHertz, For: in.Channel})
			if err != nil {
				return nil, drivers.Converter{}, err
			}
			c := &chip{host: host, channel: in.Channel, conn: conn, couple: k, update: res.time + calculation, steps: steps,
				sensor: k.bits<<4 | byte(o.Filter), device: res.code << 5}
			if o.ColdResolution == 0.25 {
				c.device |= 0x80
			}
			c.settle = c.update + 250*time.Millisecond
			_, _ = c.identify(ctx) // a chip that does not answer says so at every reading
			name := c.part
			if name == "" {
				name = "MCP960X"
			}
			return c, k.converter(name, res), nil
		}, nil
	})
}

// check refuses what the chip can't do.
func (o Opts) check(every time.Duration) (resolution, error) {
	refuse := func(key, format string, args ...any) (resolution, error) {
		return resolution{}, &drivers.OptionError{Input: -1, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	if o.ColdResolution != 0.0625 && o.ColdResolution != 0.25 {
		return refuse("cold_resolution", "%g degC: must be 0.0625 or 0.25", o.ColdResolution)
	}
	if o.Filter < 0 || o.Filter > 7 {
		return refuse("filter", "%d: must be 0 to 7", o.Filter)
	}
	for _, r := range resolutions {
		if r.bits != o.Resolution {
			continue
		}
		if t := r.time + calculation; every < t {
			return refuse("every", "%v is shorter than one conversion of %v at %d bit", every, t, r.bits)
		}
		return r, nil
	}
	return refuse("resolution", "%d bit: must be 18, 16, 14 or 12", o.Resolution)
}

func choose(i int, in drivers.Input, own InputOpts) (couple, error) {
	refuse := func(key, format string, args ...any) (couple, error) {
		return couple{}, &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	if own.Address < 0x60 || own.Address > 0x67 {
		return refuse("address", "%d, which is %#02x: must be 0x60 to 0x67, with the 0x", own.Address, own.Address)
	}
	if in.Kind != 0 && in.Kind != drivers.Temperature {
		return refuse("channel", "the part measures temperature; give the channel that kind or none")
	}
	if in.Couple == "" {
		return refuse("couple", "missing: give the channel's thermocouple letter; the chip must be told")
	}
	k, ok := findCouple(in.Couple)
	if !ok {
		return refuse("couple", "the chip has no table for type %q; it has K, J, T, N, S, E, B and R", in.Couple)
	}
	return k, nil
}

// chip is one converter. Its fields belong to the goroutine that reads.
type chip struct {
	host           *bus.Host
	channel        string
	conn           bus.I2C
	couple         couple
	sensor, device byte // what registers 05h and 06h are to hold
	update, settle time.Duration
	steps          drivers.Steps
	part           string // what the identity said; empty: not known
	known          bool   // identity and settings were checked since the last failure
	w              [1]byte
	wStatus        [2]byte
	r              [3]byte
	readyAt        time.Time
}

func (c *chip) register(ctx context.Context, reg byte, n int) (uint16, error) {
	c.w[0] = reg
	if err := c.conn.Tx(ctx, c.w[:], c.r[:n]); err != nil {
		return 0, fmt.Errorf("channel %s: register %02Xh: %w", c.channel, reg, err)
	}
	if n == 1 {
		return uint16(c.r[0]), nil
	}
	return uint16(c.r[0])<<8 | uint16(c.r[1]), nil
}

// junction reads a temperature, and once more where both bytes are equal, as they are
// in a register whose first byte was repeated.
func (c *chip) junction(ctx context.Context, reg byte) (first, second uint16, err error) {
	if first, err = c.register(ctx, reg, 2); err != nil || !repeats(first) {
		return first, first, err
	}
	second, err = c.register(ctx, reg, 2)
	return first, second, err
}

// identify checks who answers, and writes the settings where they differ: writing
// register 05h resets the chip's filter.
func (c *chip) identify(ctx context.Context) (drivers.Faults, error) {
	id, err := c.register(ctx, regID, 2)
	if err != nil {
		return drivers.TransferFaults(err), err
	}
	name, _ := part(id)
	switch {
	case name == "":
		return drivers.NoChip, fmt.Errorf("channel %s: identity %04X, want 40xx or 41xx: another chip, or a stuck line", c.channel, id)
	case repeats(id):
		return drivers.Corrupt, fmt.Errorf("channel %s: identity %04X has equal bytes: %s", c.channel, id, stretching)
	}
	c.part = name
	lost, err := c.settings(ctx)
	if err != nil {
		return drivers.TransferFaults(err), err
	}
	if lost {
		for _, w := range [][]byte{{regSensor, c.sensor}, {regDevice, c.device}, {regStatus, 0}} {
			if err := c.conn.Tx(ctx, w, nil); err != nil {
				return drivers.TransferFaults(err), fmt.Errorf("channel %s: write register %02Xh: %w", c.channel, w[0], err)
			}
		}
		c.readyAt = c.host.Now().Add(c.settle)
	}
	c.known = true
	return 0, nil
}

var (
	errNothing  = errors.New("zero in every register: the data line is held low, or the supply was away and no conversion has ended since")
	errHalfGone = errors.New("the cold junction and the difference read zero beside a hot junction that does not: the supply was away in the middle of the reading")
	errRepeated = errors.New("all bytes equal: " + stretching)
)

// suspect judges registers that a healthy chip hardly ever shows together: a cold
// junction of exactly zero, or equal bytes in all. A difference of zero means no EMF,
// so that both junctions are the same; 1 K is for an update between two transfers.
func suspect(hot, delta, cold uint16) (drivers.Faults, error) {
	switch {
	case hot == 0 && delta == 0 && cold == 0:
		return drivers.NoChip, errNothing
	case repeats(hot) && repeats(delta) && repeats(cold):
		return drivers.Corrupt, errRepeated
	case cold == 0 && delta == 0 && (int16(hot) > 16 || int16(hot) < -16):
		return drivers.ConfigLost, errHalfGone
	}
	return 0, nil
}

const stretching = "the controller ignores clock stretching and repeats bytes; use another controller, a software I2C bus, or a clock of 10 kHz"

// settings tells whether the settings are not what they should be.
func (c *chip) settings(ctx context.Context) (lost bool, err error) {
	sensor, err := c.register(ctx, regSensor, 1)
	if err != nil {
		return false, err
	}
	device, err := c.register(ctx, regDevice, 1)
	if err != nil {
		return false, err
	}
	// The two lowest bits of 06h are the mode, normal; bits 4..2 matter in burst mode only.
	return byte(sensor)&0x77 != c.sensor || byte(device)&0xE3 != c.device, nil
}

// Read reads settings, status and both junctions, and judges them.
func (c *chip) Read(ctx context.Context, r *drivers.Reading) error {
	*r = drivers.Reading{}
	err := c.read(ctx, r)
	if r.Faults&(drivers.BusError|drivers.Timeout|drivers.NoChip|drivers.Corrupt|drivers.ConfigLost) != 0 {
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
	fail := func(err error) error {
		r.Fail(drivers.TransferFaults(err), err)
		return err
	}
	lost, err := c.settings(ctx)
	if err != nil {
		return fail(err)
	}
	st, err := c.register(ctx, regStatus, 1)
	if err != nil {
		return fail(err)
	}
	// Cleared before the value is read, so that an update in between is not lost.
	c.wStatus = [2]byte{regStatus, 0}
	if err := c.conn.Tx(ctx, c.wStatus[:], nil); err != nil {
		return fail(fmt.Errorf("channel %s: clear the status: %w", c.channel, err))
	}
	hot, hotTwice, err := c.junction(ctx, regHot)
	if err != nil {
		return fail(err)
	}
	cold, coldTwice, err := c.junction(ctx, regCold)
	if err != nil {
		return fail(err)
	}
	if hot == 0xFFFF && cold == 0xFFFF {
		r.Fail(drivers.NoChip, fmt.Errorf("channel %s: all bits one: the data line is held high", c.channel))
		return nil
	}
	r.Set(int64(int16(hot)), c.update)
	r.SetCold(int64(int16(cold)))
	if hot != hotTwice || cold != coldTwice {
		r.Fail(drivers.Corrupt, fmt.Errorf("channel %s: hot %04X then %04X, cold %04X then %04X: a byte was repeated: %s", c.channel, hot, hotTwice, cold, coldTwice, stretching))
		return nil
	}
	if repeats(hot) && repeats(cold) || cold == 0 {
		delta, err := c.register(ctx, regDelta, 2)
		if err != nil {
			return fail(err)
		}
		if f, cause := suspect(hot, delta, cold); f != 0 {
			r.Fail(f, fmt.Errorf("channel %s: hot %04X, difference %04X, cold %04X: %w", c.channel, hot, delta, cold, cause))
			return nil
		}
	}
	if lost {
		r.Fail(drivers.ConfigLost, fmt.Errorf("channel %s: registers 05h and 06h are not what was written: the supply was away; they are set again at the next reading", c.channel))
		return nil
	}
	c.judge(byte(st), r)
	return nil
}

// judge goes on where the transfer and the settings are in order.
func (c *chip) judge(st byte, r *drivers.Reading) {
	if f, text := status(st, c.part == "MCP9601"); f != 0 {
		r.Fail(f, fmt.Errorf("channel %s: status %02Xh: %s", c.channel, st, text))
		return
	}
	if v := float64(r.Cold) * codeC; v < coldMinC || v > coldMaxC {
		r.Fail(drivers.ColdJunction, fmt.Errorf("channel %s: cold junction %.4f degC: outside the part's %g to %g degC", c.channel, v, coldMinC, coldMaxC))
	}
	v := float64(r.Code) * codeC
	if v < c.couple.min || v > c.couple.max {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: probe %.4f degC: outside %g to %g degC of type %s", c.channel, v, c.couple.min, c.couple.max, c.couple.name))
	}
	if r.Faults != 0 {
		return
	}
	now := c.host.Now()
	switch {
	case now.Before(c.readyAt):
		r.Fail(drivers.Stale, errFirst)
	case st&statusNew == 0:
		r.Fail(drivers.Stale, errStale)
	default:
		if cause := c.steps.Check(v, now); cause != nil {
			r.Fail(drivers.Implausible, cause)
		}
	}
}

var (
	errFirst = errors.New("the first conversion with these settings is not over")
	errStale = errors.New("the chip reports no new conversion since the last reading")
)

// Probe shows identity and registers.
func (c *chip) Probe(ctx context.Context) (string, error) {
	id, err := c.register(ctx, regID, 2)
	if err != nil {
		return "", err
	}
	hot, err := c.register(ctx, regHot, 2)
	if err != nil {
		return "", err
	}
	cold, err := c.register(ctx, regCold, 2)
	if err != nil {
		return "", err
	}
	if _, err := c.register(ctx, regADC, 3); err != nil {
		return "", err
	}
	uv := float64(int32(uint32(c.r[0])<<24|uint32(c.r[1])<<16|uint32(c.r[2])<<8)>>8) * 2
	st, err := c.register(ctx, regStatus, 1)
	if err != nil {
		return "", err
	}
	name, rev := part(id)
	return fmt.Sprintf("%s at %s: identity %04X (%s revision %s), status %02X, input %.0f uV, probe %.4f degC, cold junction %.4f degC",
		c.channel, c.conn, id, name, rev, st, uv, float64(int16(hot))*codeC, float64(int16(cold))*codeC), nil
}

// ReadyAt is when the first conversion can exist.
func (c *chip) ReadyAt() time.Time { return c.readyAt }

// Close gives the address back; the chip goes on converting.
func (c *chip) Close() error { return c.conn.Close() }
