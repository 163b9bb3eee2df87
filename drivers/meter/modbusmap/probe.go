package modbusmap

import (
	"context"
	"fmt"
	"strings"

	"soakrig/drivers/bus/modbus"
)

// Probe reads every field that is used and says what came, in which order and at
// which neighbouring address it would make sense where it does not.
func (d *Dev) Probe(ctx context.Context) ([]string, error) {
	var lines []string
	var first error
	for _, u := range d.units {
		lines = append(lines, fmt.Sprintf("%s, unit %d: map %s (%s)", d.port, u.unit, u.regs.ID, u.regs.Device))
		for _, f := range u.fields {
			line, err := d.probeField(ctx, u, f)
			if err != nil && first == nil {
				first = err
			}
			lines = append(lines, "  "+line)
		}
	}
	return lines, first
}

func (d *Dev) probeField(ctx context.Context, u *meter, f field) (string, error) {
	raw, err := d.registers(ctx, u.unit, f, 0)
	if err != nil {
		return fmt.Sprintf("%s: %v", f.name, err), err
	}
	code, fits := f.kind.code(f.order.bits(raw))
	text := fmt.Sprintf("%s = %g %s (registers %d..%d: % x)", f.name,
		f.kind.number(code)*f.conv.PerCode+f.conv.Offset, f.conv.Unit, f.start, f.end()-1, raw)
	if f.judge(code, fits, raw) == nil {
		return text, nil
	}
	return text + "; " + d.suspect(ctx, u, f, raw), nil
}

// suspect tries the other orders and the neighbouring addresses.
func (d *Dev) suspect(ctx context.Context, u *meter, f field, raw []byte) string {
	var hints []string
	if f.registers > 1 {
		for _, o := range []order{{}, {lowFirst: true}, {swapped: true}, {lowFirst: true, swapped: true}} {
			if v, ok := f.sensible(o, raw); ok {
				hints = append(hints, fmt.Sprintf("order %s would read %g %s", o, v, f.conv.Unit))
			}
		}
	}
	for _, step := range []int{-1, 1} {
		near, err := d.registers(ctx, u.unit, f, step)
		if err != nil {
			continue // the neighbour does not exist: no hint
		}
		if v, ok := f.sensible(f.order, near); ok {
			hints = append(hints, fmt.Sprintf("register %d would read %g %s (does the meter count from 1?)", f.start+step, v, f.conv.Unit))
		}
	}
	if len(hints) == 0 {
		return "no order and no neighbouring address makes sense: wrong map?"
	}
	return strings.Join(hints, "; ")
}

// sensible reads the bytes in another order; ok means finite, in range and not zero.
func (f field) sensible(o order, raw []byte) (v float64, ok bool) {
	code, fits := f.kind.code(o.bits(raw))
	v = f.kind.number(code)*f.conv.PerCode + f.conv.Offset
	return v, f.judge(code, fits, raw) == nil && v != 0
}

func (d *Dev) registers(ctx context.Context, unit uint8, f field, shift int) ([]byte, error) {
	raw := make([]byte, 2*f.registers)
	at := f.start + shift
	if at < 0 || at+f.registers > 1<<16 {
		return nil, modbus.ErrRequest
	}
	return raw, d.master.Read(ctx, modbus.Request{
		Unit: unit, Function: f.function, Address: uint16(at), Count: f.registers,
	}, raw)
}
