package analysis

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// slowHold is the definition: the best over all windows of the window's minimum,
// windows by brute force.
func slowHold(x []reading, span int64, share float64, stride int64) (best float64, at int64, found bool) {
	for i := range x {
		j := i
		for j > 0 && x[i].second-x[j].second < span-1 {
			j--
		}
		width := x[i].second - x[j].second + 1
		n := i - j + 1
		if width < span || float64(n) < share*float64(width)/float64(max(stride, 1)) || n < 2 && span > 1 {
			continue
		}
		low := math.Inf(1)
		for _, r := range x[j : i+1] {
			low = min(low, r.v)
		}
		if !found || low > best {
			best, at, found = low, x[j].second, true
		}
	}
	return best, at, found
}

func TestHoldAgainstItsDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		span := int64(rapid.IntRange(1, 30).Draw(t, "span"))
		stride := int64(rapid.SampledFrom([]int{1, 2, 5, 10, 40}).Draw(t, "stride"))
		var x []reading
		second := int64(0)
		for range rapid.IntRange(0, 120).Draw(t, "n") {
			if rapid.IntRange(0, 5).Draw(t, "missing") > 0 {
				x = append(x, reading{second, float64(rapid.IntRange(0, 20).Draw(t, "v"))})
			}
			second += stride
		}
		h := newHold(float64(span), 0.5)
		for _, r := range x {
			h.push(r.second, r.v, stride)
		}
		best, at, found := slowHold(x, span, 0.5, stride)
		if h.found != found || found && (h.best != best || h.at != at) {
			t.Fatalf("held %v at %d (%v), by definition %v at %d (%v)", h.best, h.at, h.found, best, at, found)
		}
		if int64(len(h.window)) > span+1 {
			t.Fatalf("%d values are kept for a span of %d s", len(h.window), span)
		}
	})
}

// TestHeldPeakIgnoresBursts: a burst shorter than the hold time leaves nothing, one
// as long leaves its lowest level.
func TestHeldPeakIgnoresBursts(t *testing.T) {
	for burst, want := range map[int]float64{0: 50, 3: 50, 9: 50, 10: 70, 15: 70} {
		h := newHold(10, 0.5)
		for s := range 100 {
			v := 50.0
			if s >= 40 && s < 40+burst {
				v = 70 + float64(s%3)
			}
			h.push(int64(s), v, 1)
		}
		if h.best != want {
			t.Errorf("burst of %d s: held %v, want %v", burst, h.best, want)
		}
	}
}

func TestStriderAgainstMedian(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s strider
		var d []float64
		second := int64(rapid.IntRange(-100, 100).Draw(t, "first"))
		s.push(second)
		for range rapid.IntRange(1, 100).Draw(t, "n") {
			step := int64(rapid.SampledFrom([]int{1, 1, 2, 10, 60, 1000}).Draw(t, "step"))
			second += step
			got := s.push(second)
			d = append(d, float64(min(step, 900)))
			sorted := slices.Clone(d)
			slices.Sort(sorted)
			if want := int64(sorted[len(sorted)/2]); got != want {
				t.Fatalf("usual distance %d, median %d of %v", got, want, sorted)
			}
		}
	})
}
