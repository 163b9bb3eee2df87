package convert

import (
	"fmt"
	"math"
)

// Coefficients of IEC 60751 (Callendar-Van Dusen), as printed in the MAX31865 data
// sheet 19-6478, page 11.
const (
	rtdA  = 3.9083e-3
	rtdB  = -5.775e-7
	rtdC4 = -4.18301e-12
)

// rtdRatio is R(t)/R0 for -200..850 degC.
func rtdRatio(t float64) float64 {
	r := 1 + float64(rtdA*t) + float64(rtdB*t*t)
	if t < 0 {
		r += float64(rtdC4 * (t - 100) * t * t * t)
	}
	return r
}

// rtdC is the temperature of a platinum resistor of ohms whose resistance at 0 degC
// is r0, in degC; an error outside -200..850 degC, where IEC 60751 says nothing.
func rtdC(ohms, r0 float64) (float64, error) {
	ratio := ohms / r0
	if !(ratio >= rtdRatio(-200) && ratio <= rtdRatio(850)) {
		return 0, fmt.Errorf("%g ohm is outside -200..850 degC of a resistor with %g ohm at 0 degC", ohms, r0)
	}
	t := (-rtdA + math.Sqrt(float64(rtdA*rtdA)-float64(4*rtdB*(1-ratio)))) / (2 * rtdB)
	if ratio >= 1 {
		return t, nil
	}
	for range 6 { // Newton; the quadratic is within 2.5 K everywhere below zero
		cubic := float64(4*t*t*t) - float64(300*t*t)
		slope := rtdA + float64(2*rtdB*t) + float64(rtdC4*cubic)
		t -= (rtdRatio(t) - ratio) / slope
	}
	return t, nil
}
