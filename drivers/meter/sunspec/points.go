package sunspec

import (
	_ "embed" // points.csv
	"encoding/binary"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"soakrig/drivers"
)

//go:embed points.csv
var pointsCSV string

// layout is one of the two forms that meter models come in.
type layout struct {
	length int              // what L says in the standard, without ID and L
	points map[string]point // by name
}

// point is one entry of a layout.
type point struct {
	name   string
	offset int    // from the ID register
	kind   string // int16 uint16 acc32 float32 bitfield32 sunssf
	unit   string
	scale  string // name of the scale factor's point, or empty
}

// registers is how many registers the point takes.
func (p point) registers() int {
	switch p.kind {
	case "acc32", "float32", "bitfield32":
		return 2
	}
	return 1
}

// layouts parses the table: integers for models 201..204, floats for 211..214.
func layouts() (integers, floats layout) {
	integers = layout{length: 105, points: map[string]point{}}
	floats = layout{length: 124, points: map[string]point{}}
	for line := range strings.Lines(pointsCSV) {
		f := strings.Split(strings.TrimSpace(line), ",")
		if len(f) != 6 {
			continue // a comment
		}
		offset, err := strconv.Atoi(f[2])
		if err != nil {
			continue // can't happen: a test reads the table
		}
		p := point{name: f[1], offset: offset, kind: f[3], unit: f[4], scale: f[5]}
		if f[0] == "20x" {
			integers.points[p.name] = p
		} else {
			floats.points[p.name] = p
		}
	}
	return integers, floats
}

// names lists the points that make sense as a channel.
func (l layout) names() string {
	var names []string
	for name, p := range l.points {
		if p.kind != "sunssf" {
			names = append(names, name)
		}
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
}

// quantityOf is what a point's unit stands for; percentages leave as ratios.
func quantityOf(unit string) drivers.Quantity {
	if unit == "Pct" || unit == "PF" {
		unit = ""
	}
	return drivers.QuantityOf(unit)
}

// absentError says that the device does not implement a point.
type absentError struct{ text string }

func (e *absentError) Error() string { return e.text }

// value takes a point out of a model's registers, which start at the ID. raw is the
// number before scaling.
func (l layout) value(name string, regs []byte) (v float64, raw int64, err error) {
	p, ok := l.points[name]
	if !ok {
		return 0, 0, &absentError{fmt.Sprintf("this model has no point %s; it has %s", name, l.names())}
	}
	b, ok := at(regs, p)
	if !ok {
		return 0, 0, &absentError{fmt.Sprintf("%s: the device's model ends before it", name)}
	}
	switch p.kind {
	case "float32":
		f := math.Float32frombits(binary.BigEndian.Uint32(b))
		if raw = int64(binary.BigEndian.Uint32(b)); f != f {
			return 0, raw, &absentError{fmt.Sprintf("%s: % x: not implemented", name, b)}
		}
		if math.IsInf(float64(f), 0) {
			return 0, raw, fmt.Errorf("%s: % x: not a finite number", name, b)
		}
		return float64(f), raw, nil
	case "acc32", "bitfield32":
		raw = int64(binary.BigEndian.Uint32(b))
		if p.kind == "acc32" && raw == 0 || p.kind == "bitfield32" && raw == math.MaxUint32 {
			return 0, raw, &absentError{fmt.Sprintf("%s: % x: not accumulated or not implemented", name, b)}
		}
	case "uint16":
		if raw = int64(binary.BigEndian.Uint16(b)); raw == math.MaxUint16 {
			return 0, raw, &absentError{fmt.Sprintf("%s: % x: not implemented", name, b)}
		}
	default:
		if raw = int64(int16(binary.BigEndian.Uint16(b))); raw == math.MinInt16 {
			return 0, raw, &absentError{fmt.Sprintf("%s: % x: not implemented", name, b)}
		}
	}
	factor, err := l.factor(p, regs)
	if p.unit == "Pct" {
		factor /= 100
	}
	return float64(raw) * factor, raw, err
}

// factor is the power of ten of a point's scale factor, from the same registers.
func (l layout) factor(p point, regs []byte) (float64, error) {
	if p.scale == "" {
		return 1, nil
	}
	b, ok := at(regs, l.points[p.scale])
	if !ok {
		return 0, &absentError{fmt.Sprintf("%s: the device's model ends before its scale factor", p.name)}
	}
	exp := int16(binary.BigEndian.Uint16(b))
	if exp == math.MinInt16 {
		return 0, &absentError{fmt.Sprintf("%s: its scale factor %s is not implemented", p.name, p.scale)}
	}
	if exp < -10 || exp > 10 {
		return 0, fmt.Errorf("%s: scale factor %s = %d is outside -10..10", p.name, p.scale, exp)
	}
	if exp < 0 {
		return 1 / math.Pow10(-int(exp)), nil // 1/100 is nearer to a hundredth than a product of tenths
	}
	return math.Pow10(int(exp)), nil
}

func at(regs []byte, p point) ([]byte, bool) {
	from, to := 2*p.offset, 2*(p.offset+p.registers())
	if to > len(regs) {
		return nil, false
	}
	return regs[from:to], true
}

// events names the bits that are set in Evt.
func events(evt uint32) []string {
	var out []string
	for bit := range 32 {
		if evt&(1<<bit) == 0 {
			continue
		}
		switch {
		case bit >= 2 && bit <= 7:
			out = append(out, [...]string{"Power_Failure", "Under_Voltage", "Low_PF", "Over_Current", "Over_Voltage", "Missing_Sensor"}[bit-2])
		case bit >= 16 && bit <= 30:
			out = append(out, fmt.Sprintf("OEM%02d", bit-15))
		default:
			out = append(out, fmt.Sprintf("bit %d", bit))
		}
	}
	return out
}
