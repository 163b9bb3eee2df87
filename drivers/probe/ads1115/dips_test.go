package ads1115

import (
	"errors"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// TestSupplyDipAnywhere: before whichever transfer of a round the supply dips, the
// input is good with its own code only, and the next round is good.
func TestSupplyDipAnywhere(t *testing.T) {
	for n := 1; n <= 6; n++ {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(room())
			left := 0
			_, dev := bench(t, drivertest.I2CFunc(func(w, r []byte) error {
				if left > 0 {
					if left--; left == 0 {
						f.mu.Lock()
						f.cfg, f.data, f.running = powerOn&^ready, 0, false
						f.mu.Unlock()
					}
				}
				return f.Tx(w, r)
			}), source(junction))
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
				t.Fatal(r.Cause)
			}
			left = n
			for i := range 2 {
				r := drivertest.Read(t, dev)[0]
				if r.Faults == 0 && (r.Code != 400 || r.Cold != 4000) {
					t.Errorf("dip before transfer %d, round %d: good with %d and %d", n, i, r.Code, r.Cold)
				}
				if i == 1 && r.Faults != 0 {
					t.Errorf("dip before transfer %d: not back: %v", n, r.Cause)
				}
				time.Sleep(500 * time.Millisecond)
			}
		})
	}
}

// TestNoAcknowledge: whichever transfer of a round the chip does not acknowledge, the
// reading has no codes, and the next is good.
func TestNoAcknowledge(t *testing.T) {
	for n := 1; n <= 6; n++ {
		synctest.Test(t, func(t *testing.T) {
			ports, dev := bench(t, newFake(room()), source(junction))
			drivertest.Read(t, dev)
			ports.FailAt(n, syscall.EREMOTEIO)
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip || r.Has != 0 || !errors.Is(r.Cause, syscall.EREMOTEIO) {
				t.Errorf("transfer %d: %+v", n, r)
			}
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
				t.Errorf("after transfer %d: %v", n, r.Cause)
			}
		})
	}
}
