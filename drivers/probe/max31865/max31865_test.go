package max31865

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// fake is a chip with an element attached. Without bias it converts zero.
type fake struct {
	mu      sync.Mutex
	rtd     uint16 // what a conversion gives
	status  byte   // what a fault detection cycle finds
	regs    [8]byte
	startAt time.Time
	biasFor time.Duration // how long the bias has been on in all
	biasAt  time.Time
	reset   bool // brown-out before the registers are read
	resetAt int  // brown-out before this transfer from now, 1 is the next; 0: none
}

func newFake(rtd uint16, status byte) *fake { return &fake{rtd: rtd, status: status} }

func (f *fake) Transfer(w, r []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.resetAt != 0 {
		if f.resetAt--; f.resetAt == 0 { // the supply dips before this transfer
			f.regs = [8]byte{3: 0xFF, 4: 0xFF}
		}
	}
	if len(w) == 2 && w[0] == writeBit {
		f.write(w[1])
		return nil
	}
	if len(w) == 5 && w[0] == writeBit|regGuard {
		copy(f.regs[regGuard:], w[1:])
		return nil
	}
	if len(w) != 9 || w[0] != 0 {
		return fmt.Errorf("unexpected transfer % X", w)
	}
	if f.reset {
		f.regs = [8]byte{3: 0xFF, 4: 0xFF}
	} else if f.regs[0]&oneShot != 0 && time.Since(f.startAt) >= 62500*time.Microsecond {
		f.regs[0] &^= oneShot
		v := f.rtd
		if f.status != 0 {
			v |= 1
		}
		f.regs[1], f.regs[2] = byte(v>>8), byte(v)
	}
	copy(r[1:], f.regs[:])
	return nil
}

func (f *fake) write(v byte) {
	if v&biasOn != 0 && f.regs[0]&biasOn == 0 {
		f.biasAt = time.Now()
	}
	if v&biasOn == 0 && f.regs[0]&biasOn != 0 {
		f.biasFor += time.Since(f.biasAt)
	}
	if v&clear != 0 {
		f.regs[7] = 0
	}
	if v&runFaults != 0 {
		f.regs[7] = f.status
	}
	if v&oneShot != 0 {
		f.startAt = time.Now()
	}
	f.regs[0] = v &^ (clear | 3<<2)
}

func source(options string) drivers.Source {
	return drivers.Source{Name: "ref", Every: 500 * time.Millisecond, MainsHz: 50,
		Inputs: []drivers.Input{{Channel: "bath", Port: "SPI0.0", Options: drivertest.Options(options)}}}
}

func bench(t testing.TB, options string, c drivertest.Chip) (*drivertest.Ports, drivers.Device) {
	t.Helper()
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").Attach(c)
	return ports, drivertest.Open(t, &Driver, ports, source(options))
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		ports := drivertest.NewPorts()
		ports.AddSPI("SPI0.0").Attach(newFake(0x4000, 0))
		ports.AddSPI("SPI0.1").Attach(newFake(0x35EE, 0))
		src := source("rref: 400")
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "cold", Port: "SPI0.1", Options: drivertest.Options("{rref: 400, wires: 3}")})
		return &drivertest.Rig{Ports: ports, Source: src, Allocates: "each wait for bias and conversion takes a timer"}
	})
}

// celsius is Callendar-Van Dusen inverted by bisection, independent of the driver.
func celsius(ratio float64) float64 {
	lo, hi := -200.0, 850.0
	for range 80 {
		m := (lo + hi) / 2
		v := 1 + cvdA*m + cvdB*m*m
		if m < 0 {
			v += -4.18301e-12 * (m - 100) * m * m * m
		}
		if v < ratio {
			lo = m
		} else {
			hi = m
		}
	}
	return lo
}

func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 24) {
		t.Run(c.ID, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var rtd uint16
				var rref float64
				if _, err := fmt.Sscanf(c.Input, "RTD=%X Rref=%g", &rtd, &rref); err != nil {
					t.Fatal(err)
				}
				var status byte
				if _, text, ok := strings.Cut(c.Input, "FAULT="); ok {
					if _, err := fmt.Sscanf(text, "%X", &status); err != nil {
						t.Fatal(err)
					}
				}
				_, dev := bench(t, fmt.Sprintf("rref: %g\n%s", rref, c.InputOptions), newFake(rtd, status))
				r := drivertest.Read(t, dev)[0]
				c.Says(t, r)
				usable, said := c.Usable()
				if usable = usable || !said; usable != (r.Faults == 0) {
					t.Errorf("%v (%v), the case expects %v", r.Faults, r.Cause, c.Expect)
				}
				if v, ok := c.Number("code"); ok && float64(r.Code) != v {
					t.Errorf("code %d, want %g", r.Code, v)
				}
				r0 := dev.Converters()[0].R0Ohms
				ohms := float64(r.Code) * dev.Converters()[0].PerCode
				if v, ok := c.Number("ohm"); ok && math.Abs(ohms-v) > 0.001 {
					t.Errorf("%g ohm, want %g", ohms, v)
				}
				tol, _ := c.Number("tol")
				if v, ok := c.Number("t_c"); ok && math.Abs(celsius(ohms/r0)-v) > tol+1e-6 {
					t.Errorf("%g degC, want %g", celsius(ohms/r0), v)
				}
			})
		})
	}
}

func TestFaultBits(t *testing.T) {
	for _, tt := range []struct {
		rtd    uint16
		status byte
		want   drivers.Faults
	}{
		{0x4000, 0, 0},
		{0x4000, rtdHigh, drivers.Open},
		{0x4000, rtdLow, drivers.OutOfRange},
		{0x4000, refHigh, drivers.Open},
		{0x4000, refLow, drivers.Open},
		{0x4000, rtdInLow, drivers.ShortToGround},
		{0x4000, overUnder, drivers.ShortToSupply},
		{0x4000, refLow | rtdInLow | overUnder, drivers.Open | drivers.ShortToGround | drivers.ShortToSupply},
		{0x4000, 1, drivers.Corrupt}, // flagged without a known cause
		{0xFFFE, 0, drivers.Open},
		{0, 0, drivers.OutOfRange},
		{0x0BD8, 0, drivers.OutOfRange}, // 18.506 ohm, below -200 degC
		{0x0BDA, 0, 0},                  // 18.518 ohm, the code nearest to 18.520 at -200 degC
		{0x0BDC, 0, 0},                  // 18.53 ohm
		{0xF9E8, 0, 0},                  // 390.47 ohm
		{0xF9F4, 0, drivers.OutOfRange}, // 390.55 ohm
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, "rref: 400", newFake(tt.rtd, tt.status))
			if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want {
				t.Errorf("RTD %04X, status %02X: %v (%v), want %v", tt.rtd, tt.status, r.Faults, r.Cause, tt.want)
			}
		})
	}
}

func TestCycle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(0x4000, 0)
		ports, dev := bench(t, "{rref: 400, wires: 3, bias: 20ms}", f)
		drivertest.Read(t, dev)
		var writes []byte
		for _, tr := range ports.Log() {
			if tr.Mode != spi.Mode1 {
				t.Errorf("mode %v", tr.Mode)
			}
			if tr.W[0] == writeBit {
				writes = append(writes, tr.W[1])
			}
		}
		if want := []byte{0x93, 0x95, 0xB1, 0x11}; string(writes) != string(want) {
			t.Errorf("configuration written % X, want % X", writes, want)
		}
		if f.biasFor != 87*time.Millisecond {
			t.Errorf("bias on for %v, want 20 + 1 + 66 ms", f.biasFor)
		}
	})
}

func TestFailures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(0x4000, 0)
		ports, dev := bench(t, "rref: 400", f)
		for n := 1; n <= 6; n++ {
			ports.FailAt(n, syscall.EIO)
			r := drivertest.Read(t, dev)[0]
			if r.Faults != drivers.BusError || r.Has != 0 || !errors.Is(r.Cause, syscall.EIO) {
				t.Errorf("transfer %d: %+v", n, r)
			}
			time.Sleep(500 * time.Millisecond)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Millisecond) // ends in the conversion
		defer cancel()
		if err := dev.Read(ctx, make([]drivers.Reading, 1)); !errors.Is(err, context.DeadlineExceeded) || f.regs[0]&biasOn != 0 {
			t.Errorf("a reading cut short: %v, configuration %02X; the bias must be off", err, f.regs[0])
		}
		f.reset = true
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.ConfigLost {
			t.Errorf("a supply dip in the middle: %v (%v)", r.Faults, r.Cause)
		}
		f.reset = false
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Errorf("after it: %v", r.Cause)
		}
		f.rtd = 0x58A4
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Implausible {
			t.Errorf("100 K in a tenth of a second: %v", r.Faults)
		}
	})
	for _, level := range []byte{0, 0xFF} {
		synctest.Test(t, func(t *testing.T) {
			ports := drivertest.NewPorts()
			ports.AddSPI("SPI0.0").Float(level)
			dev := drivertest.Open(t, &Driver, ports, source("rref: 400"))
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip || r.Has != 0 {
				t.Errorf("line at %02X: %+v", level, r)
			}
		})
	}
	for n := range 9 {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(0x4000, 0)
			_, dev := bench(t, "rref: 400", drivertest.ChipFunc(func(w, r []byte) error {
				if err := f.Transfer(w, r); err != nil || len(r) == 0 {
					return err
				}
				clear := r[n:]
				for i := range clear {
					clear[i] = 0
				}
				return io.ErrUnexpectedEOF
			}))
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.BusError || r.Has != 0 {
				t.Errorf("%d bytes: %+v", n, r)
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct{ key, options string }{
		{"rref", ""}, {"rref", "rref: 50"}, {"rref", "{rref: 400, element: pt1000}"}, {"element", "{rref: 400, element: cu10}"},
		{"wires", "{rref: 400, wires: 1}"}, {"bias", "{rref: 400, bias: 0s}"}, {"rref_tolerance", "{rref: 400, rref_tolerance: -1}"}, {"max_step", "{rref: 400, max_step: -1}"},
	} {
		var oe *drivers.OptionError
		if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), source(tt.options)); !errors.As(err, &oe) || oe.Key != tt.key {
			t.Errorf("%s: %v, want %s", tt.options, err, tt.key)
		}
	}
	src := source("rref: 400")
	src.Inputs[0].Couple = "K"
	if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), src); err == nil || !strings.Contains(err.Error(), "couple") {
		t.Error(err)
	}
	src = source("rref: 400")
	src.Every = 100 * time.Millisecond
	src.Inputs = append(src.Inputs, drivers.Input{Channel: "b", Port: "SPI0.1", Options: drivertest.Options("rref: 400")})
	if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), src); err == nil || !strings.Contains(err.Error(), "2 readings") {
		t.Error(err)
	}
}

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, dev := bench(t, "rref: 400", newFake(0x58A4, 0))
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || !strings.Contains(lines[0], "1.38501") {
			t.Errorf("%q, %v", lines, err)
		}
		ports.Fail(syscall.EIO)
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Error(err)
		}
	})
}

func FuzzRegisters(f *testing.F) {
	f.Add([]byte{0x81, 0x40, 0, 0xFF, 0xFF, 0, 2, 0})
	f.Add([]byte{0x81, 0x40, 1, 0xFF, 0xFF, 0, 2, 0x20})
	f.Fuzz(func(t *testing.T, b []byte) {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, "rref: 400", drivertest.ChipFunc(func(w, r []byte) error {
				if len(r) > 0 && copy(r[1:], b) < 8 {
					return io.ErrUnexpectedEOF
				}
				return nil
			}))
			r := drivertest.Read(t, dev)[0]
			if r.Faults == 0 && (b[0]&^0x0E != 0x81 || b[6] != 2 || b[7]&0xFC != 0 || b[2]&1 != 0 || r.Code == 0 || r.Code == 0x7FFF) {
				t.Errorf("good: % X", b)
			}
		})
	})
}
