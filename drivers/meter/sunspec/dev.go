package sunspec

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus/modbus"
)

// Dev is one SunSpec device with its meter model.
type Dev struct {
	port             string
	unit             uint8
	now              func() time.Time // of the rig
	master           modbus.Master
	bases            []int
	integers, floats layout
	points           []string
	convs            []drivers.Converter

	scan  scan
	found bool // model, start and length are known
	model int
	start int // address of the model's ID register
	size  int // L
	buf   [2 * (2 + 124)]byte
}

var (
	_ drivers.Device = (*Dev)(nil)
	_ drivers.Prober = (*Dev)(nil)
)

// scan is how far the search for the models has come; it goes on in the next Read
// when a deadline ends it.
type scan struct {
	base    int  // index in bases
	marked  bool // the marker was found there
	next    int  // address of the next model's ID
	seen    []int
	common  int // address of model 1, 0: none yet
	refused error
}

// errNoMeter says that the chain has no meter model.
var errNoMeter = errors.New("no meter model (201..204, 211..214)")

// errNoMarker says that the device is not a SunSpec device, or not at this unit.
var errNoMarker = errors.New("no SunSpec marker")

// Converters says what the codes mean, one per input.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Close ends a running Read at once.
func (d *Dev) Close() error { return d.master.Close() }

// Read takes all points from one answer. The first calls look for the models; a
// search that the deadline ends goes on in the next call.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	start := d.now()
	regs, lay, err := d.block(ctx)
	end := d.now()
	for i := range out {
		out[i] = drivers.Reading{Age: max(end.Sub(start)/2, 0)}
		if err != nil {
			out[i].Fail(faults(err), err)
			continue
		}
		d.take(i, lay, regs, &out[i])
	}
	return err
}

// faults says which fault stands for an error of block.
func faults(err error) drivers.Faults {
	if errors.Is(err, errNoMeter) || errors.Is(err, errNoMarker) {
		return drivers.NoChip
	}
	return drivers.AnswerFaults(err)
}

// take turns one point into a reading. The number before scaling stays as evidence.
func (d *Dev) take(i int, lay layout, regs []byte, r *drivers.Reading) {
	age := r.Age
	v, raw, err := lay.value(d.points[i], regs)
	r.Set(int64(math.Float64bits(v)), age)
	r.Has |= drivers.HasChip
	r.Chip = raw
	if err == nil {
		err = sensible(d.convs[i].Kind, v)
	}
	if err == nil {
		return
	}
	var absent *absentError
	if errors.As(err, &absent) {
		r.Has, r.Code = drivers.HasChip, 0
		r.Fail(drivers.DeviceError, fmt.Errorf("%s, unit %d: %w", d.port, d.unit, err))
		return
	}
	r.Fail(drivers.OutOfRange, fmt.Errorf("%s, unit %d: %w", d.port, d.unit, err))
}

// sensible refuses what no meter on a laboratory's mains can measure.
func sensible(kind drivers.Kind, v float64) error {
	limit := math.Inf(1)
	switch kind {
	case drivers.Power:
		limit = 1e7
	case drivers.Voltage, drivers.Current:
		limit = 1e5
	case drivers.Frequency:
		limit = 1e3
	}
	if math.Abs(v) > limit {
		return fmt.Errorf("%g is beyond %g: broken scale factor or meter", v, limit)
	}
	if !math.IsInf(limit, 1) && v != 0 && math.Abs(v) < 1e-6 {
		return fmt.Errorf("%g is smaller than any meter resolves: broken scale factor, or a device that swaps words", v)
	}
	return nil
}

// block returns the model's registers from its ID on, all that are used from one answer.
func (d *Dev) block(ctx context.Context) ([]byte, layout, error) {
	if !d.found {
		if err := d.find(ctx); err != nil {
			return nil, layout{}, err
		}
	}
	lay := d.integers
	if d.model >= 211 {
		lay = d.floats
	}
	size := min(d.size, lay.length)
	from, count := 0, size+2
	if count > modbus.MaxRegisters {
		from, count = 2, size // the float models are one register too long for one request
	}
	if err := d.read(ctx, d.start+from, d.buf[2*from:2*(from+count)]); err != nil {
		var e *modbus.Exception
		if !errors.As(err, &e) || !e.Passing() {
			d.forget() // another device may answer when the link is back
		}
		return nil, lay, err
	}
	if from == 0 && (int(word(d.buf[0:])) != d.model || int(word(d.buf[2:])) != d.size) {
		got := [2]uint16{word(d.buf[0:]), word(d.buf[2:])}
		d.forget()
		return nil, lay, fmt.Errorf("%w: model %d of length %d stands where %d was", errNoMeter, got[0], got[1], d.model)
	}
	return d.buf[:2*(size+2)], lay, nil
}

func (d *Dev) forget() { d.found, d.scan = false, scan{} }

func (d *Dev) read(ctx context.Context, address int, dst []byte) error {
	return d.master.Read(ctx, modbus.Request{
		Unit: d.unit, Function: modbus.ReadHolding, Address: uint16(address), Count: len(dst) / 2,
	}, dst)
}

func word(b []byte) uint16 { return binary.BigEndian.Uint16(b) }

// find looks for the marker and walks the chain of models.
func (d *Dev) find(ctx context.Context) error {
	for !d.scan.marked {
		if err := d.findMarker(ctx); err != nil {
			return err
		}
	}
	for len(d.scan.seen) < 64 && d.scan.next <= 65534 {
		var head [4]byte
		err := d.read(ctx, d.scan.next, head[:])
		var e *modbus.Exception
		if errors.As(err, &e) && !e.Passing() {
			break // some devices refuse what follows the last model instead of marking the end
		}
		if err != nil {
			return err
		}
		id, size := int(word(head[0:])), int(word(head[2:]))
		if id == 0xFFFF || id == 0 {
			break
		}
		d.scan.seen = append(d.scan.seen, id)
		if id == 1 {
			d.scan.common = d.scan.next
		}
		if id >= 201 && id <= 204 || id >= 211 && id <= 214 {
			d.found, d.model, d.start, d.size = true, id, d.scan.next, size
			return nil
		}
		d.scan.next += 2 + size // L is what counts, whatever the standard's length is
	}
	err := fmt.Errorf("%s, unit %d: %w; models found: %v", d.port, d.unit, errNoMeter, d.scan.seen)
	d.forget()
	return err
}

// findMarker tries one base.
func (d *Dev) findMarker(ctx context.Context) error {
	var mark [4]byte
	base := d.bases[d.scan.base]
	err := d.read(ctx, base, mark[:])
	var e *modbus.Exception
	switch {
	case errors.As(err, &e):
		d.scan.refused = err
	case err != nil:
		return err
	case bytes.Equal(mark[:], []byte("SunS")):
		d.scan.marked, d.scan.next = true, base+2
		return nil
	}
	if d.scan.base++; d.scan.base < len(d.bases) {
		return nil
	}
	refused := d.scan.refused
	d.forget()
	err = fmt.Errorf("%s, unit %d: %w at registers %v; is it the right unit (1, 126, 240 are usual)?", d.port, d.unit, errNoMarker, d.bases)
	if refused != nil {
		return fmt.Errorf("%w; %w", err, refused)
	}
	return err
}

// Probe names the device, its models and its events.
func (d *Dev) Probe(ctx context.Context) ([]string, error) {
	regs, lay, err := d.block(ctx)
	if err != nil {
		return nil, err
	}
	lines := []string{fmt.Sprintf("%s, unit %d: models %v, meter model %d at register %d", d.port, d.unit, d.scan.seen, d.model, d.start)}
	if d.scan.common != 0 {
		var common [2 * 65]byte
		if err := d.read(ctx, d.scan.common+2, common[:]); err != nil {
			return lines, err
		}
		text := func(from, count int) string { return strings.TrimRight(string(common[2*from:2*(from+count)]), "\x00 ") }
		lines = append(lines, fmt.Sprintf("%s %s, version %s, serial number %s", text(0, 16), text(16, 16), text(40, 8), text(48, 16)))
	}
	for i, name := range d.points {
		v, _, err := lay.value(name, regs)
		if err != nil {
			lines = append(lines, err.Error())
			continue
		}
		lines = append(lines, fmt.Sprintf("%s = %g %s", name, v*d.convs[i].PerCode, d.convs[i].Unit))
	}
	if _, evt, err := lay.value("Evt", regs); err == nil && evt != 0 {
		lines = append(lines, "events: "+strings.Join(events(uint32(evt)), ", "))
	}
	return lines, nil
}
