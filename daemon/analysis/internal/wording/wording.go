// Package wording writes lengths, times and numbers as the sentences of a result have
// them. The sentences themselves stand where the thing was found.
package wording

import (
	"fmt"
	"strings"
)

// Length writes a number of seconds for people: "4 h 46 min", "12 min 5 s", "40 s".
func Length(s int64) string {
	if s < 0 {
		return "-" + Length(-s)
	}
	var parts []string
	for _, u := range []struct {
		n    int64
		unit string
	}{{s / 3600, "h"}, {s / 60 % 60, "min"}, {s % 60, "s"}} {
		if u.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", u.n, u.unit))
		}
	}
	if parts == nil {
		return "0 s"
	}
	return strings.Join(parts, " ")
}

// Clock writes seconds as h:mm:ss.
func Clock(s int64) string {
	sign := ""
	if s < 0 {
		sign, s = "-", -s
	}
	return fmt.Sprintf("%s%d:%02d:%02d", sign, s/3600, s/60%60, s%60)
}

// FourDigits writes a number with four digits at most.
func FourDigits(v float64) string { return fmt.Sprintf("%.4g", v) }

// Times writes how often something was seen.
func Times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
