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

func TestMedianInPlace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 60).Draw(t, "x")
		sorted := slices.Clone(x)
		slices.Sort(sorted)
		want := sorted[len(x)/2]
		if len(x)%2 == 0 {
			want = sorted[len(x)/2-1] + (want-sorted[len(x)/2-1])/2
		}
		if got := medianInPlace(slices.Clone(x)); got != want {
			t.Fatalf("median %v, want %v", got, want)
		}
	})
	if has(medianInPlace(nil)) {
		t.Error("nothing has a median")
	}
}

func TestEnvelopeAndDips(t *testing.T) {
	p := &powerTrace{step: 160, raw: make([]float64, 1800)}
	for i := range p.raw {
		p.raw[i] = 200 + 0.5*math.Sin(float64(i*i%89))
		switch at := i % 300; {
		case at >= 100 && at < 110:
			p.raw[i] = 150
		case at == 200: // one second: no dip
			p.raw[i] = 100
		}
	}
	p.smooth, p.sigma = slidingMedian3(p.raw), noiseOf(p.raw)
	p.findDips(DefaultConstants())
	if len(p.dips) != 6 {
		t.Fatalf("dips %+v", p.dips)
	}
	r := p.rhythm()
	d := p.describe(nil)
	if r.interval != 300 || r.regularity != 0 || r.length != 10 || d.Count != 6 || math.Abs(d.MeanDepthW-50) > 1 || math.Abs(d.Duty-60.0/1800) > 1e-9 {
		t.Errorf("%+v %+v", r, d)
	}
	if p.dips[0].from != 100 || p.dips[0].to != 110 {
		t.Errorf("first dip %+v", p.dips[0])
	}
	if !p.fromStart(r, 1.5) {
		t.Error("a dip after 100 s of a rhythm of 300 s is from the start")
	}
}

// TestEnvelopeAgainstSorting compares the sliding level with sorting every window.
func TestEnvelopeAgainstSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, half := rapid.IntRange(1, 80).Draw(t, "n"), rapid.IntRange(1, 30).Draw(t, "half")
		x := make([]float64, n)
		for i := range x {
			x[i] = float64(rapid.IntRange(0, 9).Draw(t, "v"))
			if rapid.IntRange(0, 6).Draw(t, "missing") == 0 {
				x[i] = absent
			}
		}
		got := envelope(x, half)
		for i := range x {
			window := present(x[max(i-half, 0):min(i+half+1, n)])
			slices.Sort(window)
			if want := quantile(window, 0.95); got[i] != want && (has(got[i]) || has(want)) {
				t.Fatalf("at %d: %v, want %v", i, got[i], want)
			}
		}
	})
}
