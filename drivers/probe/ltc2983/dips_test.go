package ltc2983

import (
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// TestSupplyDipAnywhere: before whichever transfer the supply dips, those that set the
// chip up and those of two rounds, the input is good with its own codes only, and it
// comes back.
func TestSupplyDipAnywhere(t *testing.T) {
	for n := 1; n <= 24; n++ {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(map[int]uint32{2: word(80), 20: word(25)})
			left := n
			_, dev := bench(t, drivertest.ChipFunc(func(w, r []byte) error {
				if left > 0 {
					if left--; left == 0 {
						f.lock(func() { f.ram, f.busy = [0x400]byte{statusDone}, 0 })
					}
				}
				return f.Transfer(w, r)
			}), source(""))
			var last drivers.Reading
			for i := range 4 {
				last = drivertest.Read(t, dev)[0]
				if last.Faults == 0 && (last.Code != 80*1024 || last.Cold != 25*1024) {
					t.Errorf("dip before transfer %d, round %d: good with %d and %d", n, i, last.Code, last.Cold)
				}
				time.Sleep(5 * time.Second)
			}
			if last.Faults != 0 {
				t.Errorf("dip before transfer %d: not back: %v", n, last.Cause)
			}
		})
	}
}

// TestDipInsideAResult: the supply goes away after n bytes of a result, and the rest is
// zeros: 64 degC instead of 80. What the last byte holds is less than 0.25 K.
func TestDipInsideAResult(t *testing.T) {
	for n := 4; n <= 7; n++ {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(map[int]uint32{2: word(80.1), 20: word(25)})
			_, dev := bench(t, drivertest.ChipFunc(func(w, r []byte) error {
				err := f.Transfer(w, r)
				if w[0] == opRead && int(w[1])<<8|int(w[2]) == regResult+4 && len(r) == 7 && n < 7 {
					clear(r[n:])
					f.lock(func() { f.ram, f.busy = [0x400]byte{statusDone}, 0 })
				}
				return err
			}), source(""))
			r := drivertest.Read(t, dev)[0]
			if degC := float64(r.Code) * codeC; r.Faults == 0 && (degC < 79.85 || degC > 80.11) || n == 7 && r.Faults != 0 {
				t.Errorf("%d bytes: %v (%v), %g degC", n-3, r.Faults, r.Cause, float64(r.Code)*codeC)
			}
		})
	}
}
