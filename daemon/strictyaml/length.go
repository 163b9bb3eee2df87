package strictyaml

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Seconds is a length of time, written with its unit: 90s, 60min, 1h30min, 2h, 1d.
type Seconds float64

// UnmarshalText implements encoding.TextUnmarshaler.
func (s *Seconds) UnmarshalText(text []byte) error {
	v, err := ParseSeconds(string(text))
	*s = Seconds(v)
	return err
}

// maxSeconds is the longest length of time that is taken: a hundred years.
const maxSeconds = 36525 * 86400

var lengthPart = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?)\s*(us|µs|ms|s|min|m|h|d)\s*`)

// ParseSeconds reads a length of time of 0 to a hundred years and gives seconds. The
// text names its units: 200ms, 90s, 60min, 1h30min, 2h, 60d; 0 needs none. A bare
// number is an error, since a reader can't tell seconds from minutes.
func ParseSeconds(text string) (float64, error) {
	rest := strings.TrimSpace(text)
	if rest == "0" {
		return 0, nil
	}
	if _, err := strconv.ParseFloat(rest, 64); err == nil {
		return 0, fmt.Errorf("%s of what? write the unit, such as %ss, %smin or %sh", rest, rest, rest, rest)
	}
	seconds, units := 0.0, map[string]float64{"us": 1e-6, "µs": 1e-6, "ms": 1e-3, "s": 1, "min": 60, "m": 60, "h": 3600, "d": 86400}
	for rest != "" {
		part := lengthPart.FindStringSubmatch(rest)
		if part == nil {
			return 0, fmt.Errorf("want a length of time such as 200ms, 90s, 60min, 1h30min or 60d, got %q", text)
		}
		n, err := strconv.ParseFloat(part[1], 64)
		if err != nil {
			return 0, fmt.Errorf("want a length of time such as 200ms, 90s, 60min, 1h30min or 60d, got %q", text)
		}
		seconds += n * units[part[2]]
		rest = rest[len(part[0]):]
	}
	if strings.TrimSpace(text) == "" {
		return 0, fmt.Errorf("want a length of time such as 200ms, 90s, 60min, 1h30min or 60d, got nothing")
	}
	if seconds > maxSeconds {
		return 0, fmt.Errorf("%q is more than a hundred years", text)
	}
	return seconds, nil
}

// ParseDuration is ParseSeconds for a time.Duration, rounded to the microsecond.
func ParseDuration(text string) (time.Duration, error) {
	s, err := ParseSeconds(text)
	return time.Duration(s*1e6+0.5) * time.Microsecond, err
}
