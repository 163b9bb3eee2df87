package ads1118

import (
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers/drivertest"
)

// TestSupplyDipAnywhere: before whichever transfer of a round the supply dips, no
// input is good with a code that is not its own, and the next round is good.
func TestSupplyDipAnywhere(t *testing.T) {
	for n := 1; n <= 6; n++ {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(0x0C80, map[uint16]int16{0: 111, 3: 222})
			left := n
			_, dev := bench(t, drivertest.ChipFunc(func(w, r []byte) error {
				if left > 0 {
					if left--; left == 0 {
						f.mu.Lock()
						f.cfg, f.data, f.from = powerOn, 0, 0
						f.mu.Unlock()
					}
				}
				return f.Transfer(w, r)
			}), source("", "pair: 0-1", "pair: 2-3"))
			for i := range 2 {
				bad := 0
				for k, r := range drivertest.Read(t, dev) {
					if want := int64(111 * (k + 1)); r.Faults == 0 && (r.Code != want || r.Cold != 800) {
						t.Errorf("dip before transfer %d, round %d: input %d good with %d and %d", n, i, k, r.Code, r.Cold)
					}
					if r.Faults != 0 {
						bad++
					}
				}
				// Before a start the dip does no harm: the start brings its setting along.
				if dip := i == 0 && n%2 == 0; dip != (bad > 0) {
					t.Errorf("dip before transfer %d, round %d: %d inputs with faults", n, i, bad)
				}
				time.Sleep(500 * time.Millisecond)
			}
		})
	}
}

// TestNextRound: a transfer that fails costs its own round only.
func TestNextRound(t *testing.T) {
	for n := 1; n <= 4; n++ {
		synctest.Test(t, func(t *testing.T) {
			ports, dev := bench(t, newFake(0x0C80, map[uint16]int16{0: 5}), source(""))
			drivertest.Read(t, dev)
			ports.FailAt(n, syscall.EIO)
			if r := drivertest.Read(t, dev)[0]; r.Faults == 0 || r.Has != 0 {
				t.Errorf("transfer %d: %+v", n, r)
			}
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || r.Code != 5 {
				t.Errorf("after transfer %d: %+v", n, r)
			}
		})
	}
}
