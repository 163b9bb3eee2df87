package limiting

import (
	"math"
	"testing"
)

func TestBinomialAgainstItsDefinition(t *testing.T) {
	if got := binomialAtMost(0, 8, 0.5); math.Abs(got-1.0/256) > 1e-12 {
		t.Errorf("binomial 0 of 8: %v", got)
	}
	if got := binomialAtMost(3, 8, 0.5); math.Abs(got-93.0/256) > 1e-12 {
		t.Errorf("binomial up to 3 of 8: %v", got)
	}
	if binomialAtMost(8, 8, 0.3) != 1 || binomialAtMost(0, 5, 1) != 0 || binomialAtMost(2, 5, 0) != 1 {
		t.Error("binomial at its ends")
	}
}
