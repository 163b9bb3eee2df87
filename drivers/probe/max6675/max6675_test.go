package max6675

import (
	"encoding/hex"
	"errors"
	"io"
	"math"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
	"soakrig/drivers/its90"
)

func source(options string) drivers.Source {
	return drivers.Source{Name: "back", Every: 500 * time.Millisecond, Options: drivertest.Options(options),
		Inputs: []drivers.Input{{Channel: "vr1", Port: "SPI0.0", Couple: "K"}}}
}

func bench(t testing.TB, c drivertest.Chip) (*drivertest.Ports, drivers.Device) {
	t.Helper()
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").Attach(c)
	return ports, drivertest.Open(t, &Driver, ports, source(""))
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		ports := drivertest.NewPorts()
		ports.AddSPI("SPI0.0").Attach(drivertest.Steady("0C80", "0C88"))
		return &drivertest.Rig{Ports: ports, Source: source("")}
	})
}

// converting is a chip that converts only while it is left alone.
type converting struct {
	last  time.Time
	frame [2]byte
}

func (c *converting) Transfer(_, r []byte) error {
	if time.Since(c.last) >= typical {
		v := uint16(c.frame[0])<<8 | uint16(c.frame[1])
		v += 8
		c.frame = [2]byte{byte(v >> 8), byte(v)}
	}
	c.last = time.Now()
	copy(r, c.frame[:])
	return nil
}

func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 18) {
		t.Run(c.ID, func(t *testing.T) {
			if c.ID == "75-repeat" {
				TestConversionIsNotAborted(t)
				return
			}
			synctest.Test(t, func(t *testing.T) {
				ports := drivertest.NewPorts()
				ports.AddSPI("SPI0.0").Attach(drivertest.Steady(c.Input))
				dev := drivertest.Open(t, &Driver, ports, c.Apply(source("")))
				r := drivertest.Read(t, dev)[0]
				c.Says(t, r)
				if usable, said := c.Usable(); !said || (r.Faults == 0) != usable {
					t.Errorf("%v (%v), the case expects %v", r.Faults, r.Cause, c.Expect)
				}
				want, _ := c.Number("tc_c")
				if r.Has&drivers.HasCode != 0 && float64(r.Code)*codeC != want {
					t.Errorf("%g degC, want %g", float64(r.Code)*codeC, want)
				}
				for _, w := range c.Expect["faults"].([]any) {
					if f := map[string]drivers.Faults{"open": drivers.Open, "id": drivers.Corrupt}[w.(string)]; r.Faults != f {
						t.Errorf("%v, want %v", r.Faults, f)
					}
				}
				if m := ports.Log()[0].Mode; m != spi.Mode1 {
					t.Errorf("mode %v", m)
				}
			})
		})
	}
}

// TestConversionIsNotAborted polls far too often: no transfer may fall into a
// running conversion, and each good value is a new one.
func TestConversionIsNotAborted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip := &converting{last: time.Now(), frame: [2]byte{0x03, 0x20}}
		ports, dev := bench(t, chip)
		last, good := int64(-1), 0
		for range 100 {
			r := drivertest.Read(t, dev)[0]
			switch r.Faults {
			case 0:
				if r.Code == last {
					t.Fatal("the same conversion twice")
				}
				last = r.Code
				good++
			case drivers.Stale:
			default:
				t.Fatal(r.Faults, r.Cause)
			}
			time.Sleep(100 * time.Millisecond)
		}
		if good != ports.Count() || good != 50 {
			t.Errorf("%d good readings, %d transfers in 10 s; a conversion takes 170 ms and a poll comes each 100 ms", good, ports.Count())
		}
	})
}

func TestFrames(t *testing.T) {
	for _, tt := range []struct {
		frame string
		want  drivers.Faults
	}{
		{"0000", drivers.NoChip}, {"0001", drivers.NoChip}, {"FFFF", drivers.NoChip}, {"FFFE", drivers.NoChip},
		{"8320", drivers.Corrupt}, {"0322", drivers.Corrupt}, {"0324", drivers.Open}, {"0325", drivers.Open},
		{"0008", 0}, {"7FF8", 0}, {"0321", 0},
		{"", drivers.BusError}, {"03", drivers.BusError},
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, drivertest.Steady(tt.frame))
			r := drivertest.Read(t, dev)[0]
			if r.Faults != tt.want {
				t.Errorf("%s: %v (%v), want %v", tt.frame, r.Faults, r.Cause, tt.want)
			}
			if tt.want == drivers.BusError && !errors.Is(r.Cause, io.ErrUnexpectedEOF) {
				t.Errorf("%s: cause lost: %v", tt.frame, r.Cause)
			}
		})
	}
}

func TestChipComesBackAndStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, drivertest.Frames("0320", "0000", "0320", "0320", "1900", "0320"))
		for i, want := range []drivers.Faults{0, drivers.NoChip, drivers.Stale, 0, drivers.Implausible, 0} {
			if r := drivertest.Read(t, dev)[0]; r.Faults != want {
				t.Errorf("read %d: %v (%v), want %v", i, r.Faults, r.Cause, want)
			}
			time.Sleep(500 * time.Millisecond)
		}
	})
}

// TestSlopeError recomputes the budget's line for the fixed slope: what the chip
// shows (slope times EMF plus cold junction) against the true temperature.
func TestSlopeError(t *testing.T) {
	worst := 0.0
	for cold := 20.0; cold <= 40; cold += 5 {
		for probe := 0.0; probe <= 200; probe += 10 {
			eh, err1 := its90.K.EMFVolts(probe)
			ec, err2 := its90.K.EMFVolts(cold)
			if err := errors.Join(err1, err2); err != nil {
				t.Fatal(err)
			}
			worst = max(worst, math.Abs((eh-ec)/41e-6+cold-probe))
		}
	}
	for _, l := range converter().Lines {
		if strings.Contains(l.Name, "fixed slope") && (l.Half < worst || l.Half > worst+0.1) {
			t.Errorf("the line says %g K, computed %g K", l.Half, worst)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		key  string
		edit func(*drivers.Source)
	}{
		{"every", func(s *drivers.Source) { s.Every = 200 * time.Millisecond }},
		{"couple", func(s *drivers.Source) { s.Inputs[0].Couple = "J" }},
		{"channel", func(s *drivers.Source) { s.Inputs[0].Kind = drivers.Power }},
		{"max_step", func(s *drivers.Source) { s.Inputs[0].Options = drivertest.Options("max_step: -1") }},
	} {
		src := source("")
		tt.edit(&src)
		err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), src)
		var oe *drivers.OptionError
		if !errors.As(err, &oe) || oe.Key != tt.key {
			t.Errorf("%s: %v", tt.key, err)
		}
	}
}

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, dev := bench(t, drivertest.Steady("0C80"))
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || !strings.Contains(lines[0], "100.00 degC") {
			t.Errorf("%q, %v", lines, err)
		}
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Errorf("a Read right after a Probe waits for the conversion that the Probe began: %v", r.Cause)
		}
		ports.Fail(syscall.EIO)
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Error(err)
		}
	})
}

func FuzzFrame(f *testing.F) {
	for _, s := range []string{"0000", "FFFF", "0C80", "0324", "0322"} {
		b, err := hex.DecodeString(s)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b[0], b[1])
	}
	f.Fuzz(func(t *testing.T, a, b byte) {
		code, faults, cause := judge([2]byte{a, b})
		if (faults == 0) != (cause == nil) || code < 0 || code > 4095 {
			t.Errorf("%02X%02X: code %d, %v, %v", a, b, code, faults, cause)
		}
		if faults == 0 && (a&0x80 != 0 || b&6 != 0 || code == 0) {
			t.Errorf("%02X%02X is good", a, b)
		}
	})
}
