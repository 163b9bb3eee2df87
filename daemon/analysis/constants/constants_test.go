package constants

import "testing"

func TestConstantsByName(t *testing.T) {
	c := Default()
	m := c.Map()
	if len(m) < 80 || m["peak_hold_s"] != 10 || m["steady_k_per_h"] != 2 {
		t.Fatalf("%d constants, hold %v", len(m), m["peak_hold_s"])
	}
	for _, f := range c.fields() { // every default is within its own range
		if *f.p < f.low || *f.p > f.high {
			t.Errorf("%s = %v is outside %v..%v", f.name, *f.p, f.low, f.high)
		}
	}
	if err := c.Override(map[string]float64{"peak_hold_s": 30, "loss_share": 0.05}); err != nil || c.PeakHoldS != 30 || c.LossShare != 0.05 {
		t.Errorf("override: %v, hold %v", err, c.PeakHoldS)
	}
	before := c
	if err := c.Override(map[string]float64{"peak_hold_s": 20, "nonsense": 1}); err == nil || c != before {
		t.Error("a bad override set something")
	}
}
