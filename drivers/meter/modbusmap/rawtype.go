package modbusmap

import (
	"encoding/binary"
	"fmt"
	"math"

	"soakrig/drivers"
)

// rawType is how a field's bits are meant.
type rawType uint8

const (
	u16 rawType = iota
	i16
	u32
	i32
	u64
	i64
	f32
	f64
)

func parseType(text string) (rawType, error) {
	for t, name := range [...]string{"u16", "i16", "u32", "i32", "u64", "i64", "float32", "float64"} {
		if text == name {
			return rawType(t), nil
		}
	}
	return 0, fmt.Errorf("type %q: use u16, i16, u32, i32, u64, i64, float32 or float64", text)
}

func (t rawType) registers() int {
	switch t {
	case u16, i16:
		return 1
	case u32, i32, f32:
		return 2
	}
	return 4
}

func (t rawType) law() drivers.Law {
	switch t {
	case f32:
		return drivers.LawFloat32
	case f64:
		return drivers.LawFloat64
	}
	return drivers.LawLinear
}

// span is how many codes there are before a counter of the type wraps; 0 for floats.
func (t rawType) span() float64 {
	switch t {
	case u16, i16:
		return 1 << 16
	case u32, i32:
		return 1 << 32
	case u64, i64:
		return math.Exp2(64)
	}
	return 0
}

// step is the budget line of the register's own resolution: half a step of a whole
// number, half a unit in the last place of a float.
func (t rawType) step(perCode float64) drivers.Line {
	l := drivers.Line{Name: "register resolution", In: drivers.OnValue, Source: "register type"}
	switch t {
	case f32:
		l.Rel = 1.0 / (1 << 24)
	case f64:
		l.Rel = 1.0 / (1 << 53)
	default:
		l.Half = math.Abs(perCode) / 2
	}
	return l
}

// order is how the bytes of a field sit in its registers.
type order struct {
	lowFirst bool // the register with the low word comes first
	swapped  bool // the bytes in each register are swapped
}

func parseOrder(text string, registers int) (order, error) {
	if registers == 1 {
		switch text {
		case "", "AB":
			return order{}, nil
		case "BA":
			return order{swapped: true}, nil
		}
		return order{}, fmt.Errorf("order %q: a single register is AB or BA", text)
	}
	switch text {
	case "ABCD":
		return order{}, nil
	case "CDAB":
		return order{lowFirst: true}, nil
	case "BADC":
		return order{swapped: true}, nil
	case "DCBA":
		return order{lowFirst: true, swapped: true}, nil
	}
	return order{}, fmt.Errorf("order %q: use ABCD (high word first), CDAB, BADC or DCBA, by the meter's register table", text)
}

// String is the order's word for a field of two registers.
func (o order) String() string {
	switch o {
	case order{lowFirst: true}:
		return "CDAB"
	case order{swapped: true}:
		return "BADC"
	case order{lowFirst: true, swapped: true}:
		return "DCBA"
	}
	return "ABCD"
}

// bits puts the bytes of p, one to four registers, together.
func (o order) bits(p []byte) uint64 {
	var v uint64
	for i := 0; i < len(p); i += 2 {
		at := i
		if o.lowFirst {
			at = len(p) - 2 - i
		}
		w := binary.BigEndian.Uint16(p[at:])
		if o.swapped {
			w = w<<8 | w>>8
		}
		v = v<<16 | uint64(w)
	}
	return v
}

// code returns the code as a Reading carries it, and whether it fits.
func (t rawType) code(bits uint64) (int64, bool) {
	switch t {
	case i16:
		return int64(int16(bits)), true
	case i32:
		return int64(int32(bits)), true
	case u64:
		return int64(bits), bits <= math.MaxInt64
	}
	return int64(bits), true
}

// same says whether two codes have the same bits: a sentinel of a signed field may be
// written as -32768 or as 0x8000.
func (t rawType) same(a, b int64) bool {
	mask := ^uint64(0) >> (64 - 16*t.registers())
	return uint64(a)&mask == uint64(b)&mask
}

// holds says whether a sentinel fits in the field.
func (t rawType) holds(drop int64) bool {
	bits := 16 * t.registers()
	if bits == 64 || t == f32 { // a float's may be a number or its bits
		return true
	}
	return drop >= -1<<(bits-1) && drop < 1<<bits
}

// number is what a code says before scaling; NaN and infinities come through.
func (t rawType) number(code int64) float64 {
	switch t {
	case f32:
		return float64(math.Float32frombits(uint32(code)))
	case f64:
		return math.Float64frombits(uint64(code))
	}
	return float64(code)
}
