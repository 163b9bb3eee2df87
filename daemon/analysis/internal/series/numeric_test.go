package series

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestNumericAgainstDefinitions(t *testing.T) {
	if Kendall([]float64{4, 3, 2, 1}) != -1 || Kendall([]float64{1, 2, 3}) != 1 || Kendall([]float64{1}) != 0 {
		t.Error("Kendall's tau of ordered values")
	}
	if got := Kendall([]float64{1, 3, 2}); math.Abs(got-1.0/3) > 1e-15 {
		t.Errorf("Kendall's tau with one swap: %v", got)
	}
	x := []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
	y := []float64{1, 3, 5, 7, 9, 11, 13, 15, 99, 19} // one wild value
	if got := TheilSen(x, y, nil); got != 2 {
		t.Errorf("Theil-Sen %v, want 2 in spite of the wild value", got)
	}
	if Known(TheilSen([]float64{1, 1}, []float64{1, 2}, nil)) || Known(SlopeError(x[:3], y[:3])) {
		t.Error("a slope without spread or an error from three points")
	}
	if q := Quantile([]float64{0, 10}, 0.95); q != 9.5 {
		t.Errorf("quantile %v", q)
	}
}

// TestSlopeErrorIsWidened: residuals that hang together carry less information
// than their number says; the plain formula would be two to four times too small.
func TestSlopeErrorIsWidened(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n, runs, rho = 60, 400, 0.7
	var stated, true2 float64
	for range runs {
		x, y := make([]float64, n), make([]float64, n)
		e := 0.0
		for i := range x {
			e = rho*e + r.NormFloat64()
			x[i], y[i] = float64(i), e
		}
		se := SlopeError(x, y)
		stated += se / runs
		b := TheilSen(x, y, nil)
		true2 += b * b / runs
	}
	if ratio := stated / math.Sqrt(true2); ratio < 0.7 || ratio > 1.4 {
		t.Errorf("stated error is %.2f of the real scatter", ratio)
	}
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
		if got := MedianInPlace(slices.Clone(x)); got != want {
			t.Fatalf("median %v, want %v", got, want)
		}
	})
	if Known(MedianInPlace(nil)) {
		t.Error("nothing has a median")
	}
}
