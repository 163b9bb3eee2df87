// Package max31855 reads MAX31855 thermocouple converters, all letters, over SPI.
// Each input is one chip. The chip converts on its own every 70 to 100 ms and adds
// the cold junction to the EMF divided by a fixed slope; it does not linearise, and
// neither does this driver: it hands out both codes of one frame and the slope.
//
// A frame without fault flags is no proof of a good probe. Every frame passes the
// checks for a missing chip, a disturbed transfer, wiring faults, ranges, freshness
// and impossible steps, in that order.
package max31855

import (
	"context"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Times from the data sheet, p4.
const (
	conversionTyp = 70 * time.Millisecond
	conversionMax = 100 * time.Millisecond
	powerUp       = 200 * time.Millisecond
)

// Opts are the keys of one input.
type Opts struct {
	// Letter is the ordering variant: K, J, N, T, E, R or S. Empty: the channel's couple.
	Letter string `yaml:"letter"`
	// Mask is short_to_ground, or empty. See mask.
	Mask string `yaml:"mask"`

	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "max31855",
	Info: drivers.Info{
		Summary: "MAX31855 thermocouple converter, types K J N T E R S, one chip per input",
		Bus:     "SPI mode 0, at most 5 MHz, read only; chip select of the port or a GPIO pin (select:)",
		Options: append([]drivers.Option{
			{Key: "letter", Scope: "input", Unit: "K J N T E R S", Default: "the channel's couple", Help: "ordering variant of the part; must agree with the channel's couple"},
			{Key: "mask", Scope: "input", Unit: "short_to_ground", Default: "none", Help: "for a probe that is grounded for good, on a board that ties T- to ground: that one flag of the chip is left out. It is recorded with the run and shown with every result, since a real short of this probe is then not seen"},
		}, drivers.StepOption{}.Options()...),
		Fastest:  conversionMax,
		Detects:  []string{"no chip (32 zeros or ones)", "disturbed or shifted frame (reserved bits, inconsistent fault bits), one that ended before its end", "open circuit", "short to ground", "short to the supply", "probe or cold junction out of range", "a second read before a new conversion can exist", "steps faster than any copper mass"},
		Misses:   []string{"short between the two leads (reads the cold junction)", "some shorts to ground that the chip does not flag", "reversed leads", "a frame shifted by one bit that leaves the reserved bits zero (probe and cold junction both doubled or halved)", "the wrong letter of part", "a chip select that is stuck low (the value freezes)"},
		Accuracy: accuracy(),
		Caution:  "T- is tied to the chip's ground while it converts: a bare tip on a live rail drives current through the wire and can destroy the chip. Insulate the junction.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		dev, err := New(host, src)
		if err != nil {
			return nil, err
		}
		return dev, nil
	},
}

func accuracy() []string {
	out := make([]string, 0, len(letters)+2)
	for _, l := range letters {
		out = append(out, fmt.Sprintf("type %s: +-%g K at %s degC, +-%s, without cold junction (%s, p3 and p4)", l.name, l.halfK, l.innerC, l.outer, sheet))
	}
	return append(out,
		"cold junction: +-2 K at an ambient of -20 to 85 degC, +-3 K at -40 to 125 degC ("+sheet+", p4)",
		"the die warms itself by about 0.5 K (computed from supply current and thermal resistance of the data sheet)")
}

// Dev is an open source of one or more chips.
type Dev = drivers.Bank

// chip is one converter. Its fields belong to the goroutine that reads.
type chip struct {
	host    *bus.Host
	channel string
	letter  letter
	mask    drivers.Faults // flags that the configuration leaves out
	spi     bus.SPI
	steps   drivers.Steps
	w, r    [4]byte
	readyAt time.Time // before this, frames are from the time after power-up
	gone    bool      // the last frame was that of a missing chip
	lastAt  time.Time // the last frame that was not stale
	coldC   float64   // cold junction of the last frame; 0: none yet
}

// New checks src and opens its chips. It does not talk to them.
func New(host *bus.Host, src drivers.Source) (*Dev, error) {
	common := drivers.DefaultStep()
	if err := src.Options.Decode(&common); err != nil {
		return nil, err
	}
	if src.Every < conversionMax {
		return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v is shorter than one conversion; use %v or more", src.Every, conversionMax)}
	}
	return drivers.OpenBank("max31855", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		o := Opts{StepOption: common}
		if err := in.Options.Decode(&o); err != nil {
			return nil, err
		}
		l, err := check(i, in, o)
		if err != nil {
			return nil, err
		}
		steps, err := o.Steps(i)
		if err != nil {
			return nil, err
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			conn, err := host.SPI(bus.SPIOptions{Port: in.Port, Select: in.Select, Mode: spi.Mode0, Max: 5 * physic.MegaHertz, For: in.Channel})
			if err != nil {
				return nil, drivers.Converter{}, err
			}
			mask, conv := masks[o.Mask], l.converter()
			conv.Masks = mask
			return &chip{host: host, channel: in.Channel, letter: l, mask: mask, spi: conn, readyAt: host.Now().Add(powerUp),
				steps: steps}, conv, nil
		}, nil
	})
}

// masks are the flags that may be left out. A board that ties T- to ground makes the
// chip flag a short to ground for ever, while the value is right; no other flag can
// stand beside a value that means anything.
var masks = map[string]drivers.Faults{"": 0, "short_to_ground": drivers.ShortToGround}

// check refuses what the part can't do, before a bus is touched.
func check(i int, in drivers.Input, o Opts) (letter, error) {
	name := o.Letter
	if name == "" {
		name = in.Couple
	}
	if name == "" {
		return letter{}, &drivers.OptionError{Input: i, Key: "letter", Text: "missing: give the letter of the part (K J N T E R S) or the channel's couple"}
	}
	l, ok := findLetter(name)
	if !ok {
		return letter{}, &drivers.OptionError{Input: i, Key: "letter", Text: fmt.Sprintf("the part is not made for type %q; give its one letter: K, J, N, T, E, R or S", name)}
	}
	if in.Couple != "" && !strings.EqualFold(in.Couple, l.name) {
		return letter{}, &drivers.OptionError{Input: i, Key: "letter", Text: fmt.Sprintf("the part is for type %s and the channel's couple is %s (K where it names none); they must agree", l.name, in.Couple)}
	}
	if _, ok := masks[o.Mask]; !ok {
		return letter{}, &drivers.OptionError{Input: i, Key: "mask", Text: fmt.Sprintf("%q: only short_to_ground can be masked; an open circuit or a short to the supply never leaves a value that means anything", o.Mask)}
	}
	if in.Kind != 0 && in.Kind != drivers.Temperature {
		return letter{}, &drivers.OptionError{Input: i, Key: "channel", Text: "the part measures temperature; give the channel that kind or none"}
	}
	return l, nil
}

// Read takes one frame and judges it.
func (c *chip) Read(ctx context.Context, r *drivers.Reading) error {
	*r = drivers.Reading{}
	if err := c.spi.Tx(ctx, c.w[:], c.r[:]); err != nil {
		err = fmt.Errorf("channel %s: %w", c.channel, err)
		r.Fail(drivers.TransferFaults(err), err)
		return err
	}
	now := c.host.Now()
	f := decode(c.r)
	if faults, cause := f.presence(); faults != 0 {
		if faults == drivers.NoChip {
			c.gone = true
		} else {
			r.Set(f.probe(), conversionTyp)
			r.SetCold(f.cold())
		}
		r.Fail(faults, cause)
		return nil
	}
	if c.gone {
		c.gone = false
		c.readyAt = now.Add(powerUp)
	}
	r.Set(f.probe(), conversionTyp)
	r.SetCold(f.cold())
	if f.cut(c.coldC) {
		r.Fail(drivers.Corrupt, fmt.Errorf("channel %s: frame %08X: the second half is zero, and the cold junction was at %.4f degC just before: the supply or the data line went away in mid-frame", c.channel, uint32(f), c.coldC))
		return nil
	}
	c.coldC = f.coldC()
	if faults, cause := f.wiring(c.mask); faults != 0 {
		r.Fail(faults, cause)
		return nil
	}
	if faults, cause := f.within(c.letter); faults != 0 {
		r.Fail(faults, cause)
		return nil
	}
	if cause := c.fresh(now); cause != nil {
		r.Fail(drivers.Stale, cause)
		return nil
	}
	if cause := c.steps.Check(f.probeC(), now); cause != nil {
		r.Fail(drivers.Implausible, cause)
	}
	return nil
}

// fresh refuses a frame from before the chip can have made a new conversion. The
// chip says nothing about it, and equal frames are normal: only time can tell.
func (c *chip) fresh(now time.Time) error {
	if wait := c.readyAt.Sub(now); wait > 0 {
		return fmt.Errorf("power-up time of %v is not over for %v more", powerUp, wait.Round(time.Millisecond))
	}
	if since := now.Sub(c.lastAt); !c.lastAt.IsZero() && since < conversionTyp {
		return fmt.Errorf("read %v after the last sample, a conversion takes %v: no new one can exist", since.Round(time.Millisecond), conversionTyp)
	}
	c.lastAt = now
	return nil
}

// Probe shows the frame as it is.
func (c *chip) Probe(ctx context.Context) (string, error) {
	var w, r [4]byte
	if err := c.spi.Tx(ctx, w[:], r[:]); err != nil {
		return "", fmt.Errorf("channel %s: %w", c.channel, err)
	}
	f := decode(r)
	return fmt.Sprintf("%s at %s: frame %08X, probe code %.2f degC (not linearised), cold junction %.4f degC",
		c.channel, c.spi, uint32(f), f.probeC(), f.coldC()), nil
}

// ReadyAt is the end of the power-up time.
func (c *chip) ReadyAt() time.Time { return c.readyAt }

// Close gives the chip select back.
func (c *chip) Close() error { return c.spi.Close() }
