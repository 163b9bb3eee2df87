package ads1118

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
	"soakrig/drivers/probe/internal/ads111x"
)

// fake is a chip that converts in its own time: a word belongs to the setting that
// its conversion was started with.
type fake struct {
	mu     sync.Mutex
	cold   int16
	volts  map[uint16]int16 // by the multiplexer's code
	slow   float64          // its clock against the nominal one, above 1 is slower
	cfg    uint16
	data   int16
	from   uint16 // setting of the conversion in progress; 0: none
	ends   time.Time
	resets int // brown-outs to come, one per fetch
}

func newFake(cold int16, volts map[uint16]int16) *fake {
	return &fake{cold: cold, volts: volts, slow: 1.1, cfg: powerOn}
}

func (f *fake) Transfer(w, r []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(w) != 4 || len(r) != 4 {
		return errors.New("want 32 bits")
	}
	in := uint16(w[0])<<8 | uint16(w[1])
	taken := in&(3<<1) == validNOP
	if !taken && f.resets > 0 {
		f.resets--
		f.cfg, f.data, f.from = powerOn, 0, 0
	}
	if f.from != 0 && !time.Now().Before(f.ends) {
		f.data = f.volts[f.from>>12&7]
		if f.from&sensor != 0 {
			f.data = f.cold
		}
		f.from = 0
	}
	r[0], r[1] = byte(uint16(f.data)>>8), byte(f.data)
	if taken {
		f.cfg = in&^start | 1
		if in&start != 0 {
			f.from = f.cfg
			f.ends = time.Now().Add(time.Duration(f.slow * float64(time.Second) / float64(ads111x.Rate(in))))
		}
	}
	r[2], r[3] = byte(f.cfg>>8), byte(f.cfg)
	return nil
}

func source(options string, inputs ...string) drivers.Source {
	src := drivers.Source{Name: "back", Every: 500 * time.Millisecond, Options: drivertest.Options(options)}
	if len(inputs) == 0 {
		inputs = []string{""}
	}
	for i, o := range inputs {
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "vr" + string(rune('1'+i)), Port: "SPI0.0", Couple: "K", Options: drivertest.Options(o)})
	}
	return src
}

func bench(t testing.TB, c drivertest.Chip, src drivers.Source) (*drivertest.Ports, drivers.Device) {
	t.Helper()
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").Attach(c)
	return ports, drivertest.Open(t, &Driver, ports, src)
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		ports := drivertest.NewPorts()
		ports.AddSPI("SPI0.0").Attach(newFake(0x0C80, map[uint16]int16{0: 400, 3: -20}))
		ports.AddPin("GPIO6")
		ports.AddSPI("SPI0.1").AttachAt("GPIO6", newFake(0x0C80, map[uint16]int16{0: 0}))
		src := source("rate: 128", "", "pair: 2-3")
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "vr3", Port: "SPI0.1", Select: "GPIO6", Couple: "C", Options: drivertest.Options("offset_uv: 12")})
		return &drivertest.Rig{Ports: ports, Source: src, Allocates: "each wait for a conversion takes a timer"}
	})
}

// scripted answers fetches with words of a case, in order: cold junction, input.
func scripted(words ...string) drivertest.Chip {
	n := 0
	return drivertest.ChipFunc(func(w, r []byte) error {
		if w[1]&(3<<1) == validNOP { // a start
			return nil
		}
		b, err := hex.DecodeString(words[n%len(words)])
		if err != nil {
			return err
		}
		n++
		if copy(r, b) < len(r) {
			return io.ErrUnexpectedEOF
		}
		return nil
	})
}

// TestCases runs the published cases through the open driver. The table's words
// were read at other rates and ranges; bits of those are set to the driver's.
func TestCases(t *testing.T) {
	const coldCfg, adcCfg = "0B7B", "0B6B" // single shot, 256 mV, 64 per second, pull-up
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 42) {
		t.Run(c.ID, func(t *testing.T) {
			if c.ID == "18-pipeline" {
				TestWordsBelongToTheirInput(t)
				return
			}
			synctest.Test(t, func(t *testing.T) {
				cold, adc := "0C80"+coldCfg, "0000"+adcCfg
				switch c.Expect["mode"] {
				case "temp":
					cold = c.Input[:4] + coldCfg
				case "adc":
					adc = c.Input[:4] + adcCfg
				default:
					cold = c.Input
				}
				_, dev := bench(t, scripted(cold, adc), source("max_step: 0", c.InputOptions))
				r := drivertest.Read(t, dev)[0]
				c.Says(t, r)
				if v, ok := c.Number("cj_c"); ok {
					if float64(r.Cold)*coldPer != v {
						t.Errorf("cold junction %g degC, want %g", float64(r.Cold)*coldPer, v)
					}
					if in := v >= coldMinC && v <= coldMaxC; in != (r.Faults == 0) {
						t.Errorf("%v (%v) at %g degC", r.Faults, r.Cause, v)
					}
				}
				if v, ok := c.Number("uv"); ok && math.Abs(float64(r.Code)*dev.Converters()[0].PerCode*1e6-v) > 1e-6 {
					t.Errorf("code %d, want %g uV", r.Code, v)
				}
				if usable, said := c.Usable(); said && usable != (r.Faults == 0) {
					t.Errorf("%v, the case expects %v", r.Faults, c.Expect)
				}
				if c.Expect["config_ok"] == false && r.Faults&(drivers.NoChip|drivers.ConfigLost) == 0 {
					t.Errorf("%v (%v), the configuration is not what was written", r.Faults, r.Cause)
				}
			})
		})
	}
	// The table's configuration words themselves.
	if got := readBack(ads111x.SingleRun | 2<<9 | 4<<5 | sensor | pullUp | validNOP); got != 0x059B {
		t.Errorf("temperature at 128 per second reads back %04X, want 059B", got)
	}
	if got := readBack(start | ads111x.SingleRun | 5<<9 | pullUp | validNOP); got != 0x0B0B {
		t.Errorf("input at 8 per second, 256 mV, reads back %04X, want 0B0B", got)
	}
}

// TestWordsBelongToTheirInput: with a clock that is 10 % slow, as the part may be,
// no word is taken for another input's.
func TestWordsBelongToTheirInput(t *testing.T) {
	for _, rate := range []string{"8", "64", "860"} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(0x0C80, map[uint16]int16{0: 111, 3: 222})
			src := source("rate: "+rate, "pair: 0-1", "pair: 2-3")
			src.Every = time.Second
			ports, dev := bench(t, f, src)
			for range 3 {
				began := time.Now()
				out := drivertest.Read(t, dev)
				if out[0].Code != 111 || out[1].Code != 222 || out[0].Cold != 800 || out[1].Cold != 800 {
					t.Errorf("rate %s: %+v", rate, out)
				}
				if out[0].Age <= out[1].Age || out[0].Age > time.Since(began) {
					t.Errorf("ages %v and %v after %v", out[0].Age, out[1].Age, time.Since(began))
				}
				time.Sleep(time.Second)
			}
			if tr := ports.Log()[0]; tr.Mode != spi.Mode1 || tr.Clock != 4*physic.MegaHertz || len(tr.R) != 4 {
				t.Errorf("mode %v, %v, %d bytes", tr.Mode, tr.Clock, len(tr.R))
			}
		})
	}
}

func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		name  string
		cold  int16
		volts int16
		input string
		want  drivers.Faults
	}{
		{"true zero", 0x0C80, -128, "", 0}, // 25 degC cold junction, -1.000 mV
		{"junction at zero", 0, 128, "", 0},
		{"negative rail", 0x0C80, -32768, "", drivers.OutOfRange},
		{"positive rail", 0x0C80, 32767, "", drivers.OutOfRange},
		{"rail with bias resistors", 0x0C80, 32767, "biased: true", drivers.Open},
		{"beyond the type", 0x0C80, 7000, "", drivers.OutOfRange},
		{"below the type", 0x0C80, -1000, "", drivers.OutOfRange},
		{"junction too hot", 0x3E84, 0, "", drivers.ColdJunction},
		{"junction too cold", -0x1404, 0, "", drivers.ColdJunction},
		{"junction at its ends", 0x3E80, 0, "", 0},
		{"both", 0x3E84, 32767, "", drivers.ColdJunction | drivers.OutOfRange},
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, newFake(tt.cold, map[uint16]int16{0: tt.volts}), source("", tt.input))
			if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want {
				t.Errorf("%s: %v (%v), want %v", tt.name, r.Faults, r.Cause, tt.want)
			}
		})
	}
	for _, tt := range []struct {
		words []string
		want  drivers.Faults
	}{
		{[]string{"00000000"}, drivers.NoChip}, {[]string{"FFFFFFFF"}, drivers.NoChip},
		{[]string{"0000058B"}, drivers.ConfigLost}, {[]string{"0C800B7B", "0000058B"}, drivers.ConfigLost},
		{[]string{"0C800B7B", "00000000"}, drivers.NoChip}, {[]string{"0C800B7A"}, drivers.Corrupt}, {[]string{"0C80077B"}, drivers.ConfigLost},
		{[]string{""}, drivers.BusError}, {[]string{"0C800B"}, drivers.BusError}, {[]string{"0C800B7B", "00"}, drivers.BusError},
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, scripted(tt.words...), source(""))
			if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want || r.Has != 0 {
				t.Errorf("%v: %v (%v), want %v without codes", tt.words, r.Faults, r.Cause, tt.want)
			}
		})
	}
}

func TestBrownOutStepAndFailures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(0x0C80, map[uint16]int16{0: 0})
		ports, dev := bench(t, f, source(""))
		f.resets = 1
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.ConfigLost {
			t.Errorf("a supply dip during the conversion: %v", r.Faults)
		}
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Errorf("after it: %v", r.Cause)
		}
		f.volts[0] = 500
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Implausible {
			t.Errorf("a jump of 95 K: %v", r.Faults)
		}
		f.volts[0] = 0
		for n := 1; n <= 4; n++ {
			time.Sleep(time.Second)
			ports.FailAt(n, syscall.EIO)
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.BusError || r.Has != 0 || !errors.Is(r.Cause, syscall.EIO) {
				t.Errorf("transfer %d: %+v", n, r)
			}
		}
	})
}

func TestOffset(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, newFake(0x0C80, map[uint16]int16{0: 5}), source("", "offset_uv: 39.0625"))
		c := dev.Converters()[0]
		if r := drivertest.Read(t, dev)[0]; math.Abs(float64(r.Code)*c.PerCode+c.Offset) > 1e-12 {
			t.Errorf("a shorted input comes out as %g V", float64(r.Code)*c.PerCode+c.Offset)
		}
		_, dev = bench(t, newFake(0x0C80, nil), source(""))
		found := false
		for _, l := range dev.Converters()[0].Lines {
			found = found || strings.Contains(l.Name, "not calibrated") && l.Half == 125e-6
		}
		if !found {
			t.Error("an offset that is not calibrated is missing in the budget")
		}
	})
}

// TestOffsetIsCalibrated goes the way of a person: with the input's leads shorted the
// check tells its offset; configured, a probe at 80 degC reads right. Without, the same
// chip reads 2.9 K too high, within what the budget then says.
func TestOffsetIsCalibrated(t *testing.T) {
	const offsetCodes = 15 // 117 uV, near the part's limit of 125 uV
	const coldC, probeC = 25.0, 80.0
	emf := func(degC float64) float64 {
		v, err := its90.K.EMFVolts(degC)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	codes := int16(math.Round((emf(probeC)-emf(coldC))/ads111x.LSB(256))) + offsetCodes
	reads := func(options string) (degC float64, lines map[string]float64) {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, newFake(0x0C80, map[uint16]int16{0: codes}), source("", options))
			r, c := drivertest.Read(t, dev)[0], dev.Converters()[0]
			if r.Faults != 0 {
				t.Fatal(r.Cause)
			}
			var err error
			if degC, err = its90.K.TempC(emf(float64(r.Cold)*c.ColdPerCode) + float64(r.Code)*c.PerCode + c.Offset); err != nil {
				t.Fatal(err)
			}
			lines = map[string]float64{}
			for _, l := range c.Lines {
				lines[l.Name] = l.Half
			}
		})
		return degC, lines
	}
	told := ""
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, newFake(0x0C80, map[uint16]int16{0: offsetCodes}), source(""))
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		_, rest, _ := strings.Cut(lines[1], "input ")
		told, _, _ = strings.Cut(rest, " uV")
	})
	if told != "117.2" {
		t.Fatalf("the check tells an offset of %s uV, want 117.2", told)
	}
	got, lines := reads("offset_uv: " + told)
	if math.Abs(got-probeC) > 0.1 {
		t.Errorf("calibrated: %.3f degC, want %g", got, probeC)
	}
	if _, ok := lines["offset, not calibrated"]; ok || lines["offset after calibration"] == 0 {
		t.Errorf("budget %v", lines)
	}
	if drift := lines["offset drift since calibration, 20 K of the chip and 0.1 V of its supply"]; math.Abs(drift-12.5e-6) > 1e-12 {
		t.Errorf("drift %g V: (20 * 0.005 + 0.1 * 1) LSB of 62.5 uV are 12.5 uV", drift)
	}
	if got, lines = reads(""); math.Abs(got-probeC-2.85) > 0.1 || lines["offset, not calibrated"] != 125e-6 {
		t.Errorf("not calibrated: %.3f degC, budget %v", got, lines)
	}
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		key string
		src drivers.Source
	}{
		{"rate", source("rate: 100")},
		{"range_mv", source("range_mv: 100")},
		{"pair", source("", "pair: 0-2")},
		{"pair", source("", "", "")},
		{"offset_uv", source("", "offset_uv: 5000")},
		{"offset_uv", source("", "offset_uv: -1001")},
		{"max_step", source("", "max_step: -1")},
		{"every", source("rate: 8", "", "pair: 2-3", "pair: 0-3")},
		{"couple", func() drivers.Source { s := source(""); s.Inputs[0].Couple = "Q"; return s }()},
		{"channel", func() drivers.Source { s := source(""); s.Inputs[0].Kind = drivers.Power; return s }()},
	} {
		if tt.key == "every" {
			tt.src.Every = 400 * time.Millisecond
		}
		var oe *drivers.OptionError
		if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), tt.src); !errors.As(err, &oe) || oe.Key != tt.key {
			t.Errorf("%s: %v", tt.key, err)
		}
	}
}

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, dev := bench(t, newFake(-0x0C80, map[uint16]int16{0: -128}), source(""))
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || len(lines) != 2 || !strings.Contains(lines[0], "058B, cold junction -25.000 degC") || !strings.Contains(lines[1], "pair 0-1: input -1000.0 uV") || !strings.Contains(lines[1], "mean of 16") {
			t.Errorf("%q, %v", lines, err)
		}
		ports.Fail(syscall.EIO)
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Error(err)
		}
	})
}

func FuzzWords(f *testing.F) {
	f.Add([]byte{0x0C, 0x80, 0x0B, 0x7B}, []byte{0, 0, 0x0B, 0x6B})
	f.Add([]byte{0, 0, 0, 0}, []byte{0xFF, 0xFF, 0xFF, 0xFF})
	f.Fuzz(func(t *testing.T, cold, adc []byte) {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, scripted(hex.EncodeToString(cold), hex.EncodeToString(adc)), source(""))
			r := drivertest.Read(t, dev)[0]
			if r.Faults == 0 && (string(cold[2:4]) != "\x0B\x7B" || string(adc[2:4]) != "\x0B\x6B" || r.Code == ads111x.RailHigh || r.Code == ads111x.RailLow) {
				t.Errorf("good: % X, % X", cold, adc)
			}
		})
	})
}
