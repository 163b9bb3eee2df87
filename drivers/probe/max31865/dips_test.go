package max31865

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// TestSupplyDipAnywhere: a dip while the bias settles would leave a conversion of a
// filter that is not charged, under a configuration that looks right. Wherever in the
// cycle it comes after the first transfer, the reading says so; the next is good.
func TestSupplyDipAnywhere(t *testing.T) {
	for n := 1; n <= 7; n++ {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(0x4000, 0)
			_, dev := bench(t, "rref: 400", f)
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
				t.Fatal(r.Cause)
			}
			time.Sleep(500 * time.Millisecond)
			f.resetAt = n
			r := drivertest.Read(t, dev)[0]
			if inside := n >= 2 && n <= 5; inside && r.Faults != drivers.ConfigLost || !inside && r.Faults != 0 {
				t.Errorf("dip before transfer %d: %v (%v)", n, r.Faults, r.Cause)
			}
			if r.Faults != 0 && !strings.Contains(r.Cause.Error(), "supply was away") {
				t.Errorf("dip before transfer %d: %v", n, r.Cause)
			}
			for range 2 {
				time.Sleep(500 * time.Millisecond)
				if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
					t.Errorf("dip before transfer %d, after it: %v", n, r.Cause)
				}
			}
		})
	}
}

// TestThresholdsOfSomebodyElse: limits that another program left in the chip would
// flag a good element for ever.
func TestThresholdsOfSomebodyElse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(0x4000, 0)
		copy(f.regs[regGuard:], []byte{0x20, 0x00, 0x60, 0x00})
		_, dev := bench(t, "rref: 400", f)
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || [4]byte(f.regs[regGuard:]) != guard {
			t.Errorf("%v (%v), thresholds % X", r.Faults, r.Cause, f.regs[regGuard:])
		}
	})
}
