package modbusmap

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"math"
	"os"
	"path"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"soakrig/drivers"
	"soakrig/drivers/bus/modbus"
)

//go:embed maps/*.yaml
var builtin embed.FS

// Map describes the registers of one kind of meter. Maps are data: the built-in ones
// and a lab's own have the same form.
type Map struct {
	ID         string           `yaml:"id"`       // the word after "builtin:"
	Device     string           `yaml:"device"`   // what the meter is called in reports
	Source     string           `yaml:"source"`   // where the facts come from
	Link       MapLink          `yaml:"link"`     // as delivered; rig.yaml overrides
	Function   int              `yaml:"function"` // 3 or 4
	Order      string           `yaml:"order"`    // of fields longer than one register
	Base       int              `yaml:"base"`     // the number of the first register in this map: 0 or 1
	Join       int              `yaml:"join"`     // how many registers between two fields may be read along; 0: none
	Most       int              `yaml:"most"`     // registers in one request; 0: 125
	EvenCounts bool             `yaml:"even_counts"`
	Mains      bool             `yaml:"mains"` // measures mains: the caution is shown
	Fields     map[string]Field `yaml:"fields"`
}

// MapLink is how the meter's line is set when it comes out of its box.
type MapLink struct {
	Baud   int           `yaml:"baud"`
	Parity string        `yaml:"parity"`
	Stop   int           `yaml:"stop_bits"`
	Unit   int           `yaml:"unit"`
	Gap    time.Duration `yaml:"gap"`
}

// Field is one quantity in a meter's registers: value = sign*(raw*scale + offset) in Unit.
type Field struct {
	Address  int       `yaml:"address"`  // as the map counts, see Map.Base
	Function int       `yaml:"function"` // 0: the map's
	Type     string    `yaml:"type"`     // u16 i16 u32 i32 u64 i64 float32 float64
	Order    string    `yaml:"order"`    // empty: the map's; ABCD CDAB BADC DCBA, or BA for a byte-swapped single register
	Scale    float64   `yaml:"scale"`    // 0: 1
	Offset   float64   `yaml:"offset"`   // in Unit
	Unit     string    `yaml:"unit"`     // W kW Wh kWh J V mV A mA Hz, or any other word
	Sign     int       `yaml:"sign"`     // -1: the meter counts the other way round; 0: 1
	Range    []float64 `yaml:"range"`    // lowest and highest possible value in Unit, sign applied; required for power
	Drop     []int64   `yaml:"drop"`     // raw values that mean "no value", in bits (0x8000) or signed; floats: in bits or as a number
	Modulus  float64   `yaml:"modulus"`  // counters: where it wraps, in Unit; 0: 2^bits*scale for whole numbers, none for floats
	Accuracy string    `yaml:"accuracy"` // "class 1", "0.5% of reading + 0.2 W", "1% of 18400 W"
}

// Builtin lists the ids of the built-in maps.
func Builtin() []string {
	entries, err := builtin.ReadDir("maps")
	if err != nil {
		return nil // can't happen: the folder is part of the binary
	}
	ids := make([]string, 0, len(entries))
	for _, e := range entries {
		ids = append(ids, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return ids
}

// LoadMap returns the built-in map "builtin:ID" or the one in the named file.
func LoadMap(name string) (*Map, error) {
	if id, ok := strings.CutPrefix(name, "builtin:"); ok {
		text, err := builtin.ReadFile(path.Join("maps", id+".yaml"))
		if err != nil {
			return nil, fmt.Errorf("no built-in map %q; there are: %s", id, strings.Join(Builtin(), ", "))
		}
		return ParseMap(name, text)
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("register map: %w; built-in ones are builtin:%s", err, strings.Join(Builtin(), ", builtin:"))
	}
	return ParseMap(name, text)
}

// ParseMap decodes and checks a map; name stands in errors.
func ParseMap(name string, text []byte) (*Map, error) {
	m := &Map{}
	if len(bytes.TrimSpace(text)) == 0 {
		return nil, fmt.Errorf("register map %s: it is empty; soakd drivers modbusmap says what a map has", name)
	}
	if err := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(m); err != nil {
		return nil, fmt.Errorf("register map %s: %w", name, err)
	}
	if err := errors.Join(checkNumbers(text), m.check()); err != nil {
		return nil, fmt.Errorf("register map %s: %w", name, err)
	}
	return m, nil
}

// check refuses, all at once, what can't be read or would be read wrongly.
func (m *Map) check() error {
	var errs []error
	if m.ID == "" {
		errs = append(errs, errors.New("id: required; a word for the meter's kind"))
	}
	if len(m.Fields) == 0 {
		errs = append(errs, errors.New("fields: none; name at least one"))
	}
	if m.Base != 0 && m.Base != 1 {
		errs = append(errs, fmt.Errorf("base: %d; registers count from 0 or from 1", m.Base))
	}
	if m.Join < 0 || m.Most < 0 || m.Most > modbus.MaxRegisters {
		errs = append(errs, fmt.Errorf("join: %d, most: %d; join is at least 0, most is 1..%d", m.Join, m.Most, modbus.MaxRegisters))
	}
	if _, err := parseOrder(m.Order, 2); m.Order != "" && err != nil {
		errs = append(errs, err)
	}
	for _, name := range m.names() {
		f, err := m.resolve(name)
		if err == nil && name == "" {
			err = errors.New("a field without a name")
		}
		if err == nil && m.Most > 0 && f.registers > m.Most {
			err = fmt.Errorf("%d registers, and most says that one request has at most %d", f.registers, m.Most)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("fields.%s: %w", name, err))
			continue
		}
		if m.EvenCounts && f.registers%2 != 0 {
			errs = append(errs, fmt.Errorf("fields.%s: one register, but even_counts says that the meter only answers even counts", name))
		}
	}
	if len(errs) == 0 {
		errs = append(errs, m.overlaps()...)
	}
	return errors.Join(errs...)
}

func (m *Map) overlaps() []error {
	var errs []error
	all := make([]field, 0, len(m.Fields))
	for _, name := range m.names() {
		f, _ := m.resolve(name) // checked before
		all = append(all, f)
	}
	slices.SortStableFunc(all, byPlace)
	for i := 1; i < len(all); i++ {
		a, b := all[i-1], all[i]
		if a.function == b.function && a.end() > b.start {
			errs = append(errs, fmt.Errorf("fields.%s and fields.%s overlap at register %d", a.name, b.name, b.start+m.Base))
		}
	}
	return errs
}

func (m *Map) names() []string {
	names := make([]string, 0, len(m.Fields))
	for name := range m.Fields {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}

// field is a Field with everything settled: where it is on the wire, how its bytes
// become a code and what a code is worth.
type field struct {
	name      string
	function  modbus.Function
	start     int // address on the wire
	registers int
	kind      rawType
	order     order
	drop      []int64
	lo, hi    float64 // in the converter's unit; infinite when the map gives no range
	given     [2]float64
	unit      string // as the map gives it
	conv      drivers.Converter
}

func (f field) end() int { return f.start + f.registers }

func byPlace(a, b field) int {
	if a.function != b.function {
		return int(a.function) - int(b.function)
	}
	return a.start - b.start
}

// resolve settles one field of the map.
func (m *Map) resolve(name string) (field, error) {
	src, ok := m.Fields[name]
	if !ok {
		return field{}, fmt.Errorf("map %s has no field %q; it has: %s", m.ID, name, strings.Join(m.names(), ", "))
	}
	f := field{name: name, unit: src.Unit, drop: src.Drop, start: src.Address - m.Base}
	fn := src.Function
	if fn == 0 {
		fn = m.Function
	}
	if f.function = modbus.Function(fn); fn != int(modbus.ReadHolding) && fn != int(modbus.ReadInput) {
		return f, fmt.Errorf("function %d: use 3 (holding registers) or 4 (input registers)", fn)
	}
	var err error
	if f.kind, err = parseType(src.Type); err != nil {
		return f, err
	}
	f.registers = f.kind.registers()
	for _, drop := range src.Drop {
		if !f.kind.holds(drop) {
			return f, fmt.Errorf("drop %d: a %s can't hold it", drop, src.Type)
		}
	}
	if f.start < 0 || f.end() > 1<<16 {
		return f, fmt.Errorf("address %d: outside %d..%d", src.Address, m.Base, 1<<16-f.registers+m.Base)
	}
	text := src.Order
	if text == "" && f.registers > 1 {
		text = m.Order
	}
	if f.order, err = parseOrder(text, f.registers); err != nil {
		return f, err
	}
	return f, m.convert(&f, src)
}

// convert fills in what a code is worth, the range and the budget.
func (m *Map) convert(f *field, src Field) error {
	q := drivers.QuantityOf(src.Unit)
	scale, sign := src.Scale, float64(src.Sign)
	if scale == 0 {
		scale = 1
	}
	if sign == 0 {
		sign = 1
	}
	if math.Abs(sign) != 1 || !finite(scale) || !finite(src.Offset) {
		return fmt.Errorf("sign %d, scale %v, offset %v: sign is 1 or -1, the others are finite numbers", src.Sign, src.Scale, src.Offset)
	}
	if meant := meantUnit(src.Unit); meant != "" {
		return fmt.Errorf("unit %q: did you mean %q? (for other multiples use scale)", src.Unit, meant)
	}
	f.conv = drivers.Converter{
		Model: m.model(), Law: f.kind.law(), Kind: q.Kind, Unit: q.Unit,
		PerCode: sign * scale * q.Factor, Offset: sign * src.Offset * q.Factor,
	}
	f.lo, f.hi = math.Inf(-1), math.Inf(1)
	switch {
	case len(src.Range) == 2 && src.Range[0] < src.Range[1]:
		f.lo, f.hi = src.Range[0]*q.Factor, src.Range[1]*q.Factor
		f.given = [2]float64(src.Range)
	case len(src.Range) != 0:
		return fmt.Errorf("range %v: give the lowest and the highest possible value", src.Range)
	case q.Kind == drivers.Power:
		return errors.New("range is missing: a power needs one, so that a wrong map or order shows")
	}
	if q.Kind == drivers.Power && (math.IsInf(f.lo, 0) || math.IsInf(f.hi, 0)) {
		return fmt.Errorf("range %v: a power needs finite limits, so that a wrong map or order shows", src.Range)
	}
	if !(src.Modulus >= 0) || math.IsInf(src.Modulus, 0) {
		return fmt.Errorf("modulus %v: give the reading at which the counter starts again from 0", src.Modulus)
	}
	if q.Kind == drivers.Energy {
		if f.conv.Modulus = src.Modulus * q.Factor; src.Modulus == 0 {
			f.conv.Modulus = math.Abs(f.kind.span() * f.conv.PerCode)
		}
	}
	lines, err := accuracyLines(src.Accuracy, src.Unit, q.Factor)
	if err != nil {
		return err
	}
	for i := range lines {
		if lines[i].Source = m.Source; m.Source == "" {
			lines[i].Source = "register map " + m.ID
		}
	}
	if f.conv.Lines = lines; src.Accuracy != "" { // else the register's step would look like all the uncertainty there is
		f.conv.Lines = append(lines, f.kind.step(f.conv.PerCode))
	}
	return nil
}

func (m *Map) model() string {
	if m.Device != "" {
		return m.Device
	}
	return "register map " + m.ID
}
