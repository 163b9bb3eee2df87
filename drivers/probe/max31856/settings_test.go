package max31856

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers/drivertest"
)

// TestEverySetting: each word of an option is the field of the data sheet (19-7534 rev
// 0, tables 7 and 8), with every type and both notches: CR0 in the first byte, CR1 in
// the second.
func TestEverySetting(t *testing.T) {
	type field struct {
		word string
		bits byte
	}
	averages := []field{{"1", 0x00}, {"2", 0x10}, {"4", 0x20}, {"8", 0x30}, {"16", 0x40}}
	tests := []field{{"off", 0x00}, {"low", 0x10}, {"high", 0x20}, {"slow", 0x30}}
	types := []field{{"B", 0}, {"E", 1}, {"J", 2}, {"K", 3}, {"N", 4}, {"R", 5}, {"S", 6}, {"T", 7}}
	notches := map[int]byte{50: 0x01, 60: 0x00}
	for hz, notch := range notches {
		for i, average := range averages {
			for k, open := range tests {
				typ := types[(i+2*k)%len(types)]
				synctest.Test(t, func(t *testing.T) {
					f := newFake(room)
					ports := drivertest.NewPorts()
					ports.AddSPI("SPI0.0").Attach(f)
					src := source(fmt.Sprintf("average: %s\nopen_test: %s", average.word, open.word))
					src.MainsHz, src.Inputs[0].Couple, src.Every = hz, typ.word, time.Second
					drivertest.Open(t, &Driver, ports, src)
					if cr0, cr1 := 0x80|open.bits|notch, average.bits|typ.bits; f.regs[0] != cr0 || f.regs[1] != cr1 {
						t.Errorf("average %s, open_test %s, type %s, %d Hz: %02X %02X, want %02X %02X", average.word, open.word, typ.word, hz, f.regs[0], f.regs[1], cr0, cr1)
					}
				})
			}
		}
	}
}
