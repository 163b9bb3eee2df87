package modbusmap

import (
	"context"
	"errors"
	"fmt"

	"soakrig/drivers/bus/modbus"
)

// Probe reads every field that is used and says what came. Where the numbers make no
// sense, or where only zeros come, it looks for what would make sense of them: another
// word order, a neighbouring address, another function, another map, another unit.
func (d *Dev) Probe(ctx context.Context) ([]string, error) {
	var lines []string
	for _, u := range d.units {
		device := u.regs.Device
		if device != "" {
			device = " (" + device + ")"
		}
		lines = append(lines, fmt.Sprintf("%s, unit %d: map %s%s", d.port, u.unit, u.regs.ID, device))
		var lost error // once it is, the other fields would say the same
		for i := 0; i < len(u.fields) && lost == nil; i++ {
			line, err := d.probeField(ctx, u, u.fields[i])
			var refused *modbus.Exception
			if err != nil && (!errors.As(err, &refused) || isSilent(err)) {
				lost = err
			}
			lines = append(lines, "  "+line)
		}
		switch {
		case ctx.Err() != nil:
			return lines, ctx.Err()
		case isSilent(lost):
			lines = append(lines, "  "+d.otherUnits(ctx, u))
		case lost == nil:
			for _, text := range d.diagnose(ctx, u) {
				lines = append(lines, "  "+text)
			}
		}
	}
	return lines, nil
}

func (d *Dev) probeField(ctx context.Context, u *meter, f field) (string, error) {
	raw := make([]byte, 2*f.registers)
	if err := d.ask(ctx, d.master, u.unit, f, raw); err != nil {
		return fmt.Sprintf("%s: %v", f.name, err), err
	}
	text := fmt.Sprintf("%s = %s (%s)", f.name, f.text(raw), f.where(raw))
	code, fits := f.kind.code(f.order.bits(raw))
	if err := f.judge(code, fits, raw); err != nil {
		text += ": makes no sense"
	}
	return text, nil
}

// text is the value that the bytes stand for, whatever they are worth.
func (f field) text(raw []byte) string {
	code, _ := f.kind.code(f.order.bits(raw))
	unit := f.conv.Unit
	if unit == "1" {
		unit = ""
	}
	return trimUnit(fmt.Sprintf("%.6g %s", f.kind.number(code)*f.conv.PerCode+f.conv.Offset, unit))
}

// where names the registers as they are counted on the wire.
func (f field) where(raw []byte) string {
	if f.registers == 1 {
		return fmt.Sprintf("register %d: % x", f.start, raw)
	}
	return fmt.Sprintf("registers %d..%d: % x", f.start, f.end()-1, raw)
}

func trimUnit(s string) string {
	if n := len(s); n > 0 && s[n-1] == ' ' {
		return s[:n-1]
	}
	return s
}

// ask reads a field's registers.
func (d *Dev) ask(ctx context.Context, m modbus.Master, unit uint8, f field, raw []byte) error {
	return m.Read(ctx, modbus.Request{
		Unit: unit, Function: f.function, Address: uint16(f.start), Count: f.registers,
	}, raw)
}

// isSilent says that nobody answers under this unit.
func isSilent(err error) bool {
	var e *modbus.Exception
	if errors.As(err, &e) {
		return e.Code == 0x0A || e.Code == 0x0B
	}
	return errors.Is(err, modbus.ErrTimeout)
}

// otherUnits asks the units that meters are delivered with, where the one named is
// silent.
func (d *Dev) otherUnits(ctx context.Context, u *meter) string {
	asked := map[int]bool{int(u.unit): true}
	tried := ""
	for _, unit := range []int{u.regs.Link.Unit, 1, 2, 3} {
		if unit < 1 || asked[unit] || ctx.Err() != nil {
			continue
		}
		asked[unit] = true
		m, err := d.again() // without the pause that follows a failure
		if err != nil {
			break
		}
		err = d.ask(ctx, m, uint8(unit), u.fields[0], make([]byte, 2*u.fields[0].registers))
		m.Close()
		var e *modbus.Exception
		if err == nil || errors.As(err, &e) && !isSilent(err) {
			return fmt.Sprintf("wrong unit: unit %d does not answer, unit %d does", u.unit, unit)
		}
		tried += fmt.Sprintf(", %d", unit)
	}
	return fmt.Sprintf("nobody answers at unit %d%s: is the meter on, are speed and parity those of the meter, and A and B the right way round?", u.unit, tried)
}
