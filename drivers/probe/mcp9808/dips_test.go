package mcp9808

import (
	"errors"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// TestSupplyDipAnywhere: after a dip the temperature register reads 0.00 degC until a
// conversion has ended. Wherever in a reading the dip comes, that is never a value.
func TestSupplyDipAnywhere(t *testing.T) {
	for _, options := range []string{"", "resolution: 0.25"} {
		for n := 1; n <= 6; n++ {
			synctest.Test(t, func(t *testing.T) {
				c := fake(0x0190)
				left := 0
				_, _, dev := bench(t, options, drivertest.I2CFunc(func(w, r []byte) error {
					if left > 0 {
						if left--; left == 0 {
							c.Set(regTA, 0, 0)
							c.Set(regConfig, 0, 0)
							c.Set(regUpper, 0, 0)
							c.Set(regRes, 3)
						}
					}
					return c.Tx(w, r)
				}))
				if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
					t.Fatal(r.Cause)
				}
				time.Sleep(time.Second)
				left = n
				for i := range 5 {
					r := drivertest.Read(t, dev)[0]
					if r.Faults == 0 && r.Code != 400 {
						t.Errorf("%q, dip before transfer %d, reading %d: good with code %d", options, n, i, r.Code)
					}
					if i == 4 && r.Faults != 0 {
						t.Errorf("%q, dip before transfer %d: not back: %v", options, n, r.Cause)
					}
					time.Sleep(time.Second)
					c.Set(regTA, 0x01, 0x90)
				}
			})
		}
	}
}

// TestNoAcknowledge: whichever transfer of a reading the chip does not acknowledge,
// that reading has no code, and the next is good.
func TestNoAcknowledge(t *testing.T) {
	for n := 1; n <= 4; n++ {
		synctest.Test(t, func(t *testing.T) {
			ports, _, dev := bench(t, "", fake(0x0190))
			drivertest.Read(t, dev)
			time.Sleep(time.Second)
			ports.FailAt(n, syscall.EREMOTEIO)
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip || r.Has != 0 || !errors.Is(r.Cause, syscall.EREMOTEIO) {
				t.Errorf("transfer %d: %+v", n, r)
			}
			time.Sleep(time.Second)
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
				t.Errorf("after transfer %d: %v", n, r.Cause)
			}
		})
	}
}

// TestEveryResolution: data sheet DS20005095B, register 08h and p4.
func TestEveryResolution(t *testing.T) {
	for text, want := range map[string]struct {
		bits byte
		ms   time.Duration
	}{"0.5": {0, 30}, "0.25": {1, 65}, "0.125": {2, 130}, "0.0625": {3, 250}} {
		synctest.Test(t, func(t *testing.T) {
			c := fake(0x0190)
			_, _, dev := bench(t, "resolution: "+text, c)
			if got := c.Get(regRes)[0]; got != want.bits || dev.Converters()[0].Conversion != want.ms*time.Millisecond {
				t.Errorf("%s: register %d, %v", text, got, dev.Converters()[0].Conversion)
			}
		})
	}
}
