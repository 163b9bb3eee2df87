package budget

import "math"

// Component is one contribution to a combined standard uncertainty.
type Component struct {
	StandardK float64 // standard uncertainty, >= 0, all in one unit
	Degrees   float64 // of freedom, n-1 for a mean of n; zero: infinitely many (a stated limit)
}

// EffectiveDegrees are the degrees of freedom of a combined uncertainty by the
// Welch-Satterthwaite formula, u^4 / sum(u_i^4 / degrees_i) (JCGM 100, G.4.1).
// Infinity when no component with a finite number counts.
func EffectiveDegrees(parts []Component) float64 {
	variance, sum := 0.0, 0.0
	for _, p := range parts {
		v := float64(p.StandardK * p.StandardK)
		variance += v
		if p.Degrees > 0 && !math.IsInf(p.Degrees, 1) {
			sum += v * v / p.Degrees
		}
	}
	if sum == 0 {
		return math.Inf(1)
	}
	return variance * variance / sum
}

// ManyDegrees is from where on k = 2 is used (common practice).
const ManyDegrees = 30

// CoverageFor is the coverage factor of an expanded uncertainty at 95 % with a number
// of effective degrees of freedom: Student's t at the next lower whole number (JCGM
// 100, G.6.4), and 2 above 30. Fewer than one counts as one.
func CoverageFor(degrees float64) float64 {
	if degrees > ManyDegrees {
		return 2
	}
	return StudentT(0.95, int(max(1, math.Floor(degrees))))
}

// StudentT is the t within which Student's distribution with a number of degrees of
// freedom, >= 1, holds a share of 0..1, both sides together.
func StudentT(share float64, degrees int) float64 {
	low, high := 0.0, 1.0
	for studentShare(high, degrees) < share && high < 1e12 {
		high *= 2
	}
	for range 200 {
		mid := (low + high) / 2
		if studentShare(mid, degrees) < share {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// studentShare is the share of Student's distribution between -t and t, by the finite
// sums for whole degrees of freedom (Abramowitz and Stegun, 26.7.3 and 26.7.4).
func studentShare(t float64, degrees int) float64 {
	theta := math.Atan(t / math.Sqrt(float64(degrees)))
	sin, cos := math.Sincos(theta)
	term, sum := 1.0, 0.0
	if degrees%2 == 0 {
		for k := 1; k < degrees; k += 2 {
			sum += term
			term *= cos * cos * float64(k) / float64(k+1)
		}
		return sin * sum
	}
	term = cos
	for k := 2; k < degrees; k += 2 {
		sum += term
		term *= cos * cos * float64(k) / float64(k+1)
	}
	return 2 / math.Pi * (theta + float64(sin*sum))
}

// NormalQuantile is the value below which the standard normal distribution holds p.
func NormalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
