package strictyaml

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

var lengthPart = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?)\s*(ms|s|min|m|h|d)\s*`)

// ParseSeconds reads a length of time and gives seconds. The text names its units:
// 90s, 60min, 1h30min, 2h, 1d; 0 needs none. A bare number is an error, since a
// reader can't tell seconds from minutes.
func ParseSeconds(text string) (float64, error) {
	rest := strings.TrimSpace(text)
	if rest == "0" {
		return 0, nil
	}
	if _, err := strconv.ParseFloat(rest, 64); err == nil {
		return 0, fmt.Errorf("%s of what? write the unit, such as %ss, %smin or %sh", rest, rest, rest, rest)
	}
	seconds, units := 0.0, map[string]float64{"ms": 1e-3, "s": 1, "min": 60, "m": 60, "h": 3600, "d": 86400}
	for rest != "" {
		part := lengthPart.FindStringSubmatch(rest)
		if part == nil {
			return 0, fmt.Errorf("want a length of time such as 90s, 60min or 1h30min, got %q", text)
		}
		n, err := strconv.ParseFloat(part[1], 64)
		if err != nil {
			return 0, fmt.Errorf("want a length of time such as 90s, 60min or 1h30min, got %q", text)
		}
		seconds += n * units[part[2]]
		rest = rest[len(part[0]):]
	}
	if strings.TrimSpace(text) == "" {
		return 0, fmt.Errorf("want a length of time such as 90s, 60min or 1h30min, got nothing")
	}
	return seconds, nil
}
