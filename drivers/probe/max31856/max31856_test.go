package max31856

import (
	"encoding/hex"
	"errors"
	"io"
	"math"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
	"soakrig/drivers/its90"
)

// fake is the register file of the chip, powered on.
type fake struct {
	mu   sync.Mutex
	regs [16]byte
	hold bool // writes are ignored
}

func newFake(data string) *fake {
	f := &fake{}
	f.reset()
	f.data(data)
	return f
}

// reset is a brown-out.
func (f *fake) reset() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.regs = [16]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80}
}

// data sets registers 0Ah to 0Fh.
func (f *fake) data(text string) {
	b, err := hex.DecodeString(text)
	if err != nil || len(b) != 6 {
		panic("six bytes, please: " + text)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	copy(f.regs[10:], b)
}

func (f *fake) Transfer(w, r []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(w) == 0 {
		return io.ErrUnexpectedEOF
	}
	at := int(w[0] & 0x7F)
	for i := 1; i < len(w); i++ {
		if w[0]&0x80 != 0 {
			if at+i-1 < 10 && !f.hold {
				f.regs[at+i-1] = w[i]
			}
		} else if i < len(r) {
			r[i] = 0xFF
			if at+i-1 < len(f.regs) {
				r[i] = f.regs[at+i-1]
			}
		}
	}
	return nil
}

const room = "190001900000" // 25 degC both, no status bit

func source(options string) drivers.Source {
	return drivers.Source{Name: "back", Every: 500 * time.Millisecond, MainsHz: 50, Options: drivertest.Options(options),
		Inputs: []drivers.Input{{Channel: "vr1", Port: "SPI0.0", Couple: "K"}}}
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
		ports.AddSPI("SPI0.0").Attach(newFake(room))
		ports.AddPin("GPIO5")
		ports.AddSPI("SPI0.1").AttachAt("GPIO5", newFake("1900FFFF0000"))
		src := source("")
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "vr2", Port: "SPI0.1", Select: "GPIO5", Couple: "J"})
		return &drivertest.Rig{Ports: ports, Source: src}
	})
}

// TestCases runs the published cases through the open driver.
func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 58) {
		t.Run(c.ID, func(t *testing.T) {
			switch c.ID {
			case "56-cfg-lost":
				TestBrownOut(t)
			case "56-vmode-8":
				want, _ := c.Number("mv")
				if got := voltage(its90.K, 8).valueC(6872); math.Abs(got-want) > 0.0001 {
					t.Errorf("%g mV, want %g", got, want)
				}
			case "56-time-50-16":
				want, _ := c.Number("update_ms_typ")
				if got := timings(50, 16).update; got != time.Duration(want)*time.Millisecond {
					t.Errorf("%v, want %g ms", got, want)
				}
			case "56-time-60-1":
				want, _ := c.Number("update_ms_max")
				if got := timings(60, 1).first; got != time.Duration(want)*time.Millisecond {
					t.Errorf("%v, want %g ms", got, want)
				}
			case "56-all-one":
				synctest.Test(t, func(t *testing.T) {
					ports := drivertest.NewPorts()
					ports.AddSPI("SPI0.0").Float(0xFF)
					r := drivertest.Read(t, drivertest.Open(t, &Driver, ports, source("")))[0]
					if r.Faults != drivers.NoChip || r.Has != 0 {
						t.Errorf("%+v", r)
					}
				})
			default:
				synctest.Test(t, func(t *testing.T) { runCase(t, c) })
			}
		})
	}
}

func runCase(t *testing.T, c drivertest.Case) {
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").Attach(newFake(c.Input))
	dev := drivertest.Open(t, &Driver, ports, c.Apply(source("")))
	r := drivertest.Read(t, dev)[0]
	c.Says(t, r)
	usable, said := c.Usable()
	if !said || (r.Faults == 0) != usable {
		t.Errorf("%v (%v), the case says usable %v", r.Faults, r.Cause, c.Expect)
	}
	if mv, ok := c.Number("mv"); ok {
		if got := float64(r.Code) * dev.Converters()[0].PerCode * 1e3; math.Abs(got-mv) > 0.0005 {
			t.Errorf("%g mV, want %g", got, mv)
		}
	} else if want, _ := c.Number("tc_c"); float64(r.Code)/128 != want {
		t.Errorf("probe %g degC, want %g", float64(r.Code)/128, want)
	}
	if want, _ := c.Number("cj_c"); float64(r.Cold)/64 != want {
		t.Errorf("cold junction %g degC, want %g", float64(r.Cold)/64, want)
	}
	words := map[string]drivers.Faults{"open": drivers.Open, "ovuv": drivers.ShortToSupply, "tc_range": drivers.OutOfRange, "cj_range": drivers.ColdJunction}
	for _, w := range c.Expect["faults"].([]any) {
		if f := words[w.(string)]; r.Faults&f != f {
			t.Errorf("%v lacks %s", r.Faults, w)
		}
	}
}

func TestFaultBits(t *testing.T) {
	for _, tt := range []struct {
		data string
		want drivers.Faults
	}{
		{room, 0},
		{"190000000000", 0}, // a true 0.00 degC with a live junction
		{"000001900000", 0},
		{"000000000000", drivers.Stale}, // both exactly zero: nothing was converted yet
		{"000000000001", drivers.Open},
		{"000000001F00", drivers.Stale}, // bits below the result's 19 mean nothing
		{"000000002000", 0},             // one step above
		{"000400000000", 0},             // a live junction
		{"190001900001", drivers.Open},
		{"190001900002", drivers.ShortToSupply},
		{"190001900003", drivers.Open | drivers.ShortToSupply},
		{"190001900004", 0}, {"190001900008", 0}, {"190001900010", 0}, {"190001900020", 0}, // thresholds only
		{"190001900040", drivers.OutOfRange},
		{"190001900080", drivers.ColdJunction},
		{"1900019000C0", drivers.OutOfRange | drivers.ColdJunction},
		{"1900F3800000", 0},                  // -200
		{"1900F37F8000", drivers.OutOfRange}, // a step below
		{"7D0001900000", 0},                  // junction at 125
		{"7D0401900000", drivers.ColdJunction},
		{"C90001900000", 0}, // junction at -55
		{"C8FC01900000", drivers.ColdJunction},
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, "", newFake(tt.data))
			if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want {
				t.Errorf("%s: %v (%v), want %v", tt.data, r.Faults, r.Cause, tt.want)
			}
		})
	}
}

func TestSettings(t *testing.T) {
	for _, tt := range []struct {
		options string
		hz      int
		couple  string
		want    string // registers 00h to 04h
	}{
		{"", 50, "K", "9123FF7DD8"},
		{"", 60, "K", "9023FF7DD8"},
		{"", 0, "T", "9027FF7DD8"},
		{"average: 16\nopen_test: slow", 50, "B", "B140FF7DD8"},
		{"average: 1\nopen_test: off", 50, "S", "8106FF7DD8"},
		{"linearise: host", 50, "C", "9128FF7DD8"},
		{"linearise: host\ngain: 32\nopen_test: high\naverage: 8", 50, "K", "A13CFF7DD8"},
	} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(room)
			ports := drivertest.NewPorts()
			ports.AddSPI("SPI0.0").Attach(f)
			src := source(tt.options)
			src.MainsHz, src.Inputs[0].Couple = tt.hz, tt.couple
			dev := drivertest.Open(t, &Driver, ports, src)
			if got := hex.EncodeToString(f.regs[:5]); !strings.EqualFold(got, tt.want) {
				t.Errorf("%q at %d Hz type %s: registers %s, want %s", tt.options, tt.hz, tt.couple, got, tt.want)
			}
			first := ports.Log()[0]
			if first.W[0] != 0x80 || first.W[1]&0x80 != 0 {
				t.Errorf("first write % X: the filter may be set only with conversions off", first.W)
			}
			if first.Mode != spi.Mode1 || first.Clock != 5*physic.MegaHertz {
				t.Errorf("mode %v, %v", first.Mode, first.Clock)
			}
			law := drivers.LawLinearised
			if strings.Contains(tt.options, "host") {
				law = drivers.LawEMF
			}
			if dev.Converters()[0].Law != law {
				t.Errorf("law %v", dev.Converters()[0].Law)
			}
		})
	}
}

// TestBrownOut: after a supply dip the chip reads 0.00 degC, type K, no fault bit.
func TestBrownOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(room)
		_, dev := bench(t, "", f)
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Fatal(r.Cause)
		}
		time.Sleep(500 * time.Millisecond)
		f.reset()
		f.data("000000000000")
		r := drivertest.Read(t, dev)[0]
		if r.Faults != drivers.ConfigLost || !strings.Contains(r.Cause.Error(), "power-on values") {
			t.Errorf("%v (%v), want config_lost", r.Faults, r.Cause)
		}
		time.Sleep(100 * time.Millisecond)
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Stale {
			t.Errorf("before the first new conversion: %v", r.Faults)
		}
		f.data(room)
		time.Sleep(400 * time.Millisecond)
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Errorf("after it: %v", r.Cause)
		}
		f.mu.Lock()
		f.regs[1], f.hold = 0x07, true // somebody else changed the type, and the chip takes no writes
		f.mu.Unlock()
		for range 3 {
			time.Sleep(500 * time.Millisecond)
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.ConfigLost {
				t.Errorf("a chip that does not keep its settings: %v", r.Faults)
			}
		}
	})
}

// TestOffsetOfSomebodyElse: a cold-junction offset that another program left in the
// chip shifts the register by up to 8 K and flags nothing.
func TestOffsetOfSomebodyElse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(room)
		f.regs[9] = 0xF0
		_, dev := bench(t, "", f) // opening clears it
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || f.regs[9] != 0 {
			t.Errorf("%v (%v), register 09h %02X", r.Faults, r.Cause, f.regs[9])
		}
		f.mu.Lock()
		f.regs[9] = 0x10
		f.mu.Unlock()
		time.Sleep(500 * time.Millisecond)
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.ConfigLost || !strings.Contains(r.Cause.Error(), "offset (09h) 10") {
			t.Errorf("%v (%v)", r.Faults, r.Cause)
		}
		time.Sleep(500 * time.Millisecond)
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || f.regs[9] != 0 {
			t.Errorf("%v (%v), register 09h %02X", r.Faults, r.Cause, f.regs[9])
		}
	})
}

func TestChipThatComesLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports := drivertest.NewPorts()
		port := ports.AddSPI("SPI0.0")
		dev := drivertest.Open(t, &Driver, ports, source(""))
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip {
			t.Errorf("no chip: %v", r.Faults)
		}
		port.Attach(newFake(room))
		var got []drivers.Faults
		for range 3 {
			time.Sleep(500 * time.Millisecond)
			got = append(got, drivertest.Read(t, dev)[0].Faults)
		}
		if got[0] != drivers.ConfigLost || got[1] != 0 || got[2] != 0 {
			t.Errorf("after it was plugged in: %v", got)
		}
	})
}

func TestTruncatedAndFailedTransfers(t *testing.T) {
	for n := range 17 {
		synctest.Test(t, func(t *testing.T) {
			whole := newFake(room)
			short := drivertest.ChipFunc(func(w, r []byte) error {
				if err := whole.Transfer(w, r); err != nil || len(r) == 0 {
					return err
				}
				for i := n; i < len(r); i++ {
					r[i] = 0
				}
				return io.ErrUnexpectedEOF
			})
			_, dev := bench(t, "", short)
			r := drivertest.Read(t, dev)[0]
			if r.Faults != drivers.BusError || r.Has != 0 || !errors.Is(r.Cause, io.ErrUnexpectedEOF) {
				t.Errorf("%d bytes: %+v", n, r)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) {
		f := newFake(room)
		ports, dev := bench(t, "", f)
		drivertest.Read(t, dev)
		time.Sleep(time.Second)
		f.reset()
		ports.FailAt(2, syscall.EIO) // the burst works, writing the settings does not
		r := drivertest.Read(t, dev)[0]
		if r.Faults != drivers.ConfigLost|drivers.BusError || !errors.Is(r.Cause, syscall.EIO) {
			t.Errorf("%v (%v)", r.Faults, r.Cause)
		}
	})
}

func TestStaleAndStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(room)
		_, dev := bench(t, "", f)
		drivertest.Read(t, dev)
		time.Sleep(100 * time.Millisecond) // average 4 at 50 Hz takes 158 ms
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Stale {
			t.Errorf("%v", r.Faults)
		}
		time.Sleep(100 * time.Millisecond)
		f.data("190019000000") // 400 degC
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Implausible {
			t.Errorf("%v", r.Faults)
		}
		time.Sleep(200 * time.Millisecond)
		f.data(room)
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Errorf("back at the old level: %v", r.Cause)
		}
	})
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct{ name, options, couple, key string }{
		{"average", "average: 3", "K", "average"},
		{"open test", "open_test: maybe", "K", "open_test"},
		{"linearise", "linearise: nobody", "K", "linearise"},
		{"gain", "gain: 16", "K", "gain"},
		{"step", "max_step: -2", "K", "max_step"},
		{"too slow for the period", "average: 16", "K", "every"},
		{"no couple", "", "", "couple"},
		{"no table for it", "", "C", "couple"},
	} {
		src := source(tt.options)
		src.Every = 200 * time.Millisecond
		src.Inputs[0].Couple = tt.couple
		err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), src)
		var oe *drivers.OptionError
		if !errors.As(err, &oe) || oe.Key != tt.key {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	src := source("")
	src.Inputs[0].Kind = drivers.Energy
	if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), src); err == nil {
		t.Error("a channel of another kind")
	}
}

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, dev := bench(t, "", newFake("1900FFF00000"))
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || len(lines) != 1 || !strings.Contains(lines[0], "probe -1.0000 degC") {
			t.Errorf("%q, %v", lines, err)
		}
		ports.Fail(syscall.EIO)
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Errorf("%v", err)
		}
	})
}

// FuzzBurst: no register contents panic or yield a value with a fault.
func FuzzBurst(f *testing.F) {
	for _, c := range []string{room, "FFFFFFFFFFFF", "000000000000", "190055C00040"} {
		b, err := hex.DecodeString("9123FF7DD87FFF800000" + c)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, "", drivertest.ChipFunc(func(w, r []byte) error {
				if len(r) > 0 && copy(r[1:], b) < len(r)-1 {
					return io.ErrUnexpectedEOF
				}
				return nil
			}))
			r := drivertest.Read(t, dev)[0]
			if r.Faults != 0 {
				return
			}
			if b[15]&(srOpen|srOVUV|srTCRange|srCJRange) != 0 {
				t.Errorf("good with status %02X", b[15])
			}
			if v := float64(r.Code) / 128; v < -200 || v > 1372 {
				t.Errorf("good with %g degC", v)
			}
			if hex.EncodeToString(b[:5]) != "9123ff7dd8" {
				t.Errorf("good with settings % X", b[:5])
			}
		})
	})
}
