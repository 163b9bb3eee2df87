package recording

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

// unit is how a column's numbers become the unit of its kind: number*Factor + Shift.
type unit struct {
	Names  []string // as people write it, the first is ours
	Kind   record.Kind
	Factor float64
	Shift  float64
}

// units lists what a column may hold. Of the volts, the small ones may also be a
// thermocouple's EMF.
func units() []unit {
	return []unit{
		{[]string{"degC", "°C", "C", "celsius"}, record.Temperature, 1, 0},
		{[]string{"K", "kelvin"}, record.Temperature, 1, -273.15},
		{[]string{"degF", "°F", "F", "fahrenheit"}, record.Temperature, 1 / 1.8, -32 / 1.8},
		{[]string{"W"}, record.Power, 1, 0},
		{[]string{"kW"}, record.Power, 1e3, 0},
		{[]string{"mW"}, record.Power, 1e-3, 0},
		{[]string{"J", "Ws"}, record.Energy, 1, 0},
		{[]string{"kJ"}, record.Energy, 1e3, 0},
		{[]string{"MJ"}, record.Energy, 1e6, 0},
		{[]string{"Wh"}, record.Energy, 3600, 0},
		{[]string{"kWh"}, record.Energy, 3.6e6, 0},
		{[]string{"V"}, record.Voltage, 1, 0},
		{[]string{"mV"}, record.Voltage, 1e-3, 0},
		{[]string{"uV", "µV", "μV"}, record.Voltage, 1e-6, 0},
		{[]string{"kV"}, record.Voltage, 1e3, 0},
		{[]string{"A"}, record.Current, 1, 0},
		{[]string{"mA"}, record.Current, 1e-3, 0},
		{[]string{"Hz"}, record.Frequency, 1, 0},
		{[]string{"kHz"}, record.Frequency, 1e3, 0},
		{[]string{"MHz"}, record.Frequency, 1e6, 0},
		{[]string{"GHz"}, record.Frequency, 1e9, 0},
	}
}

// findUnit looks a unit up as written: exact first, since mW and MW differ.
func findUnit(text string) (unit, bool) {
	for _, u := range units() {
		for _, n := range u.Names {
			if n == text {
				return u, true
			}
		}
	}
	return unit{}, false
}

// unitWords lists the units of a kind; of every kind when it is empty.
func unitWords(kind record.Kind) []string {
	var words []string
	for _, u := range units() {
		if kind == "" || u.Kind == kind {
			words = append(words, u.Names[0])
		}
	}
	return words
}

// accuracy is a stated limit of error, "1% of reading + 0.5 W".
type accuracy struct {
	Rel  float64 // fraction of the reading
	Half float64 // absolute part, in Unit
	Unit string  // empty: there is no absolute part
}

var accuracyPart = regexp.MustCompile(`^(?:\+/?-|±)?\s*([0-9]+(?:\.[0-9]+)?)\s*(%(?:\s*of\s*(?:the\s+)?reading)?|[A-Za-z°µ]+)$`)

// UnmarshalText implements encoding.TextUnmarshaler.
func (a *accuracy) UnmarshalText(text []byte) error {
	*a = accuracy{}
	for part := range strings.SplitSeq(strings.TrimPrefix(string(text), "+-"), "+ ") {
		m := accuracyPart.FindStringSubmatch(strings.TrimSpace(part))
		if m == nil {
			return fmt.Errorf(`want something like "1%% of reading + 0.5 W", "0.5 K" or "2%%", got %q`, text)
		}
		n, err := strconv.ParseFloat(m[1], 64)
		switch {
		case err != nil:
			return fmt.Errorf("the number in %q is too large", text)
		case strings.HasPrefix(m[2], "%"):
			a.Rel += n / 100
		case a.Unit != "" && a.Unit != m[2]:
			return fmt.Errorf("there are two units in %q: keep one", text)
		default:
			a.Half, a.Unit = a.Half+n, m[2]
		}
	}
	return nil
}

// span converts a difference in the unit named text into the unit of kind; a
// temperature difference may be in K, degC or degF.
func span(value float64, text string, kind record.Kind, own string) (float64, error) {
	if kind == record.Other {
		if text == own {
			return value, nil
		}
		return 0, fmt.Errorf("want the channel's unit %s, got %q", own, text)
	}
	u, ok := findUnit(text)
	if !ok || u.Kind != kind {
		words := unitWords(kind)
		if kind == record.Temperature {
			words = []string{"K", "degC", "degF"}
		}
		return 0, fmt.Errorf("%q is no unit of %s: use %s", text, kind, strings.Join(words, ", "))
	}
	return value * u.Factor, nil
}

// number reads one cell. comma: the decimal sign is a comma.
func number(cell string, comma bool) (float64, error) {
	s := cell
	if comma {
		if strings.Contains(s, ".") {
			return 0, fmt.Errorf("has a point although the map says decimal: \",\"")
		}
		s = strings.Replace(s, ",", ".", 1)
	} else if strings.Contains(s, ",") {
		return 0, fmt.Errorf("has a comma; if that is the decimal sign, say decimal: \",\" in the map")
	}
	for _, r := range s {
		if !strings.ContainsRune("+-.0123456789eE", r) {
			return 0, fmt.Errorf("is not a number; if the instrument writes it for 'no value', list it under absent in the map")
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("is not a number")
	}
	return v, nil
}

// suggestUnit is the tail of a message about a unit that is not known.
func suggestUnit(text string, kind record.Kind) string {
	return strictyaml.Suggest(text, unitWords(kind))
}
