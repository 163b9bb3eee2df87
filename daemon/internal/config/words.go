package config

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// Size is a number of bytes, written "8GiB", "32MiB", "500MB" or plain.
type Size int64

var sizeUnits = map[string]int64{
	"": 1, "B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9, "TB": 1e12,
	"KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40,
}

var sizePattern = regexp.MustCompile(`^([0-9.]+) ?([A-Za-z]*)$`)

// UnmarshalText implements encoding.TextUnmarshaler.
func (s *Size) UnmarshalText(text []byte) error {
	m := sizePattern.FindSubmatch(text)
	if m != nil {
		n, err := strconv.ParseFloat(string(m[1]), 64)
		unit, ok := sizeUnits[string(m[2])]
		if err == nil && ok && n*float64(unit) < 1<<62 {
			*s = Size(n * float64(unit))
			return nil
		}
	}
	return fmt.Errorf("want a size such as 8GiB or 500MB, got %q", text)
}

// Hertz is a mains frequency, written "50Hz" or "60Hz".
type Hertz int

// UnmarshalText implements encoding.TextUnmarshaler.
func (h *Hertz) UnmarshalText(text []byte) error {
	switch strings.ReplaceAll(string(text), " ", "") {
	case "50Hz", "50":
		*h = 50
	case "60Hz", "60":
		*h = 60
	default:
		return fmt.Errorf("want 50Hz or 60Hz, got %q", text)
	}
	return nil
}

// Accuracy is a meter's or sensor's accuracy as people write it: "1% of reading +
// 0.5 W", "0.5 K", "2 %". The unit is checked against the channel's.
type Accuracy struct {
	Rel  float64 // fraction of the reading
	Half float64 // absolute part, in Unit
	Unit string  // as written; empty when there is no absolute part
	Text string
}

var accuracyPart = regexp.MustCompile(`^(?:\+-|±)?\s*([0-9.]+)\s*(%(?:\s*of\s*reading)?|[A-Za-z°]+)$`)

// UnmarshalText implements encoding.TextUnmarshaler.
func (a *Accuracy) UnmarshalText(text []byte) error {
	*a = Accuracy{Text: string(text)}
	for part := range strings.SplitSeq(string(text), "+ ") {
		m := accuracyPart.FindStringSubmatch(strings.TrimSpace(part))
		if m == nil {
			return fmt.Errorf(`want something like "1%% of reading + 0.5 W", got %q`, text)
		}
		n, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			return fmt.Errorf(`want something like "1%% of reading + 0.5 W", got %q`, text)
		}
		if strings.HasPrefix(m[2], "%") {
			a.Rel += n / 100
		} else if a.Unit != "" && a.Unit != m[2] {
			return fmt.Errorf("two units in %q", text)
		} else {
			a.Half, a.Unit = a.Half+n, m[2]
		}
	}
	return nil
}
