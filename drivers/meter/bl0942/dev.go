package bl0942

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

const (
	answerTime = 300 * time.Millisecond // how long the chip may think
	quietTime  = 100 * time.Millisecond // silence that must follow a failure
)

// field is what an input takes out of a frame.
type field struct {
	name   string
	get    func(frame) int64
	lo, hi float64 // in the converter's unit
	period bool    // the code is a period in microseconds
}

// Dev is one chip.
type Dev struct {
	port   string
	now    func() time.Time // of the rig
	line   *line.Line
	wait   time.Duration
	fields []field
	convs  []drivers.Converter
	dirty  bool
	buf    [frameSize]byte
}

var _ drivers.Device = (*Dev)(nil)

// Converters says what the codes mean, one per input.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Close ends a running Read at once.
func (d *Dev) Close() error { return d.line.Close() }

// Read asks once; all inputs come from one answer.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	start := d.now()
	f, err := d.ask(ctx)
	age := max(d.now().Sub(start)/2, 0)
	if err != nil {
		err = fmt.Errorf("%s: %w", d.port, err)
	}
	for i := range out {
		out[i] = drivers.Reading{Age: age}
		if err != nil {
			out[i].Fail(faults(err), err)
			continue
		}
		d.take(i, f, &out[i])
	}
	return err
}

func faults(err error) drivers.Faults {
	switch {
	case errors.Is(err, errTimeout), line.IsExpired(err):
		return drivers.Timeout
	case errors.Is(err, errHead), errors.Is(err, errChecksum), errors.Is(err, line.ErrBabble):
		return drivers.Corrupt
	}
	return drivers.BusError
}

func (d *Dev) take(i int, f frame, r *drivers.Reading) {
	own, c := d.fields[i], d.convs[i]
	code := own.get(f)
	value := float64(code) * c.PerCode
	if own.period {
		r.Has, r.Chip = drivers.HasChip, code
		if code == 0 {
			r.Fail(drivers.OutOfRange, fmt.Errorf("%s: no mains period was found", d.port))
			return
		}
		value = 1e6 / float64(code)
		code = int64(math.Float64bits(value))
	}
	r.Has |= drivers.HasCode
	r.Code = code
	if value < own.lo || value > own.hi {
		r.Fail(drivers.OutOfRange, fmt.Errorf("%s: %s: %g %s is outside %g..%g", d.port, own.name, value, c.Unit, own.lo, own.hi))
	}
}

// ask sends the command and takes the answer. The line is drained before, and quiet
// after a failure.
func (d *Dev) ask(ctx context.Context) (frame, error) {
	fresh, err := d.line.Begin(ctx)
	if err != nil {
		return frame{}, err
	}
	defer d.line.End()
	f, err := d.exchange(fresh || d.dirty)
	if d.dirty = err != nil; !d.dirty {
		d.line.Good()
		return f, nil
	}
	if faults(err) == drivers.BusError && ctx.Err() == nil {
		d.line.Drop(err)
	}
	if ctx.Err() != nil && !errors.Is(err, ctx.Err()) {
		err = fmt.Errorf("%w: %w", ctx.Err(), err)
	}
	if d.line.Closed() && !errors.Is(err, bus.ErrClosed) {
		err = fmt.Errorf("%w: %w", bus.ErrClosed, err)
	}
	return frame{}, err
}

func (d *Dev) exchange(quiet bool) (frame, error) {
	if quiet {
		if _, _, err := d.line.Silence(time.Now(), quietTime); err != nil {
			return frame{}, err
		}
	}
	if _, err := d.line.Drain(); err != nil {
		return frame{}, err
	}
	if err := d.line.Write([]byte{readCommand, allFields}); err != nil {
		return frame{}, err
	}
	n, err := d.line.ReadFull(d.buf[:], time.Now().Add(d.wait))
	if err != nil && line.IsExpired(err) {
		return frame{}, fmt.Errorf("%w: %d of %d bytes", errTimeout, n, frameSize)
	}
	if err != nil {
		return frame{}, err
	}
	return parse(d.buf[:])
}
