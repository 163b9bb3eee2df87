package mcp9600

import (
	"errors"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// powerOn is a supply dip: every register as the data sheet has it after power-up, and
// no conversion has ended.
func (f *fake) powerOn() {
	for _, reg := range []byte{regHot, regDelta, regCold} {
		f.put(reg, 0)
	}
	for _, reg := range []byte{regStatus, regSensor, regDevice} {
		f.Set(reg, 0)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.cleared = time.Now()
}

// converted is a conversion that ended after all.
func (f *fake) converted() {
	f.put(regHot, 0x0640)
	f.put(regDelta, 0x04B0)
	f.put(regCold, 0x0190)
}

// nth does something before the n-th transfer from when it was armed, 1 is the next.
type nth struct {
	to drivertest.I2CChip
	n  int
	do func()
}

func (c *nth) Tx(w, r []byte) error {
	if c.n > 0 {
		if c.n--; c.n == 0 {
			c.do()
		}
	}
	return c.to.Tx(w, r)
}

// TestSupplyDipAnywhere: wherever in a reading the supply dips, with settings that are
// those of power-on and with others, no reading is good unless both its numbers are
// right, and the chip is back two seconds later.
func TestSupplyDipAnywhere(t *testing.T) {
	for _, options := range []string{"", "filter: 3\ncold_resolution: 0.25"} {
		for n := 1; n <= 9; n++ {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(0x4010, 0x0640, 0x0190)
				c := &nth{to: f, do: f.powerOn}
				_, _, dev := bench(t, options, c)
				if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
					t.Fatal(r.Cause)
				}
				time.Sleep(500 * time.Millisecond)
				c.n = n
				for i := range 5 {
					r := drivertest.Read(t, dev)[0]
					if r.Faults == 0 && (r.Code != 1600 || r.Cold != 400) {
						t.Errorf("%q, dip before transfer %d, reading %d: good with codes %d and %d", options, n, i, r.Code, r.Cold)
					}
					if i == 4 && r.Faults != 0 {
						t.Errorf("%q, dip before transfer %d: not back: %v", options, n, r.Cause)
					}
					time.Sleep(400 * time.Millisecond)
					f.converted()
					time.Sleep(100 * time.Millisecond)
				}
			})
		}
	}
}

// TestOneRepeatedByte: a controller that loses clock stretching now and then repeats a
// byte in one register only, 96.375 degC for 100: no such number is good.
func TestOneRepeatedByte(t *testing.T) {
	for n := 1; n <= 8; n++ {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(0x4010, 0x0640, 0x0190)
			broken := 0
			_, _, dev := bench(t, "", drivertest.I2CFunc(func(w, r []byte) error {
				err := f.Tx(w, r)
				if len(r) == 0 {
					return err
				}
				if broken++; broken == 10+n {
					for i := range r {
						r[i] = r[0]
					}
				}
				return err
			}))
			for i := range 6 {
				r := drivertest.Read(t, dev)[0]
				if r.Faults == 0 && (r.Code != 1600 || r.Cold != 400) || r.Faults != 0 && r.Faults != drivers.Corrupt {
					t.Errorf("byte repeated in read %d, reading %d: %v (%v), codes %d and %d", n, i, r.Faults, r.Cause, r.Code, r.Cold)
				}
				time.Sleep(500 * time.Millisecond)
			}
		})
	}
}

// TestNoAcknowledge: whichever transfer of a reading the chip does not acknowledge,
// that reading has no codes, and the next is good.
func TestNoAcknowledge(t *testing.T) {
	for _, errno := range []error{syscall.ENXIO, syscall.EREMOTEIO} {
		for n := 1; n <= 6; n++ {
			synctest.Test(t, func(t *testing.T) {
				ports, _, dev := bench(t, "filter: 1", newFake(0x4010, 0x0640, 0x0190))
				drivertest.Read(t, dev)
				time.Sleep(500 * time.Millisecond)
				ports.FailAt(n, errno)
				if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip || r.Has != 0 || !errors.Is(r.Cause, errno) {
					t.Errorf("%v at transfer %d: %+v", errno, n, r)
				}
				time.Sleep(500 * time.Millisecond)
				if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
					t.Errorf("after it: %v", r.Cause)
				}
			})
		}
	}
}
