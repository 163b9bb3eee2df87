package modbusmap

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/modbus"
)

// Dev is one line or connection with one or more meters.
type Dev struct {
	host   *bus.Host
	now    func() time.Time // of the rig
	port   string
	master modbus.Master
	again  func() (modbus.Master, error) // opens another link to the same port, for a check
	units  []*meter
	convs  []drivers.Converter
}

var (
	_ drivers.Device = (*Dev)(nil)
	_ drivers.Prober = (*Dev)(nil)
)

// errNoValue is behind readings for which the meter has a sign instead of a number.
var errNoValue = errors.New("the meter's sign for no value")

// meter is one unit on the line with what is wanted from it.
type meter struct {
	regs    *Map
	unit    uint8
	inputs  []int // index of the source's input, beside fields and places
	fields  []field
	blocks  []block
	places  []place
	breaker modbus.Breaker
}

// Converters says what the codes mean, one per input.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Close ends a running Read at once.
func (d *Dev) Close() error { return d.master.Close() }

// Read asks every meter for its blocks. All fields of a block come from one answer.
// The error is not nil when no meter answered.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	var first error
	reached := false
	for _, u := range d.units {
		err := d.readMeter(ctx, u, out)
		if err == nil {
			reached = true
		} else if first == nil {
			first = err
		}
	}
	if reached {
		return nil
	}
	return first
}

// readMeter reads one meter's blocks. After a failure that is not an exception the
// rest of its blocks is not asked for: a dead meter costs one time-out.
func (d *Dev) readMeter(ctx context.Context, u *meter, out []drivers.Reading) error {
	var lost error
	if len(d.units) > 1 {
		lost = u.breaker.Err(time.Now())
	}
	for b := range u.blocks {
		blk := &u.blocks[b]
		err := lost
		start := d.now()
		if err == nil {
			err = d.master.Read(ctx, blk.req, blk.buf)
			u.breaker.Note(time.Now(), err)
			var exception *modbus.Exception
			if err != nil && !errors.As(err, &exception) {
				lost = err
			}
		}
		middle := start.Add(d.now().Sub(start) / 2)
		for i := range u.fields {
			if u.places[i].block == b {
				u.take(i, err, max(d.now().Sub(middle), 0), &out[u.inputs[i]])
			}
		}
	}
	return lost
}

// take turns a field's bytes into a reading, or says why there is none.
func (u *meter) take(i int, err error, age time.Duration, r *drivers.Reading) {
	if err != nil {
		*r = drivers.Reading{Age: age}
		r.Fail(drivers.AnswerFaults(err), err)
		return
	}
	f, at := &u.fields[i], u.places[i]
	raw := u.blocks[at.block].buf[at.offset:][:2*f.registers]
	code, fits := f.kind.code(f.order.bits(raw))
	r.Set(code, age)
	if err := f.judge(code, fits, raw); err != nil {
		fault := drivers.OutOfRange
		if errors.Is(err, errNoValue) {
			fault = drivers.DeviceError
		}
		r.Fail(fault, fmt.Errorf("unit %d, %s: %w", u.unit, f.name, err))
	}
}

// judge says why a code is not a value; nil when it is one.
func (f *field) judge(code int64, fits bool, raw []byte) error {
	if !fits {
		return fmt.Errorf("registers % x: larger than any reading can be", raw)
	}
	n := f.kind.number(code)
	for _, drop := range f.drop {
		if f.kind.same(code, drop) || f.kind.law() != drivers.LawLinear && n == float64(drop) {
			return fmt.Errorf("registers % x: %w", raw, errNoValue)
		}
	}
	if math.IsNaN(n) || math.IsInf(n, 0) {
		return fmt.Errorf("registers % x: not a finite number", raw)
	}
	if f.isTiny(n) {
		return fmt.Errorf("registers % x: %g is smaller than any meter resolves: wrong word order?", raw, n)
	}
	v := n*f.conv.PerCode + f.conv.Offset
	if v >= f.lo && v <= f.hi {
		return nil
	}
	if v < 0 && f.lo >= 0 && f.conv.Kind == drivers.Power && v >= -f.hi {
		return fmt.Errorf("registers % x: negative power %g W: current clamp turned round or meter wired for export; "+
			"if it is meant, set sign: -1 or a range that starts below 0 in the map", raw, v)
	}
	q := drivers.QuantityOf(f.unit)
	return fmt.Errorf("registers % x: %g %s is outside %g..%g %s: wrong map, word order or address, or a broken meter",
		raw, v/q.Factor, f.unit, f.given[0], f.given[1], f.unit)
}

// isTiny finds floats that only a wrong word order or map produces: no meter resolves
// a millionth of a watt, volt, ampere or hertz. Energies and ratios may start small.
func (f *field) isTiny(n float64) bool {
	switch f.conv.Kind {
	case drivers.Power, drivers.Voltage, drivers.Current, drivers.Frequency:
		return f.kind.law() != drivers.LawLinear && n != 0 && math.Abs(n) < 1e-6
	}
	return false
}
