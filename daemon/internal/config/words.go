package config

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/token"
)

// ParseDuration reads a Go duration ("200ms", "1h30m") or days ("60d").
func ParseDuration(s string) (time.Duration, error) {
	if days, ok := strings.CutSuffix(s, "d"); ok {
		n, err := strconv.ParseFloat(days, 64)
		if err != nil || n < 0 || n > 36500 {
			return 0, fmt.Errorf("duration %q", s)
		}
		return time.Duration(n * 24 * float64(time.Hour)), nil
	}
	return time.ParseDuration(s)
}

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

// suggest is ", did you mean X? (known: ...)" for a misspelt word.
func suggest(word string, known []string) string {
	best, dist := "", len(word)/2+2
	for _, k := range known {
		if n := distance(word, k); n < dist {
			best, dist = k, n
		}
	}
	s := ""
	if best != "" {
		s = fmt.Sprintf(", did you mean %q?", best)
	}
	if len(known) > 0 {
		s += " (known: " + strings.Join(known, ", ") + ")"
	}
	return s
}

// distance is the number of single-letter edits between two words (Levenshtein).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diag, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diag+cost)
		}
	}
	return row[len(b)]
}

// errorPosition is where a syntax error of the YAML library stands; nil: unknown.
func errorPosition(err error) *token.Position {
	var syntax *yaml.SyntaxError
	if errors.As(err, &syntax) && syntax.Token != nil {
		return syntax.Token.Position
	}
	return nil
}
