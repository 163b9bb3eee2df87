package modbusmap

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"strings"

	"github.com/goccy/go-yaml"

	"soakrig/drivers"
)

// checkNumbers refuses what the decoder would take for something else: a fraction where
// registers are counted (it drops the part behind the point), and a field without an
// address (it would be 0).
func checkNumbers(text []byte) error {
	var tree map[string]any
	if err := yaml.Unmarshal(text, &tree); err != nil {
		return nil // said already
	}
	errs := wholeKeys("", tree, "function", "base", "join", "most")
	if link, ok := tree["link"].(map[string]any); ok {
		errs = append(errs, wholeKeys("link.", link, "baud", "stop_bits", "unit")...)
	}
	fields, _ := tree["fields"].(map[string]any)
	names := make([]string, 0, len(fields))
	for name := range fields {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		f, _ := fields[name].(map[string]any)
		at := "fields." + name + "."
		errs = append(errs, wholeKeys(at, f, "address", "function", "sign")...)
		if _, there := f["address"]; !there {
			errs = append(errs, fmt.Errorf("%saddress: required; the number of the register, counted from base", at))
		}
		drops, _ := f["drop"].([]any)
		for _, drop := range drops {
			errs = append(errs, wholeKeys(at, map[string]any{"drop": drop}, "drop")...)
		}
	}
	return errors.Join(errs...)
}

func wholeKeys(at string, block map[string]any, keys ...string) []error {
	var errs []error
	for _, key := range keys {
		switch v := block[key].(type) {
		case nil, int, int64, uint64:
		default:
			errs = append(errs, fmt.Errorf("%s%s: want a whole number without quotes, got %v", at, key, v))
		}
	}
	return errs
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// meantUnit is the unit that a word nearly is: "kw", "Volts"; empty where it is a unit
// or another quantity's.
func meantUnit(word string) string {
	if drivers.QuantityOf(word).Kind != drivers.Other {
		return ""
	}
	for _, unit := range []string{"W", "kW", "mW", "J", "Ws", "Wh", "kWh", "MWh", "V", "mV", "A", "mA", "Hz"} {
		if strings.EqualFold(word, unit) {
			return unit
		}
	}
	switch strings.TrimSuffix(strings.ToLower(word), "s") {
	case "watt":
		return "W"
	case "kilowatt":
		return "kW"
	case "volt":
		return "V"
	case "amp", "ampere":
		return "A"
	case "hertz":
		return "Hz"
	case "joule":
		return "J"
	}
	return ""
}
