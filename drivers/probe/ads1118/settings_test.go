package ads1118

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers/drivertest"
)

// TestEverySetting: each rate, range and pair of pins is the field of the data sheet
// (SBAS457F, table 7), and each range's code is worth what table 3 says. The cold
// junction's conversion has the sensor bit and none of the pins.
func TestEverySetting(t *testing.T) {
	rates := map[int]uint16{8: 0, 16: 1, 32: 2, 64: 3, 128: 4, 250: 5, 475: 6, 860: 7}
	ranges := map[int]struct {
		bits    uint16
		microVs float64
	}{6144: {0, 187.5}, 4096: {1, 125}, 2048: {2, 62.5}, 1024: {3, 31.25}, 512: {4, 15.625}, 256: {5, 7.8125}}
	pairs := map[string]uint16{"0-1": 0, "0-3": 1, "1-3": 2, "2-3": 3}
	for rate, dr := range rates {
		for mV, pga := range ranges {
			for pair, mux := range pairs {
				synctest.Test(t, func(t *testing.T) {
					src := source(fmt.Sprintf("rate: %d\nrange_mv: %d", rate, mV), "pair: "+pair)
					src.Every = time.Second
					ports, dev := bench(t, newFake(0x0C80, map[uint16]int16{mux: 1}), src)
					drivertest.Read(t, dev)
					log := ports.Log()
					cold := uint16(log[0].W[0])<<8 | uint16(log[0].W[1])
					probe := uint16(log[2].W[0])<<8 | uint16(log[2].W[1])
					const fixed = 1<<15 | 1<<8 | 1<<3 | 1<<1 | 1 // start, single shot, pull-up, valid, always one
					if want := fixed | mux<<12 | pga.bits<<9 | dr<<5; probe != want {
						t.Errorf("%d per second, %d mV, %s: %04X, want %04X", rate, mV, pair, probe, want)
					}
					if cold&^(7<<9) != fixed|dr<<5|1<<4 {
						t.Errorf("%d per second: cold junction %04X", rate, cold)
					}
					if got := dev.Converters()[0].PerCode * 1e6; got-pga.microVs > 1e-9 || pga.microVs-got > 1e-9 {
						t.Errorf("%d mV: a code is worth %g uV, want %g", mV, got, pga.microVs)
					}
				})
			}
		}
	}
}
