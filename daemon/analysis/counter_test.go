package analysis

import (
	"math"
	"testing"
)

// The first two falls are published: a module that rolls at 10^7 Wh (range from its
// manual) and a metering chip whose 24-bit counter fell from 2636 to 0 on a brown-out
// (esphome/esphome #15280; adding 2^24 made 3.1 MWh appear). See testdata/meters.
func TestCounterStep(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name                     string
		prev, now, modulus, most float64
		delta                    float64
		ok                       bool
	}{
		{"wrap of a module", 9999990, 16, 1e7, 1000, 26, true},
		{"reset of a chip", 2636, 0, 1 << 24, inf, 0, false},
		{"moves on", 100, 130, 0, 50, 30, true},
		{"stands still", 100, 100, 1000, 0, 0, true},
		{"moves too far", 100, 200, 0, 50, 100, false},
		{"falls without a modulus", 100, 99, 0, inf, 0, false},
		{"wraps too far", 990, 900, 1000, 50, 910, false},
		{"beyond its modulus", 1001, 2, 1000, inf, 0, false},
		{"just inside the last 5 %", 950, 0, 1000, 60, 50, true},
		{"just outside the last 5 %", 949, 0, 1000, 60, 0, false},
	} {
		if delta, ok := CounterStep(c.prev, c.now, c.modulus, c.most); delta != c.delta || ok != c.ok {
			t.Errorf("%s: %v, %v; want %v, %v", c.name, delta, ok, c.delta, c.ok)
		}
	}
}
