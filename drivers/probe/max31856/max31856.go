// Package max31856 reads MAX31856 thermocouple converters over SPI, one chip per
// input. The chip linearises eight types, filters the mains and averages; in
// voltage mode it hands out the EMF and soakd linearises.
//
// Each reading is one burst of all sixteen registers: configuration, data and
// status of one instant. Thus a brown-out, which looks like a type K probe at
// 0.00 degC without any fault flag, is seen at the next reading, and a result that
// the chip kept from before an input fault is never taken for a new one.
package max31856

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/its90"
)

// Opts are the keys of the source.
type Opts struct {
	// Average is how many conversions make one result: 1, 2, 4, 8 or 16. Default 4.
	Average int `yaml:"average"`
	// OpenTest is how the chip looks for an open circuit: off, low (leads below
	// 5 kohm), high (5 to 40 kohm, time constant below 2 ms), slow (above 2 ms).
	OpenTest string `yaml:"open_test"`
	// Linearise is who does it: chip, or host (voltage mode).
	Linearise string `yaml:"linearise"`
	// Gain is that of voltage mode: 8 (+-78 mV) or 32 (+-19.5 mV).
	Gain               int `yaml:"gain"`
	drivers.StepOption `yaml:",inline"`
}

func defaults() Opts {
	return Opts{Average: 4, OpenTest: "low", Linearise: "chip", Gain: 8, StepOption: drivers.DefaultStep()}
}

var openTests = map[string]byte{"off": 0, "low": 1, "high": 2, "slow": 3}

var averages = map[int]byte{1: 0, 2: 1, 4: 2, 8: 3, 16: 4}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "max31856",
	Info: drivers.Info{
		Summary: "MAX31856 thermocouple converter, types B E J K N R S T in the chip, all types in voltage mode",
		Bus:     "SPI mode 1, at most 5 MHz; chip select of the port or a GPIO pin (select:); the mains notch is that of mains:, 60 Hz without it",
		Options: append([]drivers.Option{
			{Key: "average", Scope: "source", Unit: "1 2 4 8 16", Default: "4", Help: "conversions per result; one takes up to 110 ms (90 ms at 60 Hz), each more adds 20 ms (16.7 ms)"},
			{Key: "open_test", Scope: "source", Unit: "off low high slow", Default: "low", Help: "open-circuit test for leads below 5 kohm (low), 5 to 40 kohm (high), or with a time constant above 2 ms (slow)"},
			{Key: "linearise", Scope: "source", Unit: "chip host", Default: "chip", Help: "host: the chip measures volts and soakd linearises"},
			{Key: "gain", Scope: "source", Unit: "8 32", Default: "8", Help: "with linearise: host; 8 for +-78 mV, 32 for +-19.5 mV"},
		}, drivers.StepOption{}.Options()...),
		Fastest:  90 * time.Millisecond,
		Detects:  []string{"no chip (all registers zeros or ones)", "lost configuration (brown-out), an offset that somebody else left in the cold junction", "results that are still as after power-up", "open circuit", "inputs beyond the supply (result frozen)", "probe or cold junction out of range, also where the chip clamps", "a second read before a new conversion can exist", "steps faster than any copper mass"},
		Misses:   []string{"an open circuit for up to 16 conversions (1.3 s at 60 Hz, 6.4 s with average 16 at 50 Hz)", "short between the two leads (reads the cold junction)", "a grounded tip below the input's common-mode range of 0.5 to 1.4 V", "reversed leads"},
		Accuracy: []string{"full scale and linearity +-0.15 % at an ambient of -20 to 85 degC, +-0.05 % at 25 degC; offset +-11.7 uV at gain 8 (" + sheet + ", p3)", "linearisation -0.13 to +0.12 K (table 1)", "cold junction +-0.7 K at an ambient of -20 to 85 degC (p3)"},
		Caution:  "inputs survive +-45 V, but a tip on a live rail outside 0.5 to 1.4 V gives wrong or frozen values. Insulate the junction.",
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
	o := defaults()
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	t, err := o.check(src)
	if err != nil {
		return nil, err
	}
	return drivers.OpenBank("max31856", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		k, err := choose(i, in, o)
		if err != nil {
			return nil, err
		}
		step := o.StepOption
		if err := in.Options.Decode(&step); err != nil {
			return nil, err
		}
		steps, err := step.Steps(i)
		if err != nil {
			return nil, err
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			conn, err := host.SPI(bus.SPIOptions{Port: in.Port, Select: in.Select, Mode: spi.Mode1, Max: 5 * physic.MegaHertz, For: in.Channel})
			if err != nil {
				return nil, drivers.Converter{}, err
			}
			c := &chip{host: host, channel: in.Channel, kind: k, spi: conn, times: t, want: o.registers(src.MainsHz, k),
				steps: steps}
			_ = c.configure(ctx) // a chip that does not answer says so at every reading
			return c, k.converter(t), nil
		}, nil
	})
}

// check refuses what the chip can't do.
func (o Opts) check(src drivers.Source) (timing, error) {
	refuse := func(key, format string, args ...any) (timing, error) {
		return timing{}, &drivers.OptionError{Input: -1, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	if _, ok := averages[o.Average]; !ok {
		return refuse("average", "%d: must be 1, 2, 4, 8 or 16", o.Average)
	}
	if _, ok := openTests[o.OpenTest]; !ok {
		return refuse("open_test", "%q: must be off, low, high or slow", o.OpenTest)
	}
	if o.Linearise != "chip" && o.Linearise != "host" {
		return refuse("linearise", "%q: must be chip or host", o.Linearise)
	}
	if o.Gain != 8 && o.Gain != 32 {
		return refuse("gain", "%d: must be 8 or 32", o.Gain)
	}
	if o.Gain != defaults().Gain && o.Linearise != "host" {
		return refuse("gain", "%d is of voltage mode: give linearise: host too, or take it off; where the chip linearises, it chooses the gain itself", o.Gain)
	}
	t := timings(src.MainsHz, o.Average)
	if src.Every < t.slow {
		return refuse("every", "%v is shorter than one result with average %d, which takes up to %v; read less often or average less", src.Every, o.Average, t.slow)
	}
	return t, nil
}

// choose finds the chip's setting for the channel's couple.
func choose(i int, in drivers.Input, o Opts) (kind, error) {
	if in.Kind != 0 && in.Kind != drivers.Temperature {
		return kind{}, &drivers.OptionError{Input: i, Key: "channel", Text: "the part measures temperature; give the channel that kind or none"}
	}
	if in.Couple == "" {
		return kind{}, &drivers.OptionError{Input: i, Key: "couple", Text: "missing: give the channel's thermocouple letter; the chip must be told"}
	}
	if o.Linearise == "host" {
		couple, err := its90.ParseType(in.Couple)
		if err != nil {
			return kind{}, &drivers.OptionError{Input: i, Key: "couple", Text: err.Error()}
		}
		return voltage(couple, o.Gain), nil
	}
	k, ok := findKind(in.Couple)
	if !ok {
		return kind{}, &drivers.OptionError{Input: i, Key: "couple", Text: fmt.Sprintf("the chip has no table for type %q (it has B E J K N R S T); use linearise: host", in.Couple)}
	}
	return k, nil
}

// registers are the settings as registers 00h to 04h. Without a mains frequency
// the chip's default of 60 Hz stays.
func (o Opts) registers(mainsHz int, k kind) config {
	c := config{cr0Auto | openTests[o.OpenTest]<<4, averages[o.Average]<<4 | k.bits, maskNothingPinned, sentinelHigh, sentinelLow}
	if mainsHz == 50 {
		c[regCR0] |= cr0Hz50
	}
	return c
}

// chip is one converter. Its fields belong to the goroutine that reads.
type chip struct {
	host    *bus.Host
	channel string
	kind    kind
	spi     bus.SPI
	times   timing
	want    config
	steps   drivers.Steps
	w, r    [1 + regCount]byte
	readyAt time.Time // before this, no result of the present settings exists
	lastAt  time.Time // the last sample that was not stale
	frozen  bool      // an input was beyond its supply at the last sample
}

// configure writes the settings: first with conversions off, since the filter may
// be changed only then, at last with conversions on.
func (c *chip) configure(ctx context.Context) error {
	var w [1 + len(c.want)]byte
	w[0] = writeBit | regCR0
	copy(w[1:], c.want[:])
	w[1] &^= cr0Auto
	if err := c.spi.Tx(ctx, w[:], nil); err != nil {
		return fmt.Errorf("channel %s: write the configuration: %w", c.channel, err)
	}
	if err := c.spi.Tx(ctx, []byte{writeBit | regCJTO, 0}, nil); err != nil {
		return fmt.Errorf("channel %s: clear the cold junction's offset: %w", c.channel, err)
	}
	if err := c.spi.Tx(ctx, []byte{writeBit | regCR0, c.want[regCR0]}, nil); err != nil {
		return fmt.Errorf("channel %s: start conversions: %w", c.channel, err)
	}
	c.readyAt = c.host.Now().Add(c.times.first)
	return nil
}

// Read takes one burst and judges it.
func (c *chip) Read(ctx context.Context, r *drivers.Reading) error {
	*r = drivers.Reading{}
	d, err := c.dump(ctx)
	if err == nil && c.want.matches(d) && d.cut() {
		d, err = c.dump(ctx)
	}
	if err != nil {
		r.Fail(drivers.TransferFaults(err), err)
		return err
	}
	if f, cause := d.presence(); f != 0 {
		r.Fail(f, cause)
		return nil
	}
	r.Set(d.probe(), c.times.update)
	r.SetCold(d.cold())
	if !c.want.matches(d) {
		return c.restore(ctx, d, r)
	}
	if f, cause := d.hardware(); f != 0 {
		c.frozen = c.frozen || f&drivers.ShortToSupply != 0
		r.Fail(f, cause)
		return nil
	}
	if d.empty() {
		r.Fail(drivers.Stale, errZero)
		return nil
	}
	if f, cause := d.within(c.kind); f != 0 {
		r.Fail(f, cause)
		return nil
	}
	now := c.host.Now()
	if cause := c.fresh(now); cause != nil {
		r.Fail(drivers.Stale, cause)
		return nil
	}
	probeC, err := c.kind.probeC(d.probe(), d.coldC())
	if err != nil { // within looked at it
		r.Fail(drivers.OutOfRange, err)
		return nil
	}
	if cause := c.steps.Check(probeC, now); cause != nil {
		r.Fail(drivers.Implausible, cause)
	}
	return nil
}

// restore writes the settings again after they were found changed, and says which
// they were.
func (c *chip) restore(ctx context.Context, d *dump, r *drivers.Reading) error {
	found := config(d[:len(c.want)])
	cause := fmt.Errorf("channel %s: registers 00h to 04h read % X, want % X; the cold junction's offset (09h) %02X, want 00", c.channel, found, c.want, d[regCJTO])
	if found == powerOn {
		cause = fmt.Errorf("%w: the power-on values, so the supply was away", cause)
	}
	err := c.configure(ctx)
	if err != nil {
		cause = errors.Join(cause, err)
		r.Fail(drivers.TransferFaults(err), cause)
	}
	r.Fail(drivers.ConfigLost, cause)
	return err
}

func (c *chip) fresh(now time.Time) error {
	if wait := c.readyAt.Sub(now); wait > 0 {
		return fmt.Errorf("the first conversion with these settings takes %v more", wait.Round(time.Millisecond))
	}
	if c.frozen {
		c.frozen, c.lastAt = false, now
		return errFrozen
	}
	if since := now.Sub(c.lastAt); !c.lastAt.IsZero() && since < c.times.update {
		return fmt.Errorf("read %v after the last sample, a result takes %v: no new one can exist", since.Round(time.Millisecond), c.times.update)
	}
	c.lastAt = now
	return nil
}

// dump reads all registers in one transfer.
func (c *chip) dump(ctx context.Context) (*dump, error) {
	c.w[0] = regCR0
	if err := c.spi.Tx(ctx, c.w[:], c.r[:]); err != nil {
		return nil, fmt.Errorf("channel %s: %w", c.channel, err)
	}
	return (*dump)(c.r[1:]), nil
}

// Probe shows all registers.
func (c *chip) Probe(ctx context.Context) (string, error) {
	d, err := c.dump(ctx)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%s at %s: registers % X, probe %.4f %s, cold junction %.3f degC, status %02X",
		c.channel, c.spi, d[:], c.kind.valueC(d.probe()), c.kind.unit, d.coldC(), d[regSR]), nil
}

// ReadyAt is when the first result can exist.
func (c *chip) ReadyAt() time.Time { return c.readyAt }

// Close gives the chip select back; the chip goes on converting.
func (c *chip) Close() error { return c.spi.Close() }
