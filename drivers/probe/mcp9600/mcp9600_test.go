package mcp9600

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// fake is a chip that converts: its status says so once per conversion.
type fake struct {
	*drivertest.Registers
	mu      sync.Mutex
	cleared time.Time
	frozen  bool
	present byte // faults that last: writing the status register does not clear them
}

func newFake(id uint16, hot, cold uint16) *fake {
	f := &fake{} // powered on long ago
	f.Registers = drivertest.NewRegisters(map[byte][]byte{
		regHot: {byte(hot >> 8), byte(hot)}, regCold: {byte(cold >> 8), byte(cold)}, regDelta: {byte((hot - cold) >> 8), byte(hot - cold)},
		regADC: {0, 7, 0xFB}, regStatus: {0}, regSensor: {0}, regDevice: {0}, regID: {byte(id >> 8), byte(id)}})
	f.OnRead(func(reg byte) {
		f.mu.Lock()
		defer f.mu.Unlock()
		if reg == regStatus {
			f.Or(regStatus, f.present)
		}
		if reg == regStatus && !f.frozen && time.Since(f.cleared) >= 320*time.Millisecond {
			f.Or(regStatus, statusNew)
		}
	})
	f.OnWrite(func(reg byte, _ []byte) {
		f.mu.Lock()
		defer f.mu.Unlock()
		if reg == regStatus {
			f.cleared = time.Now()
		}
	})
	return f
}

func (f *fake) put(reg byte, v uint16) { f.Set(reg, byte(v>>8), byte(v)) }

func source(options string) drivers.Source {
	return drivers.Source{Name: "back", Every: 500 * time.Millisecond, Options: drivertest.Options(options),
		Inputs: []drivers.Input{{Channel: "vr1", Port: "I2C1", Couple: "K"}}}
}

func bench(t testing.TB, options string, c drivertest.I2CChip) (*drivertest.Ports, *drivertest.I2CBus, drivers.Device) {
	t.Helper()
	ports := drivertest.NewPorts()
	b := ports.AddI2C("I2C1").Attach(0x67, c)
	return ports, b, drivertest.Open(t, &Driver, ports, source(options))
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		ports := drivertest.NewPorts()
		ports.AddI2C("I2C1").Attach(0x67, newFake(0x4010, 0x0640, 0x0190)).Attach(0x60, newFake(0x4110, 0xFFF3, 0x0190))
		src := source("filter: 2\nresolution: 18")
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "vr2", Port: "I2C1", Couple: "T", Options: drivertest.Options("address: 0x60")})
		return &drivertest.Rig{Ports: ports, Source: src, Settle: 2}
	})
}

func hexOf(t *testing.T, text, name string) uint16 {
	t.Helper()
	_, rest, ok := strings.Cut(text, name+"=")
	if !ok {
		t.Fatalf("no %s in %q", name, text)
	}
	v, err := strconv.ParseUint(strings.Fields(rest)[0], 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	return uint16(v)
}

// TestCases runs the published cases through the open driver.
func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 73) {
		t.Run(c.ID, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { runCase(t, c) })
		})
	}
}

func runCase(t *testing.T, c drivertest.Case) {
	f := newFake(0x4010, 0x0640, 0x0190)
	options := ""
	name, _, _ := strings.Cut(c.Input, "=")
	switch name {
	case "TH":
		f.put(regHot, hexOf(t, c.Input, "TH"))
		if strings.Contains(c.Input, "TC=") {
			f.put(regCold, hexOf(t, c.Input, "TC"))
			f.put(regDelta, hexOf(t, c.Input, "DELTA"))
		}
	case "TC":
		f.put(regCold, hexOf(t, c.Input, "TC"))
	case "ADC":
		v := hexOf(t, c.Input, "ADC")
		f.Set(regADC, map[bool]byte{true: 0xFF}[strings.HasPrefix(c.Input, "ADC=FF")], byte(v>>8), byte(v))
	case "STATUS":
		if strings.Contains(c.Input, "MCP9601") {
			f.put(regID, 0x4110)
		}
		f.Set(regStatus, byte(hexOf(t, c.Input, "STATUS")))
	case "ID":
		f.put(regID, hexOf(t, c.Input, "ID"))
	case "CFG06":
	case "CFG05":
		options = fmt.Sprintf("filter: %v", c.Expect["filter_n"])
	}
	ports := drivertest.NewPorts()
	ports.AddI2C("I2C1").Attach(0x67, f)
	src := c.Apply(source(options))
	if s, ok := c.Expect["type"].(string); ok {
		src.Inputs[0].Couple = s
	}
	dev := drivertest.Open(t, &Driver, ports, src)
	time.Sleep(500 * time.Millisecond) // the fake converts no faster at lower resolutions
	r := drivertest.Read(t, dev)[0]
	c.Says(t, r)
	if name == "CFG06" {
		if got := f.Get(regDevice)[0]; got != byte(hexOf(t, c.Input, name)) {
			t.Errorf("register 06h is %02X for %s", got, c.Input)
		}
	}
	usable, said := c.Usable()
	if usable = usable || !said; usable != (r.Faults == 0) {
		t.Errorf("%v (%v), the case expects %v", r.Faults, r.Cause, c.Expect)
	}
	if v, ok := c.Number("tc_c"); ok && float64(r.Code)*codeC != v {
		t.Errorf("probe %g degC, want %g", float64(r.Code)*codeC, v)
	}
	if v, ok := c.Number("cj_c"); ok && float64(r.Cold)*codeC != v {
		t.Errorf("cold junction %g degC, want %g", float64(r.Cold)*codeC, v)
	}
	if v, ok := c.Number("filter_n"); ok {
		if got := f.Get(regSensor)[0]; got != byte(hexOf(t, c.Input, "CFG05")) {
			t.Errorf("register 05h is %02X for %s", got, c.Input)
		}
		if k, _ := c.Number("k"); math.Abs(2/(math.Pow(2, v)+1)-k) > 1e-5 {
			t.Errorf("k = %g, want %g", 2/(math.Pow(2, v)+1), k)
		}
	}
	if c.Expect["open"] == true && r.Faults != drivers.Open {
		t.Errorf("%v, want open", r.Faults)
	}
	if v, ok := c.Number("uv"); ok {
		probeSays(t, dev, fmt.Sprintf("input %.0f uV", v))
	}
	if p, ok := c.Expect["part"].(string); ok {
		probeSays(t, dev, fmt.Sprintf("(%s revision %s)", p, c.Expect["rev"]))
		if m := dev.Converters()[0].Model; m != p {
			t.Errorf("model %s, want %s", m, p)
		}
	}
}

func probeSays(t *testing.T, dev drivers.Device, want string) {
	t.Helper()
	lines, err := dev.(drivers.Prober).Probe(t.Context())
	if err != nil || !strings.Contains(lines[0], want) {
		t.Errorf("%q, %v: want %q", lines, err, want)
	}
}

func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		name string
		id   uint16
		edit func(*fake, *drivertest.I2CBus)
		want drivers.Faults
	}{
		{"true zero, live junction", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.put(regHot, 0) }, 0},
		{"zero both", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.put(regHot, 0); f.put(regCold, 0); f.put(regDelta, 0) }, drivers.NoChip},
		{"equal bytes by chance", 0x4010, func(f *fake, _ *drivertest.I2CBus) {
			f.put(regHot, 0x0202)
			f.put(regCold, 0x0101)
			f.put(regDelta, 0x0110)
		}, 0},
		{"9600 range", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.Set(regStatus, 0x10) }, drivers.OutOfRange},
		{"9600 has no bit 5", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.Set(regStatus, 0x60) }, 0},
		{"9601 open", 0x4110, func(f *fake, _ *drivertest.I2CBus) { f.Set(regStatus, 0x10) }, drivers.Open},
		{"9601 short", 0x4110, func(f *fake, _ *drivertest.I2CBus) { f.Set(regStatus, 0x20) }, drivers.ShortToGround | drivers.ShortToSupply},
		{"9601 both", 0x4110, func(f *fake, _ *drivertest.I2CBus) { f.Set(regStatus, 0x30) }, drivers.Open | drivers.ShortToGround | drivers.ShortToSupply},
		{"cold junction too hot", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.put(regCold, 0x07D1) }, drivers.ColdJunction},
		{"cold junction too cold", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.put(regCold, 0xFD7F) }, drivers.ColdJunction},
		{"probe too hot", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.put(regHot, 0x55C1) }, drivers.OutOfRange},
		{"probe too cold", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.put(regHot, 0xF37F) }, drivers.OutOfRange},
		{"other identity", 0x5410, func(*fake, *drivertest.I2CBus) {}, drivers.NoChip},
		{"identity repeated", 0x4040, func(*fake, *drivertest.I2CBus) {}, drivers.Corrupt},
		{"bytes repeated", 0x4010, func(_ *fake, b *drivertest.I2CBus) { b.RepeatBytes() }, drivers.Corrupt},
		{"stuck high", 0x4010, func(_ *fake, b *drivertest.I2CBus) { b.Stick(0xFF) }, drivers.NoChip},
		{"stuck low", 0x4010, func(_ *fake, b *drivertest.I2CBus) { b.Stick(0) }, drivers.NoChip},
		{"nobody there", 0x4010, func(_ *fake, b *drivertest.I2CBus) { b.Attach(0x67, nil) }, drivers.NoChip},
		{"not converting", 0x4010, func(f *fake, _ *drivertest.I2CBus) { f.frozen = true }, drivers.Stale},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(tt.id, 0x0640, 0x0190)
				ports := drivertest.NewPorts()
				b := ports.AddI2C("I2C1").Attach(0x67, f)
				tt.edit(f, b)
				dev := drivertest.Open(t, &Driver, ports, source(""))
				time.Sleep(500 * time.Millisecond)
				if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want {
					t.Errorf("%v (%v), want %v", r.Faults, r.Cause, tt.want)
				}
			})
		})
	}
}

// TestLateFailures are those that begin in the middle of a night.
func TestLateFailures(t *testing.T) {
	for _, tt := range []struct {
		name string
		edit func(*fake, *drivertest.I2CBus)
		want []drivers.Faults // of the readings after it, half a second apart
	}{
		{"freeze", func(f *fake, _ *drivertest.I2CBus) { f.frozen = true; f.Set(regStatus, 0) }, []drivers.Faults{drivers.Stale, drivers.Stale}},
		{"bytes repeat", func(f *fake, b *drivertest.I2CBus) { b.RepeatBytes() }, []drivers.Faults{drivers.Corrupt, drivers.Corrupt}},
		{"brown-out", func(f *fake, _ *drivertest.I2CBus) { f.Set(regSensor, 0); f.Set(regDevice, 0) }, []drivers.Faults{drivers.ConfigLost, drivers.Stale, drivers.Stale, 0}},
		{"line stuck low", func(f *fake, b *drivertest.I2CBus) { b.Stick(0) }, []drivers.Faults{drivers.NoChip, drivers.NoChip}},
		{"line stuck high", func(f *fake, b *drivertest.I2CBus) { b.Stick(0xFF) }, []drivers.Faults{drivers.NoChip, drivers.NoChip}},
		{"step", func(f *fake, _ *drivertest.I2CBus) { f.put(regHot, 0x1900) }, []drivers.Faults{drivers.Implausible, drivers.Implausible, 0}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(0x4010, 0x0640, 0x0190)
				_, b, dev := bench(t, "filter: 3\ncold_resolution: 0.25", f)
				if f.Get(regSensor)[0] != 3 || f.Get(regDevice)[0] != 0x80 || b.Speed() != 100*physic.KiloHertz {
					t.Errorf("settings %X %X, bus at %v", f.Get(regSensor), f.Get(regDevice), b.Speed())
				}
				if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
					t.Fatal(r.Cause)
				}
				tt.edit(f, b)
				for i, want := range tt.want {
					time.Sleep(500 * time.Millisecond)
					if r := drivertest.Read(t, dev)[0]; r.Faults != want {
						t.Errorf("reading %d: %v (%v), want %v", i, r.Faults, r.Cause, want)
					}
				}
			})
		})
	}
}

func TestEveryTransferCanFail(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, _, dev := bench(t, "filter: 1", newFake(0x4010, 0x0640, 0x0190))
		drivertest.Read(t, dev)
		for n := 1; n <= 6; n++ {
			time.Sleep(time.Second)
			ports.FailAt(n, syscall.ETIMEDOUT)
			r := drivertest.Read(t, dev)[0]
			if r.Faults != drivers.BusError || r.Has != 0 || !errors.Is(r.Cause, syscall.ETIMEDOUT) {
				t.Errorf("transfer %d: %+v", n, r)
			}
			time.Sleep(time.Second)
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
				t.Errorf("after transfer %d failed: %v", n, r.Cause)
			}
		}
	})
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		key  string
		edit func(*drivers.Source)
	}{
		{"resolution", func(s *drivers.Source) { s.Options = drivertest.Options("resolution: 17") }},
		{"cold_resolution", func(s *drivers.Source) { s.Options = drivertest.Options("cold_resolution: 0.1") }},
		{"filter", func(s *drivers.Source) { s.Options = drivertest.Options("filter: 8") }},
		{"every", func(s *drivers.Source) { s.Every = 300 * time.Millisecond }},
		{"address", func(s *drivers.Source) { s.Inputs[0].Options = drivertest.Options("address: 0x68") }},
		{"couple", func(s *drivers.Source) { s.Inputs[0].Couple = "" }},
		{"couple", func(s *drivers.Source) { s.Inputs[0].Couple = "C" }},
		{"channel", func(s *drivers.Source) { s.Inputs[0].Kind = drivers.Power }},
		{"max_step", func(s *drivers.Source) { s.Inputs[0].Options = drivertest.Options("max_step: -1") }},
	} {
		src := source("")
		tt.edit(&src)
		var oe *drivers.OptionError
		if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), src); !errors.As(err, &oe) || oe.Key != tt.key {
			t.Errorf("%s: %v", tt.key, err)
		}
	}
}

func FuzzRegisters(f *testing.F) {
	f.Add(uint16(0x4010), uint16(0x0640), uint16(0x0190), byte(0x40), byte(0))
	f.Add(uint16(0xFFFF), uint16(0xFFFF), uint16(0xFFFF), byte(0xFF), byte(0xFF))
	f.Add(uint16(0x4040), uint16(0x0101), uint16(0x0101), byte(0x40), byte(0))
	f.Fuzz(func(t *testing.T, id, hot, cold uint16, st, sensor byte) {
		synctest.Test(t, func(t *testing.T) {
			c := newFake(id, hot, cold)
			c.Set(regStatus, st)
			c.present = st & (statusRange | statusShort)
			c.Set(regSensor, sensor)
			_, _, dev := bench(t, "", c)
			r := drivertest.Read(t, dev)[0]
			if r.Faults != 0 {
				return
			}
			if id>>8 != 0x40 && id>>8 != 0x41 || st&statusRange != 0 || float64(r.Code)*codeC > 1372 || float64(r.Code)*codeC < -200 {
				t.Errorf("good with identity %04X, status %02X, %g degC", id, st, float64(r.Code)*codeC)
			}
		})
	})
}
