package series

import (
	"math"
	"slices"
)

// BlockMedians are the medians of blocks of n seconds; absent for a block without
// values. A last block shorter than half is left out.
func BlockMedians(x []float64, n int) []float64 {
	out := make([]float64, 0, len(x)/n+1)
	scratch := make([]float64, 0, n)
	for i := 0; i < len(x); i += n {
		end := min(i+n, len(x))
		if end-i < (n+1)/2 && i > 0 {
			break
		}
		scratch = scratch[:0]
		for _, v := range x[i:end] {
			if Known(v) {
				scratch = append(scratch, v)
			}
		}
		out = append(out, MedianInPlace(scratch))
	}
	return out
}

// SlidingMedian3 is the median of each value and its two neighbours that are there.
func SlidingMedian3(x []float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = v
		if !Known(v) {
			continue
		}
		a, b := Absent(), Absent()
		for j := i - 1; j >= max(i-30, 0); j-- {
			if Known(x[j]) {
				a = x[j]
				break
			}
		}
		for j := i + 1; j < min(i+31, len(x)); j++ {
			if Known(x[j]) {
				b = x[j]
				break
			}
		}
		if Known(a) && Known(b) {
			out[i] = max(min(a, v), min(max(a, v), b))
		}
	}
	return out
}

// Noise is the standard deviation of the noise between neighbouring values.
func Noise(x []float64) float64 {
	var d []float64
	last := Absent()
	for _, v := range x {
		if !Known(v) {
			continue
		}
		if Known(last) {
			d = append(d, v-last)
		}
		last = v
	}
	if len(d) < 10 {
		return 0
	}
	slices.Sort(d)
	return RobustSD(d) / math.Sqrt2
}

// Envelope is the 95 % level within half a window on both sides of every second.
func Envelope(x []float64, half int) []float64 {
	out := make([]float64, len(x))
	window := make([]float64, 0, 2*half+1)
	add := func(v float64) {
		if Known(v) {
			i, _ := slices.BinarySearch(window, v)
			window = slices.Insert(window, i, v)
		}
	}
	drop := func(v float64) {
		if Known(v) {
			i, _ := slices.BinarySearch(window, v)
			window = slices.Delete(window, i, i+1)
		}
	}
	for i := 0; i < min(half, len(x)); i++ {
		add(x[i])
	}
	for i := range x {
		if i+half < len(x) {
			add(x[i+half])
		}
		if i-half-1 >= 0 {
			drop(x[i-half-1])
		}
		out[i] = Quantile(window, 0.95)
	}
	return out
}
