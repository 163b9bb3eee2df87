package analysis

import (
	"math"
	"slices"
)

// absent is how a second without a value stands in a series. It never leaves the
// package: results hold pointers, nil for no value.
var absent = math.NaN()

func has(v float64) bool { return !math.IsNaN(v) }

// number gives a pointer to a finite number; nil otherwise.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// medianInPlace sorts x and gives its median; absent when x is empty. x holds no
// absent values.
func medianInPlace(x []float64) float64 {
	if len(x) == 0 {
		return absent
	}
	if len(x) > 24 {
		slices.Sort(x)
	} else {
		for i := 1; i < len(x); i++ {
			v := x[i]
			j := i
			for ; j > 0 && x[j-1] > v; j-- {
				x[j] = x[j-1]
			}
			x[j] = v
		}
	}
	m := len(x) / 2
	if len(x)%2 == 1 {
		return x[m]
	}
	return x[m-1] + float64((x[m]-x[m-1])/2)
}

// quantile is the share q of sorted x, linear between points; absent when empty.
func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return absent
	}
	p := float64(q * float64(len(sorted)-1))
	i := int(p)
	if i >= len(sorted)-1 {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + float64((sorted[i+1]-sorted[i])*(p-float64(i)))
}

// present copies the values that are there.
func present(x []float64) []float64 {
	out := make([]float64, 0, len(x))
	for _, v := range x {
		if has(v) {
			out = append(out, v)
		}
	}
	return out
}

func medianOf(x []float64) float64 { return medianInPlace(present(x)) }

func root(x float64) float64 { return math.Sqrt(max(x, 0)) }

func meanOf(x []float64) float64 {
	sum, n := 0.0, 0
	for _, v := range x {
		if has(v) {
			sum += v
			n++
		}
	}
	if n == 0 {
		return absent
	}
	return sum / float64(n)
}

// robustSD is half the width of the central 68 %, which equals the standard
// deviation of normal noise.
func robustSD(sorted []float64) float64 {
	return (quantile(sorted, 0.8413) - quantile(sorted, 0.1587)) / 2
}

// theilSen is the median of the slopes of all pairs; absent for fewer than two
// different x. scratch is reused when it is large enough.
func theilSen(x, y, scratch []float64) float64 {
	scratch = scratch[:0]
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if dx := x[j] - x[i]; dx != 0 {
				scratch = append(scratch, (y[j]-y[i])/dx)
			}
		}
	}
	return medianInPlace(scratch)
}

// slopeSE is the standard error of the least squares slope, widened for
// residuals that hang together: lag-1 autocorrelation clipped to 0..0.95.
// Absent below four points.
func slopeSE(x, y []float64) float64 {
	n := float64(len(x))
	if n < 4 {
		return absent
	}
	mx, my := meanOf(x), meanOf(y)
	sxx, sxy := 0.0, 0.0
	for i := range x {
		sxx += float64((x[i] - mx) * (x[i] - mx))
		sxy += float64((x[i] - mx) * (y[i] - my))
	}
	if sxx == 0 {
		return absent
	}
	b := sxy / sxx
	sse, lag, prev := 0.0, 0.0, 0.0
	for i := range x {
		r := y[i] - my - float64(b*(x[i]-mx))
		sse += float64(r * r)
		if i > 0 {
			lag += float64(r * prev)
		}
		prev = r
	}
	rho := 0.0
	if sse > 0 {
		rho = min(max(lag/sse, 0), 0.95)
	}
	return math.Sqrt(sse/(n-2)/sxx) * math.Sqrt((1+rho)/(1-rho))
}

// kendall is Kendall's tau-a of y against its order: -1 always falling, 1 always
// rising.
func kendall(y []float64) float64 {
	if len(y) < 2 {
		return 0
	}
	s := 0
	for i := range y {
		for j := i + 1; j < len(y); j++ {
			switch {
			case y[j] > y[i]:
				s++
			case y[j] < y[i]:
				s--
			}
		}
	}
	return float64(s) / float64(len(y)*(len(y)-1)/2)
}

// binomialAtMost is the probability of at most k hits in n trials of chance p.
func binomialAtMost(k, n int, p float64) float64 {
	if k >= n || p <= 0 {
		return 1
	}
	if p >= 1 {
		return 0
	}
	sum := 0.0
	lgN, _ := math.Lgamma(float64(n + 1))
	for i := 0; i <= k; i++ {
		lgI, _ := math.Lgamma(float64(i + 1))
		lgR, _ := math.Lgamma(float64(n - i + 1))
		sum += math.Exp(lgN - lgI - lgR + float64(float64(i)*math.Log(p)) + float64(float64(n-i)*math.Log1p(-p)))
	}
	return min(sum, 1)
}
