package iec62056

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sort"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus/line"
)

// Dev is one meter.
type Dev struct {
	port    string
	now     func() time.Time // of the rig
	session session
	wanted  []wanted
	convs   []drivers.Converter
}

var (
	_ drivers.Device = (*Dev)(nil)
	_ drivers.Prober = (*Dev)(nil)
)

// wanted is one input's line in the readout.
type wanted struct {
	address  string
	unit     string // where the line has none
	quantity drivers.Quantity
	lo, hi   float64 // in the converter's unit
}

// Converters says what the codes mean, one per input.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Close ends a running Read at once.
func (d *Dev) Close() error { return d.session.line.Close() }

// Read takes one readout; all inputs come from it. It can last a minute.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	start := d.now()
	lines, err := d.session.readout(ctx)
	age := max(d.now().Sub(start)/2, 0)
	if err != nil {
		err = fmt.Errorf("%s: %w", d.port, err)
	}
	for i, w := range d.wanted {
		out[i] = drivers.Reading{Age: age}
		if err != nil {
			out[i].Fail(faults(err), err)
			continue
		}
		w.take(d.port, lines, &out[i])
	}
	return err
}

// faults says which fault stands for an error of a readout.
func faults(err error) drivers.Faults {
	switch {
	case errors.Is(err, errTimeout), line.IsExpired(err):
		return drivers.Timeout
	case ours(err):
		return drivers.Corrupt
	}
	return drivers.BusError
}

// take turns a line into a reading; its digits stay as evidence.
func (w wanted) take(port string, lines map[string]value, r *drivers.Reading) {
	v, err := find(lines, w.address)
	if err != nil {
		r.Fail(drivers.DeviceError, fmt.Errorf("%s: %w", port, err))
		return
	}
	q := w.quantity
	if v.unit != "" {
		q = quantity(v.unit)
	}
	x := v.number * q.Factor
	r.Has, r.Chip = drivers.HasChip, v.digits
	if q.Kind != w.quantity.Kind || q.Unit != w.quantity.Unit {
		r.Fail(drivers.Corrupt, fmt.Errorf("%s: %s is in %q, the source says %q", port, w.address, v.unit, w.unit))
		return
	}
	r.Has |= drivers.HasCode
	r.Code = int64(math.Float64bits(x))
	if x < w.lo || x > w.hi {
		r.Fail(drivers.OutOfRange, fmt.Errorf("%s: %s: %g %s is outside %g..%g", port, w.address, x, q.Unit, w.lo, w.hi))
	}
}

// Probe says who answers and prints every line of the readout.
func (d *Dev) Probe(ctx context.Context) ([]string, error) {
	lines, err := d.session.readout(ctx)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", d.port, err)
	}
	out := []string{fmt.Sprintf("%s: %s %s, highest speed %q", d.port, d.session.id.maker, d.session.id.text, d.session.id.speed)}
	addresses := make([]string, 0, len(lines))
	for a := range lines {
		addresses = append(addresses, a)
	}
	sort.Strings(addresses)
	for _, a := range addresses {
		out = append(out, fmt.Sprintf("  %s = %g %s", a, lines[a].number, lines[a].unit))
	}
	return out, nil
}
