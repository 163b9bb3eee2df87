package pulse

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

type field uint8

const (
	power field = iota
	energy
)

// Dev is one pulse output.
type Dev struct {
	port     string
	edges    bus.Edges
	train    train
	fields   []field
	before   int64 // pulses that were counted before this device was opened
	convs    []drivers.Converter
	joules   float64 // per pulse
	maxWatts float64
	stale    time.Duration
	buf      [256]bus.Edge
}

var (
	_ drivers.Device  = (*Dev)(nil)
	_ drivers.Resumer = (*Dev)(nil)
)

// Converters says what the codes mean, one per input.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Close gives the line back.
func (d *Dev) Close() error { return d.edges.Close() }

// Resume makes the energy go on from a total that was stored.
func (d *Dev) Resume(input int, code int64) {
	if d.fields[input] == energy && code > 0 {
		d.before = code
	}
}

// Read takes the edges that came and judges the train at this instant. It never waits.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	err := d.take(ctx)
	now := d.edges.Now()
	for i := range out {
		out[i] = drivers.Reading{}
		switch {
		case err != nil:
			fault := drivers.BusError
			if errors.Is(err, context.DeadlineExceeded) {
				fault = drivers.Timeout
			}
			out[i].Fail(fault, err)
		case d.fields[i] == energy:
			out[i].Set(d.before+d.train.count-d.train.noise, 0)
			if d.train.noisy {
				out[i].Code = d.before + d.train.count // as it came: evidence, not a value
				out[i].Fail(drivers.OutOfRange, fmt.Errorf("%s: pulses closer than %v: no meter sends them; they are not counted (bounce, or a wrong debounce or active?)", d.port, d.train.least()))
			}
		default:
			d.power(now, &out[i])
		}
		if err == nil && d.train.lost {
			out[i].Fail(drivers.Corrupt, fmt.Errorf("%s: edges were lost: the interval is void, the energy a lower bound", d.port))
		}
	}
	if err == nil {
		d.train.lost, d.train.noisy = false, false
	}
	return err
}

// take empties the line's store of edges.
func (d *Dev) take(ctx context.Context) error {
	for {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("%s: %w", d.port, err)
		}
		n, err := d.edges.Read(d.buf[:])
		if err != nil {
			return fmt.Errorf("%s: %w", d.port, err)
		}
		for _, e := range d.buf[:n] {
			d.train.add(e)
		}
		if n < len(d.buf) {
			d.train.settle(d.edges.Now())
			if err := ctx.Err(); err != nil {
				return fmt.Errorf("%s: %w", d.port, err)
			}
			return nil
		}
	}
}

// power sets the power at an instant: of the last interval, or the most that the time
// since the last pulse leaves possible.
func (d *Dev) power(now time.Duration, r *drivers.Reading) {
	t := &d.train
	since := now - t.lastAt
	interval := t.interval
	switch {
	case interval == 0:
		r.Fail(drivers.Stale, fmt.Errorf("%s: %d pulses so far: power needs two", d.port, t.count))
		return
	case since > max(3*interval, d.stale):
		r.Fail(drivers.Stale, fmt.Errorf("%s: no pulse for %v: at most %.3g W", d.port, since.Round(time.Second), d.joules/since.Seconds()))
		return
	}
	if t.spoilt {
		since = 0 // the time since the last good pulse says nothing
	}
	watts := d.joules / max(interval, since).Seconds()
	r.Set(int64(math.Float64bits(watts)), max(now-t.lastAt, 0)/2)
	r.Has |= drivers.HasChip
	r.Chip = int64(interval) // ns, as measured
	if t.spoilt {
		r.Fail(drivers.OutOfRange, fmt.Errorf("%s: %v between pulses: no meter sends less than %v", d.port, interval, t.least()))
	} else if most := d.joules / interval.Seconds(); most > d.maxWatts {
		// That power can't have been, so nothing is known until the next pulse.
		r.Fail(drivers.OutOfRange, fmt.Errorf("%s: %v between pulses are %.4g W, more than %.4g W", d.port, interval, most, d.maxWatts))
	}
}
