package series

import (
	"math"
	"slices"
)

// Absent is how a place without a value stands in a series. It never leaves the
// analysis: results hold pointers, nil for no value.
func Absent() float64 { return math.NaN() }

// Known tells whether a value is there.
func Known(v float64) bool { return !math.IsNaN(v) }

// OrNil gives a pointer to a finite number; nil otherwise.
func OrNil(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// MedianInPlace sorts x and gives its median; absent when x is empty. x holds no
// Absent values.
func MedianInPlace(x []float64) float64 {
	if len(x) == 0 {
		return Absent()
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

// Quantile is the share q of sorted x, linear between points; absent when empty.
func Quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return Absent()
	}
	p := float64(q * float64(len(sorted)-1))
	i := int(p)
	if i >= len(sorted)-1 {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + float64((sorted[i+1]-sorted[i])*(p-float64(i)))
}

// Present copies the values that are there.
func Present(x []float64) []float64 {
	out := make([]float64, 0, len(x))
	for _, v := range x {
		if Known(v) {
			out = append(out, v)
		}
	}
	return out
}

// Median is the median of the values that are there; absent without any. x stays as
// it is.
func Median(x []float64) float64 { return MedianInPlace(Present(x)) }

// Mean is the mean of the values that are there; absent without any.
func Mean(x []float64) float64 {
	sum, n := 0.0, 0
	for _, v := range x {
		if Known(v) {
			sum += v
			n++
		}
	}
	if n == 0 {
		return Absent()
	}
	return sum / float64(n)
}

// RobustSD is half the width of the central 68 %, which equals the standard
// deviation of normal noise.
func RobustSD(sorted []float64) float64 {
	return (Quantile(sorted, 0.8413) - Quantile(sorted, 0.1587)) / 2
}

// TheilSen is the median of the slopes of all pairs; absent for fewer than two
// different x. scratch is reused when it is large enough.
func TheilSen(x, y, scratch []float64) float64 {
	scratch = scratch[:0]
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if dx := x[j] - x[i]; dx != 0 {
				scratch = append(scratch, (y[j]-y[i])/dx)
			}
		}
	}
	return MedianInPlace(scratch)
}

// SlopeError is the standard error of the least squares slope, widened for
// residuals that hang together: lag-1 autocorrelation clipped to 0..0.95.
// Absent() below four points.
func SlopeError(x, y []float64) float64 {
	n := float64(len(x))
	if n < 4 {
		return Absent()
	}
	mx, my := Mean(x), Mean(y)
	sxx, sxy := 0.0, 0.0
	for i := range x {
		sxx += float64((x[i] - mx) * (x[i] - mx))
		sxy += float64((x[i] - mx) * (y[i] - my))
	}
	if sxx == 0 {
		return Absent()
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

// Kendall is Kendall's tau-a of y against its order: -1 always falling, 1 always
// rising.
func Kendall(y []float64) float64 {
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

// OrAbsent is the number that p points to; absent for nil.
func OrAbsent(p *float64) float64 {
	if p == nil {
		return Absent()
	}
	return *p
}
