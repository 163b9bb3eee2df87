package mcp9808

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

func source(options string) drivers.Source {
	return drivers.Source{Name: "room", Every: time.Second, Options: drivertest.Options(options),
		Inputs: []drivers.Input{{Channel: "room", Port: "I2C1"}}}
}

// fake is a powered-on chip that shows a temperature register.
func fake(ta uint16) *drivertest.Registers {
	return drivertest.NewRegisters(map[byte][]byte{
		regConfig: {0, 0}, regUpper: {0, 0}, regTA: {byte(ta >> 8), byte(ta)}, regMaker: {0, 0x54}, regDevice: {4, 0}, regRes: {3}})
}

func bench(t testing.TB, options string, c drivertest.I2CChip) (*drivertest.Ports, *drivertest.I2CBus, drivers.Device) {
	t.Helper()
	ports := drivertest.NewPorts()
	b := ports.AddI2C("I2C1")
	if c != nil {
		b.Attach(0x18, c)
	}
	return ports, b, drivertest.Open(t, &Driver, ports, source(options))
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		ports := drivertest.NewPorts()
		ports.AddI2C("I2C1").Attach(0x18, fake(0x0190)).Attach(0x1F, fake(0x1FFF))
		src := source("")
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "intake", Port: "I2C1", Options: drivertest.Options("address: 0x1F")})
		return &drivertest.Rig{Ports: ports, Source: src}
	})
}

func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 21) {
		t.Run(c.ID, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				if ids, ok := strings.CutPrefix(c.Input, "ID="); ok {
					var maker, device uint16
					if _, err := fmt.Sscanf(ids, "%X %X", &maker, &device); err != nil {
						t.Fatal(err)
					}
					f := fake(0x0190)
					f.Set(regMaker, byte(maker>>8), byte(maker))
					f.Set(regDevice, byte(device>>8), byte(device))
					_, _, dev := bench(t, "", f)
					c.Says(t, drivertest.Read(t, dev)[0])
					return
				}
				ta, err := strconv.ParseUint(strings.TrimPrefix(c.Input, "TA="), 16, 16)
				if err != nil {
					t.Fatal(err)
				}
				_, _, dev := bench(t, "", fake(uint16(ta)))
				r := drivertest.Read(t, dev)[0]
				_, says := c.Expect["says"]
				c.Says(t, r)
				if want, _ := c.Number("t_c"); !says && r.Faults != 0 || float64(r.Code)*codeC != want {
					t.Errorf("%g degC, %v; want %g", float64(r.Code)*codeC, r.Cause, want)
				}
			})
		})
	}
}

func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		name string
		edit func(*drivertest.Registers, *drivertest.I2CBus)
		want drivers.Faults
	}{
		{"true zero", func(c *drivertest.Registers, _ *drivertest.I2CBus) { c.Set(regTA, 0, 0) }, 0},
		{"limit flags only", func(c *drivertest.Registers, _ *drivertest.I2CBus) { c.Set(regTA, 0xE1, 0x90) }, 0},
		{"coldest", func(c *drivertest.Registers, _ *drivertest.I2CBus) { c.Set(regTA, 0x1D, 0x80) }, 0},
		{"too cold", func(c *drivertest.Registers, _ *drivertest.I2CBus) { c.Set(regTA, 0x1D, 0x7F) }, drivers.OutOfRange},
		{"too hot", func(c *drivertest.Registers, _ *drivertest.I2CBus) { c.Set(regTA, 0x07, 0xD1) }, drivers.OutOfRange},
		{"wrong maker", func(c *drivertest.Registers, _ *drivertest.I2CBus) { c.Set(regMaker, 0x11, 0x62) }, drivers.NoChip},
		{"wrong device", func(c *drivertest.Registers, _ *drivertest.I2CBus) { c.Set(regDevice, 0x22, 0) }, drivers.NoChip},
		{"stuck high", func(_ *drivertest.Registers, b *drivertest.I2CBus) { b.Stick(0xFF) }, drivers.NoChip},
		{"stuck low", func(_ *drivertest.Registers, b *drivertest.I2CBus) { b.Stick(0) }, drivers.NoChip},
		{"repeated bytes", func(_ *drivertest.Registers, b *drivertest.I2CBus) { b.RepeatBytes() }, drivers.NoChip},
		{"nobody there", func(_ *drivertest.Registers, b *drivertest.I2CBus) { b.Attach(0x18, nil) }, drivers.NoChip},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c := fake(0x0190)
				ports := drivertest.NewPorts()
				b := ports.AddI2C("I2C1").Attach(0x18, c)
				tt.edit(c, b)
				dev := drivertest.Open(t, &Driver, ports, source(""))
				if r := drivertest.Read(t, dev)[0]; r.Faults != tt.want {
					t.Errorf("%v (%v), want %v", r.Faults, r.Cause, tt.want)
				}
			})
		})
	}
}

func TestBrownOutAndShutdown(t *testing.T) {
	for _, tt := range []struct {
		reg   byte
		value []byte
	}{{regRes, []byte{3}}, {regConfig, []byte{1, 0}}, {regUpper, []byte{0, 0}}} {
		synctest.Test(t, func(t *testing.T) {
			c := fake(0x0190)
			_, b, dev := bench(t, "resolution: 0.125", c)
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
				t.Fatal(r.Cause)
			}
			if b.Speed() != 400*physic.KiloHertz || c.Get(regRes)[0] != 2 {
				t.Errorf("bus at %v, resolution register %d", b.Speed(), c.Get(regRes)[0])
			}
			c.Set(tt.reg, tt.value...)
			time.Sleep(time.Second)
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.ConfigLost {
				t.Errorf("%v (%v)", r.Faults, r.Cause)
			}
			time.Sleep(time.Second)
			if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Stale {
				t.Errorf("the reading that set it again: %v", r.Faults)
			}
			time.Sleep(time.Second)
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
				t.Errorf("after that: %v", r.Cause)
			}
		})
	}
}

// TestBrownOutAtPowerOnSettings: with the finest resolution all settings are those of
// power-on, and the chip reads 0.00 degC until its first conversion has ended.
func TestBrownOutAtPowerOnSettings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := fake(0x0190)
		_, _, dev := bench(t, "", c)
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Fatal(r.Cause)
		}
		time.Sleep(time.Second)
		c.Set(regUpper, 0, 0)
		c.Set(regTA, 0, 0)
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.ConfigLost {
			t.Errorf("0.00 degC of a chip without a conversion: %v", r.Faults)
		}
		c.Set(regTA, 0x01, 0x90)
		for range 2 {
			time.Sleep(time.Second)
			drivertest.Read(t, dev)
		}
		time.Sleep(time.Second)
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || r.Code != 400 {
			t.Errorf("after it: %+v", r)
		}
	})
}

func TestStaleAndStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := fake(0x0190)
		_, _, dev := bench(t, "", c)
		drivertest.Read(t, dev)
		time.Sleep(100 * time.Millisecond)
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Stale {
			t.Errorf("%v", r.Faults)
		}
		time.Sleep(200 * time.Millisecond)
		c.Set(regTA, 0x06, 0x40)
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Implausible {
			t.Errorf("%v", r.Faults)
		}
	})
}

func TestEveryRegisterCanFail(t *testing.T) {
	for n := 1; n <= 5; n++ { // of identity (when opened) and of one reading
		synctest.Test(t, func(t *testing.T) {
			ports, _, dev := bench(t, "", fake(0x0190))
			ports.FailAt(n, syscall.EIO)
			r := drivertest.Read(t, dev)[0]
			if n <= 4 && (r.Faults != drivers.BusError || r.Has != 0 || !errors.Is(r.Cause, syscall.EIO)) {
				t.Errorf("transfer %d: %+v", n, r)
			}
			if n == 5 && r.Faults != 0 {
				t.Errorf("a reading takes four transfers: %v", r.Cause)
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		key  string
		edit func(*drivers.Source)
	}{
		{"resolution", func(s *drivers.Source) { s.Options = drivertest.Options("resolution: 0.1") }},
		{"every", func(s *drivers.Source) { s.Every = 200 * time.Millisecond }},
		{"address", func(s *drivers.Source) { s.Inputs[0].Options = drivertest.Options("address: 0x20") }},
		{"couple", func(s *drivers.Source) { s.Inputs[0].Couple = "K" }},
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

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, _, dev := bench(t, "", fake(0x1F60))
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || !strings.Contains(lines[0], "-10.0000 degC") {
			t.Errorf("%q, %v", lines, err)
		}
		ports.Fail(syscall.EIO)
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Error(err)
		}
	})
}

func FuzzRegisters(f *testing.F) {
	f.Add(uint16(0x0190), uint16(makerID), uint16(0x0400), byte(3), byte(0))
	f.Add(uint16(0xFFFF), uint16(0xFFFF), uint16(0xFFFF), byte(0xFF), byte(0xFF))
	f.Fuzz(func(t *testing.T, ta, maker, device uint16, res, cfg byte) {
		synctest.Test(t, func(t *testing.T) {
			c := fake(ta)
			c.Set(regMaker, byte(maker>>8), byte(maker))
			c.Set(regDevice, byte(device>>8), byte(device))
			c.Set(regRes, res)
			c.Set(regConfig, cfg, 0)
			_, _, dev := bench(t, "", c)
			r := drivertest.Read(t, dev)[0]
			if v := float64(r.Code) * codeC; r.Faults == 0 && (v < minC || v > maxC || maker != makerID || device>>8 != 4) {
				t.Errorf("good with %g degC, identity %04X %04X", v, maker, device)
			}
		})
	})
}
