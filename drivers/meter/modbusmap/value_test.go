package modbusmap

import (
	"fmt"
	"math"
	"testing"

	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	"soakrig/drivers"
)

// TestValuesAndSentinels reads single fields of a lab's own map. Values were worked out
// by hand from the bytes; a fault says what must come instead of a number.
func TestValuesAndSentinels(t *testing.T) {
	const bad = drivers.OutOfRange
	for _, c := range []struct {
		field string
		regs  []uint16
		want  float64
		fault drivers.Faults
	}{
		// Orders of 32 and 64 bits: 0x0001E240 = 123456, 0x0102030405060708.
		{"type: u32, order: ABCD, unit: mW, range: [0, 1e9]", []uint16{0x0001, 0xE240}, 123.456, 0},
		{"type: u32, order: CDAB, unit: mW, range: [0, 1e9]", []uint16{0xE240, 0x0001}, 123.456, 0},
		{"type: u32, order: BADC, unit: mW, range: [0, 1e9]", []uint16{0x0100, 0x40E2}, 123.456, 0},
		{"type: u32, order: DCBA, unit: mW, range: [0, 1e9]", []uint16{0x40E2, 0x0100}, 123.456, 0},
		{"type: u64, order: ABCD, unit: x", []uint16{0x0102, 0x0304, 0x0506, 0x0708}, 72623859790382856, 0},
		{"type: u64, order: CDAB, unit: x", []uint16{0x0708, 0x0506, 0x0304, 0x0102}, 72623859790382856, 0},
		{"type: u64, order: BADC, unit: x", []uint16{0x0201, 0x0403, 0x0605, 0x0807}, 72623859790382856, 0},
		{"type: u64, order: DCBA, unit: x", []uint16{0x0807, 0x0605, 0x0403, 0x0201}, 72623859790382856, 0},
		{"type: float64, order: ABCD, unit: V", []uint16{0x406C, 0xC333, 0x3333, 0x3333}, 230.1, 0},
		{"type: float64, order: CDAB, unit: V", []uint16{0x3333, 0x3333, 0xC333, 0x406C}, 230.1, 0},
		{"type: u16, order: BA, unit: V", []uint16{0xE600}, 230, 0},
		// Signs.
		{"type: i16, scale: 0.1, unit: W, range: [-4000, 4000]", []uint16{0xFFFE}, -0.2, 0},
		{"type: i16, scale: 0.1, sign: -1, unit: W, range: [-4000, 4000]", []uint16{0xFFFE}, 0.2, 0},
		{"type: i32, order: CDAB, scale: 0.1, unit: W, range: [-4000, 4000]", []uint16{0xFFFE, 0xFFFF}, -0.2, 0},
		{"type: i64, order: ABCD, scale: 0.001, unit: W, range: [-4000, 4000]", []uint16{0xFFFF, 0xFFFF, 0xFFFF, 0xFC18}, -1, 0},
		{"type: u16, scale: 0.1, unit: W, range: [0, 4000]", []uint16{0xFFFE}, 0, bad}, // -2 as 65534: 6553.4 W
		{"type: i16, unit: W, range: [0, 4000]", []uint16{0xFF38}, 0, bad},             // export on a meter that only imports
		{"type: u16, scale: 0.1, offset: -40, unit: degree", []uint16{650}, 25, 0},
		// 64-bit counters.
		{"type: u64, order: ABCD, scale: 0.001, unit: Wh", []uint16{0, 0, 0x0001, 0x0000}, 65.536 * 3600, 0},
		{"type: u64, order: ABCD, unit: Wh", []uint16{0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF}, 0, bad},
		{"type: u64, order: ABCD, unit: Wh", []uint16{0x8000, 0, 0, 0}, 0, bad},
		// Sentinels, as people write them.
		{"type: i16, drop: [0x8000], unit: A", []uint16{0x8000}, 0, drivers.DeviceError},
		{"type: i16, drop: [-32768], unit: A", []uint16{0x8000}, 0, drivers.DeviceError},
		{"type: i16, drop: [0xFFFF], unit: A", []uint16{0xFFFF}, 0, drivers.DeviceError},
		{"type: i32, order: ABCD, drop: [0x80000000], unit: A", []uint16{0x8000, 0}, 0, drivers.DeviceError},
		{"type: i32, order: CDAB, drop: [0x7FFFFFFF], unit: A", []uint16{0xFFFF, 0x7FFF}, 0, drivers.DeviceError},
		{"type: u16, drop: [-1, 0x7FFF], unit: V", []uint16{0xFFFF}, 0, drivers.DeviceError},
		{"type: u32, order: ABCD, drop: [0xFFFFFFFF], unit: Wh", []uint16{0xFFFF, 0xFFFF}, 0, drivers.DeviceError},
		{"type: i64, order: ABCD, drop: [-9223372036854775808], unit: Wh", []uint16{0x8000, 0, 0, 0}, 0, drivers.DeviceError},
		{"type: float32, order: ABCD, drop: [-1], unit: A", []uint16{0xBF80, 0}, 0, drivers.DeviceError},
		{"type: float32, order: ABCD, drop: [0x7F7FFFFF], unit: Wh", []uint16{0x7F7F, 0xFFFF}, 0, drivers.DeviceError},
		{"type: float32, order: ABCD, drop: [9999], unit: A", []uint16{0x461C, 0x3C00}, 0, drivers.DeviceError},
		{"type: float64, order: ABCD, drop: [-1], unit: A", []uint16{0xBFF0, 0, 0, 0}, 0, drivers.DeviceError},
		{"type: i16, drop: [0x8000], unit: A", []uint16{0x7FFF}, 32767, 0},
		// What no float may be: any NaN, the infinities, denormals of a wrong order.
		{"type: float32, order: ABCD, unit: A", []uint16{0x7FC0, 0}, 0, bad},
		{"type: float32, order: ABCD, unit: A", []uint16{0x7FBF, 0xFF80}, 0, bad},
		{"type: float32, order: ABCD, unit: A", []uint16{0xFFFF, 0xFFFF}, 0, bad},
		{"type: float32, order: ABCD, unit: Wh", []uint16{0x7F80, 0}, 0, bad},
		{"type: float32, order: ABCD, unit: Wh", []uint16{0xFF80, 0}, 0, bad},
		{"type: float64, order: ABCD, unit: Wh", []uint16{0x7FF8, 0, 0, 1}, 0, bad},
		{"type: float32, order: ABCD, unit: A", []uint16{0x0000, 0x43F6}, 0, bad},
		{"type: float32, order: ABCD, unit: A", []uint16{0x8000, 0}, 0, 0}, // minus zero
	} {
		m := mapFile(t, "id: own\nfunction: 3\nfields:\n  x: {address: 0, "+c.field+"}\n")
		g := newRegisters()
		g.set(0, c.regs...)
		d := &Dev{}
		f, err := m.resolve("x")
		if err != nil {
			t.Errorf("%s: %v", c.field, err)
			continue
		}
		u := &meter{regs: m, unit: 1, inputs: []int{0}, fields: []field{f}}
		u.blocks, u.places = m.plan(1, u.fields)
		for i, w := range c.regs {
			u.blocks[0].buf[2*i], u.blocks[0].buf[2*i+1] = byte(w>>8), byte(w)
		}
		d.units = []*meter{u}
		var r drivers.Reading
		u.take(0, nil, 0, &r)
		name := fmt.Sprintf("{%s} % x", c.field, c.regs)
		if r.Faults != c.fault {
			t.Errorf("%s: %v (%v), want %v", name, r.Faults, r.Cause, c.fault)
		}
		if c.fault == 0 && !near(valueOf(t, f, r), c.want) {
			t.Errorf("%s: %v, want %v", name, valueOf(t, f, r), c.want)
		}
	}
}

func near(got, want float64) bool { return math.Abs(got-want) <= 1e-9*math.Max(1, math.Abs(want)) }

// valueOf is what the daemon makes of a reading.
func valueOf(t *testing.T, f field, r drivers.Reading) float64 {
	t.Helper()
	l := &record.Layout{ID: 1, Sources: []record.Source{{Name: "s", Channels: []int{0}}}, Channels: []record.Channel{{
		Name: "x", Unit: f.conv.Unit, Kind: record.Other,
		Converter: record.Converter{Law: record.Law(f.conv.Law), PerCode: f.conv.PerCode, Offset: f.conv.Offset},
	}}}
	table, err := convert.New(l)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]convert.Value, 1)
	if err := table.Convert(&record.Sample{Layout: 1, Raw: []record.Raw{{Has: record.Fields(r.Has), Code: r.Code}}}, out); err != nil {
		t.Fatal(err)
	}
	return out[0].Value
}
