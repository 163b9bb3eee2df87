package ads1115

import (
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
	"soakrig/drivers/probe/internal/ads111x"
)

// fake converts in its own time; its data register keeps the previous input's
// result until a conversion has ended.
type fake struct {
	mu      sync.Mutex
	codes   map[uint16]int16 // by the multiplexer's code
	slow    float64
	cfg     uint16
	data    int16
	running bool
	ends    time.Time
	pointer byte
	resets  int
}

func newFake(codes map[uint16]int16) *fake {
	return &fake{codes: codes, slow: 1.1, cfg: powerOn &^ ready}
}

func (f *fake) Tx(w, r []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.running && !time.Now().Before(f.ends) {
		f.running = false
		f.data = f.codes[f.cfg>>12&7]
	}
	if len(w) > 0 {
		f.pointer = w[0]
	}
	if len(w) == 3 && w[0] == regConfig {
		v := uint16(w[1])<<8 | uint16(w[2])
		f.cfg = v &^ ready
		f.running = v&ready != 0
		f.ends = time.Now().Add(time.Duration(f.slow * float64(time.Second) / float64(ads111x.Rate(v))))
	}
	if len(r) == 0 {
		return nil
	}
	if f.resets > 0 && f.pointer == regConfig {
		f.resets--
		f.cfg, f.data, f.running = powerOn&^ready, 0, false
	}
	v := uint16(f.data)
	if f.pointer == regConfig {
		v = f.cfg
		if !f.running {
			v |= ready
		}
	}
	r[0], r[1] = byte(v>>8), byte(v)
	return nil
}

const junction = "junction: {accuracy_c: 1}\n"

// room are 25 degC at the junction's sensor (750 mV) and 400 codes at pair 0-1.
func room() map[uint16]int16 { return map[uint16]int16{0: 400, 7: 12000} }

func source(options string, inputs ...string) drivers.Source {
	src := drivers.Source{Name: "back", Every: 500 * time.Millisecond, Options: drivertest.Options(options)}
	if len(inputs) == 0 {
		inputs = []string{""}
	}
	for i, o := range inputs {
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "vr" + strconv.Itoa(i+1), Port: "I2C1", Couple: "K", Options: drivertest.Options(o)})
	}
	return src
}

func bench(t testing.TB, c drivertest.I2CChip, src drivers.Source) (*drivertest.Ports, drivers.Device) {
	t.Helper()
	ports := drivertest.NewPorts()
	ports.AddI2C("I2C1").Attach(0x48, c)
	return ports, drivertest.Open(t, &Driver, ports, src)
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		ports := drivertest.NewPorts()
		ports.AddI2C("I2C1").Attach(0x48, newFake(room())).Attach(0x4B, newFake(room()))
		return &drivertest.Rig{Ports: ports, Source: source(junction+"rate: 128", "", "address: 0x4B"), Allocates: "each wait for a conversion takes a timer"}
	})
}

func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 8) {
		t.Run(c.ID, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				name, rest, _ := strings.Cut(c.Input, "=")
				v, err := strconv.ParseUint(strings.Fields(rest)[0], 16, 16)
				if err != nil {
					t.Fatal(err)
				}
				if name == "CONV" {
					_, dev := bench(t, newFake(map[uint16]int16{0: int16(v), 7: 12000}), source(junction, c.InputOptions))
					r := drivertest.Read(t, dev)[0]
					_, says := c.Expect["says"]
					c.Says(t, r)
					if uv, _ := c.Number("uv"); !says && r.Faults != 0 || math.Abs(float64(r.Code)*dev.Converters()[0].PerCode*1e6-uv) > 1e-6 {
						t.Errorf("%+v, want %g uV", r, uv)
					}
					return
				}
				chip := drivertest.I2CFunc(func(w, r []byte) error { // a configuration register of this content
					if len(r) == 2 {
						r[0], r[1] = byte(v>>8), byte(v)
					}
					return nil
				})
				_, dev := bench(t, chip, source(junction))
				r := drivertest.Read(t, dev)[0]
				if r.Faults&drivers.ConfigLost == 0 || r.Has != 0 {
					t.Errorf("%+v for configuration %04X", r, v)
				}
				cfg := uint16(ads111x.SingleRun | noCompare | coupleGain | 0<<5) // the table's setting: 8 per second, pair 0-1
				f := judge(uint16(v), 0, cfg)
				if c.Expect["ready"] == false && f.Faults != drivers.Stale || c.Expect["config_ok"] == false && f.Faults != drivers.ConfigLost {
					t.Errorf("%04X: %v (%v), the case expects %v", v, f.Faults, f.Cause, c.Expect)
				}
			})
		})
	}
}

func TestWordsBelongToTheirInput(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(map[uint16]int16{0: 111, 7: 12000})
		_, dev := bench(t, f, source(junction+"rate: 8"))
		r := drivertest.Read(t, dev)[0]
		if r.Code != 111 || float64(r.Cold)*dev.Converters()[0].ColdPerCode != 25 {
			t.Errorf("%+v", r)
		}
		f.slow = 1.3 // slower than the part may be: the chip says that it is still busy
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Stale || r.Has != 0 {
			t.Errorf("the previous input's word was taken: %+v", r)
		}
	})
}

func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		name        string
		pair, sense int16
		input       string
		want        drivers.Faults
	}{
		{"room", 400, 12000, "", 0},
		{"true zero", -128, 12000, "", 0},
		{"junction at zero", 128, 8000, "", 0},
		{"junction below zero", 128, 6400, "", 0},
		{"rail", 32767, 12000, "", drivers.OutOfRange},
		{"negative rail", -32768, 12000, "", drivers.OutOfRange},
		{"rail with bias", -32768, 12000, "biased: true", drivers.Open},
		{"beyond the type", 7100, 12000, "", drivers.OutOfRange},
		{"sensor off, low", 400, 0, "", drivers.ColdJunction},
		{"sensor off, high", 400, 32767, "", drivers.ColdJunction},
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, newFake(map[uint16]int16{0: tt.pair, 7: tt.sense}), source(junction, tt.input))
			if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want {
				t.Errorf("%s: %v (%v), want %v", tt.name, r.Faults, r.Cause, tt.want)
			}
		})
	}
	for _, tt := range []struct {
		name string
		edit func(*drivertest.I2CBus)
		want drivers.Faults
	}{
		{"nobody", func(b *drivertest.I2CBus) { b.Attach(0x48, nil) }, drivers.NoChip},
		{"stuck high", func(b *drivertest.I2CBus) { b.Stick(0xFF) }, drivers.NoChip},
		{"stuck low", func(b *drivertest.I2CBus) { b.Stick(0) }, drivers.NoChip},
		{"truncated", func(b *drivertest.I2CBus) {
			b.Attach(0x48, drivertest.I2CFunc(func(w, r []byte) error {
				if len(r) > 0 {
					r[0] = 0x8B
					return io.ErrUnexpectedEOF
				}
				return nil
			}))
		}, drivers.BusError},
	} {
		synctest.Test(t, func(t *testing.T) {
			ports := drivertest.NewPorts()
			tt.edit(ports.AddI2C("I2C1").Attach(0x48, newFake(room())))
			dev := drivertest.Open(t, &Driver, ports, source(junction))
			if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want || r.Has != 0 {
				t.Errorf("%s: %v (%v), want %v", tt.name, r.Faults, r.Cause, tt.want)
			}
		})
	}
}

func TestBrownOutStepAndFailures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(room())
		ports, dev := bench(t, f, source(junction))
		f.resets = 1
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.ConfigLost {
			t.Errorf("%v", r.Faults)
		}
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Error(r.Cause)
		}
		f.codes[0] = 1500
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Implausible {
			t.Errorf("%v", r.Faults)
		}
		f.codes[0] = 400
		for n := 1; n <= 6; n++ {
			time.Sleep(time.Second)
			ports.FailAt(n, syscall.EIO)
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.BusError || r.Has != 0 || !errors.Is(r.Cause, syscall.EIO) {
				t.Errorf("transfer %d: %+v", n, r)
			}
		}
	})
}

func TestConverter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, newFake(room()), source("junction: {pin: 3, mv_per_c: 10, zero_mv: 0, accuracy_c: 0.5}", "offset_uv: -15.625"))
		c := dev.Converters()[0]
		if math.Abs(c.Offset-15.625e-6) > 1e-15 || c.ColdPerCode != 0.00625 || c.Lines[1].Half != 0.5 {
			t.Errorf("%+v", c)
		}
		_, dev = bench(t, newFake(room()), source(junction))
		last := dev.Converters()[0].Lines[4]
		if last.Name != "offset, not calibrated" || last.Half != 187.5e-6 { // +-3 LSB of 62.5 uV
			t.Errorf("%+v", last)
		}
	})
}

// TestSeveralChips: inputs on two chips and two spellings of one bus.
func TestSeveralChips(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports := drivertest.NewPorts()
		ports.AddI2C("I2C1").Attach(0x48, newFake(map[uint16]int16{0: 100, 7: 12000})).Attach(0x49, newFake(map[uint16]int16{0: 200, 7: 11000}))
		src := source(junction, "", "address: 0x49")
		src.Inputs[1].Port = "/dev/i2c-1"
		dev := drivertest.Open(t, &Driver, ports, src)
		out := drivertest.Read(t, dev)
		if out[0].Code != 100 || out[1].Code != 200 || out[0].Cold == out[1].Cold || out[0].Faults|out[1].Faults != 0 {
			t.Errorf("%+v", out)
		}
	})
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		key string
		src drivers.Source
	}{
		{"junction", source("")},
		{"junction", source("junction: {accuracy_c: 1, pin: 1}")},
		{"junction", source("junction: {accuracy_c: 1, mv_per_c: 0}")},
		{"junction", source("junction: {accuracy_c: 1, zero_mv: 3000}")},
		{"rate", source(junction + "rate: 9")},
		{"pair", source(junction, "pair: 0-2")},
		{"pair", source(junction, "pair: 2-3")},
		{"pair", source(junction, "", "")},
		{"address", source(junction, "address: 0x50")},
		{"offset_uv", source(junction, "offset_uv: 2000")},
		{"max_step", source(junction, "max_step: -1")},
		{"every", func() drivers.Source { s := source(junction + "rate: 8"); s.Every = 200 * time.Millisecond; return s }()},
		{"couple", func() drivers.Source { s := source(junction); s.Inputs[0].Couple = ""; return s }()},
		{"channel", func() drivers.Source { s := source(junction); s.Inputs[0].Kind = drivers.Power; return s }()},
	} {
		var oe *drivers.OptionError
		if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), tt.src); !errors.As(err, &oe) || oe.Key != tt.key {
			t.Errorf("%s: %v", tt.key, err)
		}
	}
}

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, dev := bench(t, newFake(map[uint16]int16{0: -128, 7: 6400}), source(junction))
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || len(lines) != 2 || !strings.Contains(lines[0], "8583") || !strings.Contains(lines[0], "-10.000 degC") || !strings.Contains(lines[1], "pair 0-1: input -1000.0 uV") || !strings.Contains(lines[1], "mean of 16") {
			t.Errorf("%q, %v", lines, err)
		}
		ports.Fail(syscall.EIO)
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Error(err)
		}
	})
}

func FuzzRegisters(f *testing.F) {
	f.Add(uint16(0x8583), uint16(0))
	f.Add(uint16(0x8B63), uint16(100))
	f.Fuzz(func(t *testing.T, cfg, data uint16) {
		want := uint16(ads111x.SingleRun | noCompare | coupleGain | 3<<5)
		g := judge(cfg, data, want)
		if (g.Faults == 0) != (g.Cause == nil) || (g.Faults == 0) != (cfg == want|ready) {
			t.Errorf("%04X %04X: %v %v", cfg, data, g.Faults, g.Cause)
		}
	})
}
