package modbusmap

import (
	"fmt"
	"strconv"
	"strings"

	"soakrig/drivers"
)

// accuracyLines reads an accuracy statement: terms joined by "+", each of the form
//
//	class 1               the limits of an accuracy class at full load, of the reading
//	0.5% of reading
//	1% of 18400 W         of a fixed range
//	0.2 W
//
// factor is what one of the field's unit is in the unit that leaves. An empty text
// gives one line that says that nothing is stated.
func accuracyLines(text, unit string, factor float64) ([]drivers.Line, error) {
	if strings.TrimSpace(text) == "" {
		return []drivers.Line{{Name: "accuracy", In: drivers.OnValue, SharedBy: "converter"}}, nil
	}
	line := drivers.Line{Name: text, In: drivers.OnValue, SharedBy: "converter"}
	for term := range strings.SplitSeq(text, "+") {
		if err := addTerm(&line, strings.TrimSpace(term), unit, factor); err != nil {
			return nil, fmt.Errorf("accuracy %q: %w", text, err)
		}
	}
	return []drivers.Line{line}, nil
}

func addTerm(line *drivers.Line, term, unit string, factor float64) error {
	if class, ok := strings.CutPrefix(term, "class "); ok {
		// Classes 0.2S and 0.5S differ from 0.2 and 0.5 in their range only.
		v, err := positive(strings.TrimSuffix(class, "S"))
		line.Rel += v / 100
		return err
	}
	if percent, of, ok := strings.Cut(term, "% of "); ok {
		v, err := positive(percent)
		if err != nil {
			return err
		}
		if of == "reading" {
			line.Rel += v / 100
			return nil
		}
		full, err := amount(of, unit, factor)
		line.Half += v / 100 * full
		return err
	}
	v, err := amount(term, unit, factor)
	line.Half += v
	return err
}

// amount reads "18400 W" in the unit that leaves; without a unit it is in the field's.
func amount(text, unit string, factor float64) (float64, error) {
	number, said, _ := strings.Cut(strings.TrimSpace(text), " ")
	v, err := positive(number)
	if said = strings.TrimSpace(said); err != nil || said == "" {
		return v * factor, err
	}
	q, own := drivers.QuantityOf(said), drivers.QuantityOf(unit)
	if q.Kind != own.Kind || q.Unit != own.Unit {
		return 0, fmt.Errorf("%q is in %s, the field is in %q", text, said, unit)
	}
	return v * q.Factor, nil
}

func positive(text string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || !(v > 0) || v > 1e12 {
		return 0, fmt.Errorf("%q is not a number above 0; write for instance: class 1, or: 0.5%% of reading + 0.2 W", text)
	}
	return v, nil
}
