package ads111x

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Finding is what is wrong with a conversion although its transfers worked; no faults:
// nothing.
type Finding struct {
	Faults drivers.Faults
	Cause  error
}

// Cold is a cold junction: its code, what that means, and why it can't be (nil: it can).
type Cold struct {
	Code  int64
	DegC  float64
	Cause error
}

// Bus is how one chip is talked to.
type Bus interface {
	fmt.Stringer
	// Convert starts one conversion with a setting, waits for its longest time and
	// fetches it. A code with a finding means nothing.
	Convert(ctx context.Context, cfg uint16) (int16, Finding, error)
	// Cold explains the code of the cold junction's conversion.
	Cold(code int16) Cold
	// Found says what stands in the chip before anything is written; may be empty.
	Found(ctx context.Context) (string, error)
	Close() error
}

// Chip is one chip with the inputs it serves. Its fields belong to the goroutine that
// reads.
type Chip struct {
	Host    *bus.Host
	Rate    int
	ColdCfg uint16 // the setting of the cold junction's conversion
	Inputs  []*Input
	Bus     Bus // nil until it was opened
}

// Add puts an input on the chip.
func (c *Chip) Add(in *Input, place string) error {
	for _, other := range c.Inputs {
		if other.Cfg == in.Cfg {
			return &drivers.OptionError{Input: in.Index, Key: "pair", Text: fmt.Sprintf("channels %s and %s are both on pair %s of the chip at %s", other.Channel, in.Channel, in.pair, place)}
		}
	}
	c.Inputs = append(c.Inputs, in)
	return nil
}

// read measures the cold junction, then each input.
func (c *Chip) read(ctx context.Context, out []drivers.Reading) error {
	raw, found, err := c.Bus.Convert(ctx, c.ColdCfg)
	coldAt := c.Host.Now()
	if err != nil {
		err = fmt.Errorf("%s: cold junction: %w", c.Bus, err)
		c.failAll(out, drivers.TransferFaults(err), err)
		return err
	}
	if found.Faults != 0 {
		c.failAll(out, found.Faults, fmt.Errorf("%s: cold junction: %w", c.Bus, found.Cause))
		return nil
	}
	cold := c.Bus.Cold(raw)
	for _, in := range c.Inputs {
		r := &out[in.Index]
		*r = drivers.Reading{}
		data, found, err := c.Bus.Convert(ctx, in.Cfg)
		if err != nil {
			err = fmt.Errorf("channel %s at %s: %w", in.Channel, c.Bus, err)
			r.Fail(drivers.TransferFaults(err), err)
			if drivers.EndsRead(err) {
				return err
			}
			continue
		}
		if found.Faults != 0 {
			r.Fail(found.Faults, fmt.Errorf("channel %s at %s: %w", in.Channel, c.Bus, found.Cause))
			continue
		}
		r.Set(int64(data), 0)
		r.SetCold(cold.Code)
		in.judge(r, cold, coldAt)
	}
	now := c.Host.Now()
	for k, in := range c.Inputs { // conversions came one after the other, the last just now
		if r := &out[in.Index]; r.Has&drivers.HasCode != 0 {
			r.Age = max(0, now.Sub(coldAt))*time.Duration(len(c.Inputs)-1-k)/time.Duration(len(c.Inputs)) + Conversion(c.Rate)/2
		}
	}
	return nil
}

func (c *Chip) failAll(out []drivers.Reading, f drivers.Faults, cause error) {
	for _, in := range c.Inputs {
		out[in.Index] = drivers.Reading{}
		out[in.Index].Fail(f, cause)
	}
}

// Dev is an open source of one or more chips.
type Dev struct {
	name   string
	chips  []*Chip
	convs  []drivers.Converter
	closed atomic.Bool
}

var (
	_ drivers.Device = (*Dev)(nil)
	_ drivers.Prober = (*Dev)(nil)
)

// Open returns the device of chips whose inputs convs explains. open talks to nobody;
// it opens the bus of a chip for its first input. gap is what one conversion takes
// beside its own time.
func Open(name string, src drivers.Source, chips []*Chip, convs []drivers.Converter, gap time.Duration, open func(*Chip) (Bus, error)) (*Dev, error) {
	d := &Dev{name: name, chips: chips, convs: convs}
	var need time.Duration
	for _, c := range chips {
		need += time.Duration(1+len(c.Inputs)) * (Conversion(c.Rate) + gap)
	}
	if src.Every < need {
		return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v is shorter than the conversions of one reading at %d per second, %v; raise the rate or read less often", src.Every, chips[0].Rate, need)}
	}
	for _, c := range chips {
		b, err := open(c)
		if err != nil {
			return nil, errors.Join(err, d.Close())
		}
		c.Bus = b
	}
	return d, nil
}

// Converters implements drivers.Device.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Read implements drivers.Device: each chip in turn, cold junction first.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	if d.closed.Load() {
		return drivers.FailAll(out, fmt.Errorf("%s: %w", d.name, bus.ErrClosed))
	}
	if err := ctx.Err(); err != nil {
		return drivers.FailAll(out, fmt.Errorf("%s: %w", d.name, err))
	}
	for _, c := range d.chips {
		if err := c.read(ctx, out); drivers.EndsRead(err) {
			return drivers.FailAll(out, err)
		}
	}
	return nil
}

// Probe implements drivers.Prober. An input's line is what offset_uv must be when its
// leads are shorted.
func (d *Dev) Probe(ctx context.Context) ([]string, error) {
	var lines []string
	for _, c := range d.chips {
		found, err := c.Bus.Found(ctx)
		if err != nil {
			return lines, fmt.Errorf("%s: %w", c.Bus, err)
		}
		raw, f, err := c.Bus.Convert(ctx, c.ColdCfg)
		if err = errors.Join(err, f.Cause); err != nil {
			return lines, fmt.Errorf("%s: cold junction: %w", c.Bus, err)
		}
		lines = append(lines, fmt.Sprintf("chip at %s: %scold junction %.3f degC", c.Bus, found, c.Bus.Cold(raw).DegC))
		for _, in := range c.Inputs {
			mean, spread, n, err := c.mean(ctx, in)
			if err != nil {
				return lines, fmt.Errorf("channel %s at %s: %w", in.Channel, c.Bus, err)
			}
			lines = append(lines, fmt.Sprintf("%s at %s pair %s: input %.1f uV before the offset (mean of %d conversions that scatter by %.1f uV)",
				in.Channel, c.Bus, in.pair, mean*1e6, n, spread*1e6))
		}
	}
	return lines, nil
}

// mean converts an input up to 16 times, for about a second.
func (c *Chip) mean(ctx context.Context, in *Input) (mean, spread float64, n int, err error) {
	n = min(16, max(4, int(time.Second/Conversion(c.Rate))))
	var sum, squares float64
	for range n {
		code, f, err := c.Bus.Convert(ctx, in.Cfg)
		if err = errors.Join(err, f.Cause); err != nil {
			return 0, 0, 0, err
		}
		v := float64(code) * in.lsb
		sum, squares = sum+v, squares+v*v
	}
	mean = sum / float64(n)
	return mean, math.Sqrt(max(0, squares/float64(n)-mean*mean)), n, nil
}

// Close implements drivers.Device. The chips are powered down between readings.
func (d *Dev) Close() error {
	d.closed.Store(true)
	var errs []error
	for _, c := range d.chips {
		if c.Bus != nil {
			errs = append(errs, c.Bus.Close())
		}
	}
	return errors.Join(errs...)
}
