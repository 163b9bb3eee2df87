package series

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestEnvelopeAgainstSorting compares the sliding level with sorting every window.
func TestEnvelopeAgainstSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, half := rapid.IntRange(1, 80).Draw(t, "n"), rapid.IntRange(1, 30).Draw(t, "half")
		x := make([]float64, n)
		for i := range x {
			x[i] = float64(rapid.IntRange(0, 9).Draw(t, "v"))
			if rapid.IntRange(0, 6).Draw(t, "missing") == 0 {
				x[i] = Absent()
			}
		}
		got := Envelope(x, half)
		for i := range x {
			window := Present(x[max(i-half, 0):min(i+half+1, n)])
			slices.Sort(window)
			if want := Quantile(window, 0.95); got[i] != want && (Known(got[i]) || Known(want)) {
				t.Fatalf("at %d: %v, want %v", i, got[i], want)
			}
		}
	})
}
