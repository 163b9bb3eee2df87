package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

const (
	minus     = "−"
	plusMinus = " ± "
	noValue   = "–" // stands where there is no value
)

// Measured is a value with its expanded uncertainty, "92.1 ± 2.4": U to two digits,
// the value to the same place. U of zero or less is not stated, then the value is
// rounded to a tenth.
func Measured(value, expanded float64) string {
	if !(expanded > 0) {
		return Fixed(value, 1)
	}
	digits := 1 - int(math.Floor(math.Log10(expanded)))
	if r := math.Round(expanded*math.Pow10(digits)) / math.Pow10(digits); r > 0 {
		digits = 1 - int(math.Floor(math.Log10(r)+1e-12))
	}
	if digits < 0 {
		step := math.Pow10(-digits)
		return Fixed(math.Round(value/step)*step, 0) + plusMinus + Fixed(math.Round(expanded/step)*step, 0)
	}
	return Fixed(value, digits) + plusMinus + Fixed(expanded, digits)
}

// Fixed is a number with a fixed number of digits and a typographic minus.
func Fixed(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.HasPrefix(s, "-") {
		if strings.Trim(s, "-0.") == "" {
			return s[1:] // no minus before a zero
		}
		return minus + s[1:]
	}
	return s
}

// trimmed is a number as a person set it.
func trimmed(v float64) string {
	s := fmt.Sprintf("%g", v)
	return strings.Replace(s, "-", minus, 1)
}

func optional(v *float64, digits int, unit string) string {
	if v == nil {
		return noValue
	}
	return withUnit(Fixed(*v, digits), unit)
}

func optionalMeasured(v, expanded *float64, unit string) string {
	if v == nil {
		return noValue
	}
	u := 0.0
	if expanded != nil {
		u = *expanded
	}
	return withUnit(Measured(*v, u), unit)
}

func withUnit(text, unit string) string {
	if unit == "" {
		return text
	}
	return text + " " + UnitSign(unit)
}

// UnitSign is a unit as it is printed.
func UnitSign(unit string) string {
	switch unit {
	case "degC":
		return "°C"
	case "K/h", "k_per_h":
		return "K/h"
	}
	return unit
}

// Length is a length of time for people: "58 min 12 s", "1 h 02 min", "0.4 s".
func Length(seconds float64) string {
	if seconds < 0 {
		return minus + Length(-seconds)
	}
	if seconds < 10 && seconds != math.Trunc(seconds) {
		return Fixed(seconds, 1) + " s"
	}
	s := int64(math.Round(seconds))
	switch h, m := s/3600, s/60%60; {
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case h == 0 && s%60 == 0:
		return fmt.Sprintf("%d min", m)
	case h == 0:
		return fmt.Sprintf("%d min %02d s", m, s%60)
	case m == 0 && s%60 == 0:
		return fmt.Sprintf("%d h", h)
	case s%60 == 0 || h >= 3:
		return fmt.Sprintf("%d h %02d min", h, m)
	default:
		return fmt.Sprintf("%d h %02d min %02d s", h, m, s%60)
	}
}

// RunTime is a run time as a clock shows it, "1:02:03".
func RunTime(seconds float64) string {
	if seconds < 0 {
		return minus + RunTime(-seconds)
	}
	s := int64(math.Round(seconds))
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

// Energy is joules in a unit that people read.
func Energy(j float64) string {
	wh := j / 3600
	switch {
	case math.Abs(wh) >= 1000:
		return Fixed(wh/1000, 3) + " kWh"
	case math.Abs(wh) >= 10:
		return Fixed(wh, 1) + " Wh"
	default:
		return Fixed(wh, 3) + " Wh"
	}
}

// percent is a share of one, "97 %". Shares that only round to 0 or 100 show that.
func percent(share float64) string {
	p := share * 100
	switch {
	case p > 99.95 && p < 100:
		return "> 99.9 %"
	case p > 99 && p < 100 || p > 0 && p < 1:
		return Fixed(p, 1) + " %"
	}
	return Fixed(p, 0) + " %"
}

// startedText is the start as people read it.
func startedText(started string) string {
	at, err := time.Parse(time.RFC3339Nano, started)
	if err != nil {
		return ""
	}
	zone := at.Format("-07:00")
	if zone == "+00:00" {
		zone = "UTC"
	}
	return at.Format("2006-01-02 15:04:05 ") + zone
}

// count is "1 dip", "3 dips".
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
