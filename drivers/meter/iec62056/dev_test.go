package iec62056

import (
	"context"
	"errors"
	"math"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func number(r drivers.Reading) float64 { return math.Float64frombits(uint64(r.Code)) }

func TestReadsModeC(t *testing.T) {
	for name, change := range map[string]func(*meter){
		"plain":             func(*meter) {},
		"echoing head":      func(m *meter) { m.echo = true },
		"parity in bit 7":   func(m *meter) { m.parity = true },
		"slow reaction":     func(m *meter) { m.ident, m.delay = "/INV4X", time.Second },
		"stays at 300 baud": func(m *meter) { m.ident = "/Inv0X" },
		"unknown speed":     func(m *meter) { m.ident = "/Inv:X" },
		"offers mode E":     func(m *meter) { m.ident = "/Inv5\\2X" },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := goodMeter()
				change(m)
				d := open(t, m.ports(), source("", energyIn, powerIn, voltsIn))
				var out [3]drivers.Reading
				for range 2 {
					if err := d.Read(t.Context(), out[:]); err != nil {
						t.Fatal(err)
					}
					for i, want := range []float64{581.161 * 3.6e6, 199, 230.1} {
						if out[i].Faults != 0 || math.Abs(number(out[i])-want) > 1e-6 {
							t.Errorf("input %d: %v, %v; want %v", i, number(out[i]), out[i].Cause, want)
						}
					}
					time.Sleep(30 * time.Second) // the bubble's clock
				}
				if out[0].Chip != 581161 {
					t.Errorf("digits %d", out[0].Chip)
				}
				want := map[string][2]string{"/Inv5INVENTED-1": {"050\r\n", "9600"}, "/INV4X": {"040\r\n", "4800"}}[m.ident]
				if want[0] != "" && m.got[1] != want[0] {
					t.Errorf("acknowledged with %q, want %q", m.got[1], want[0])
				}
				if first, second := m.modes[0], m.modes[1]; first != signOnMode() || want[1] == "4800" && second.Baud != 4800 || want[1] == "9600" && second.Baud != 9600 {
					t.Errorf("speeds %+v", m.modes)
				}
			})
		})
	}
}

func TestReadsModeD(t *testing.T) {
	const telegram = "/INV5X\r\n\r\n1-0:1.8.0(000581.161*kWh)\r\n1-0:16.7.0(00.199*kW)\r\n1-0:32.7.0(230.1*V)\r\n!"
	for name, c := range map[string]struct {
		end   string
		fault drivers.Faults
	}{"no check": {"\r\n", 0}, "right CRC": {"C2B4\r\n", 0}, "wrong CRC": {"C2B5\r\n", drivers.Corrupt}, "not a CRC": {"xyz\r\n", drivers.Corrupt}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := drivertest.NewPorts()
				m := &meter{}
				p.AddSerial("/dev/head", func(bus.SerialMode) (bus.SerialPort, error) {
					here, far := net.Pipe()
					go func() {
						for {
							if m.send(far, telegram+c.end) != nil {
								return
							}
							time.Sleep(2 * time.Second) // the bubble's clock
						}
					}()
					return head{here, m}, nil
				})
				d := open(t, p, source("mode: d\nbaud: 9600", energyIn, powerIn, voltsIn))
				var out [3]drivers.Reading
				d.Read(t.Context(), out[:])
				for i, want := range []float64{581.161 * 3.6e6, 199, 230.1} {
					if out[i].Faults != c.fault || c.fault == 0 && math.Abs(number(out[i])-want) > 1e-6 {
						t.Errorf("input %d: %v, %v", i, number(out[i]), out[i].Cause)
					}
				}
			})
		})
	}
}

func TestBrokenReadoutsAreFaults(t *testing.T) {
	good := goodMeter()
	for name, c := range map[string]struct {
		change func(*meter)
		want   drivers.Faults
	}{
		"off":               {func(m *meter) { m.ident = "" }, drivers.Timeout},
		"no block":          {func(m *meter) { m.block = "" }, drivers.Timeout},
		"cut":               {func(m *meter) { m.block = good.block[:40] }, drivers.Timeout},
		"not a meter":       {func(m *meter) { m.ident = "hello" }, drivers.Corrupt},
		"short identity":    {func(m *meter) { m.ident = "/IN" }, drivers.Corrupt},
		"flipped bit":       {func(m *meter) { m.block = strings.Replace(good.block, "581", "591", 1) }, drivers.Corrupt},
		"nul and good BCC":  {func(m *meter) { m.block = framed("1-0:1.8.0(0\x001*kWh)\r\n!\r\n") }, drivers.Corrupt},
		"no STX":            {func(m *meter) { m.block = strings.Repeat("x", 100) }, drivers.Corrupt},
		"endless":           {func(m *meter) { m.block = "\x02" + strings.Repeat("1.8.0(1*kWh)\r\n", 6000) }, drivers.Corrupt},
		"line missing":      {func(m *meter) { m.block = framed("1-0:2.8.0(1*kWh)\r\n!\r\n") }, drivers.DeviceError},
		"two lines":         {func(m *meter) { m.block = framed("1-0:1.8.0(1*kWh)\r\n1-1:1.8.0(2*kWh)\r\n!\r\n") }, drivers.DeviceError},
		"other unit":        {func(m *meter) { m.block = framed("1-0:1.8.0(1*kvarh)\r\n!\r\n") }, drivers.Corrupt},
		"below the range":   {func(m *meter) { m.block = framed("1-0:1.8.0(-2*kWh)\r\n!\r\n") }, drivers.OutOfRange},
		"no unit, but good": {func(m *meter) { m.block = framed("1.8.0(2)\r\n!\r\n") }, 0},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := goodMeter()
				c.change(m)
				d := open(t, m.ports(), source("", "{obis: 1.8.0, unit: kWh, range: [0, 1e6]}"))
				var out [1]drivers.Reading
				err := d.Read(t.Context(), out[:])
				if out[0].Faults != c.want {
					t.Errorf("%v (%v), want %v", out[0].Faults, out[0].Cause, c.want)
				}
				if bad := drivertest.CheckReadings(out[:]); bad != nil {
					t.Error(bad)
				}
				if err != nil && !strings.Contains(err.Error(), "/dev/head") {
					t.Errorf("%v does not name the port", err)
				}
				m.become(goodMeter().behaviour) // the meter is good again: so is the next readout
				for range 5 {                   // what is left of an endless block is thrown away in pieces
					time.Sleep(time.Minute)
					if err = d.Read(t.Context(), out[:]); err == nil {
						break
					}
				}
				if err != nil || out[0].Faults != 0 {
					t.Errorf("after the disturbance: %v, %v", err, out[0].Cause)
				}
			})
		})
	}
}

func TestSlowSpeedWakeAndAddress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := goodMeter()
		d := open(t, m.ports(), source("baud: 300\nwake: true\naddress: 'A1'", energyIn))
		start := time.Now()
		var out [1]drivers.Reading
		if err := d.Read(t.Context(), out[:]); err != nil {
			t.Fatal(err)
		}
		if want := []string{"/?A1!\r\n", "000\r\n"}; !slices.Equal(m.got, want) {
			t.Errorf("sent %q, want %q", m.got, want)
		}
		if d := time.Since(start); d < 3800*time.Millisecond {
			t.Errorf("woke the meter for %v only", d)
		}
		lines, err := d.Probe(t.Context())
		if err != nil || len(lines) != 5 || !strings.Contains(lines[0], "INVENTED-1") || !strings.Contains(lines[2], "581.161 kWh") {
			t.Errorf("%q, %v", lines, err)
		}
	})
}

func TestCancelAndDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := goodMeter()
		m.delay = time.Second
		d := open(t, m.ports(), source("", energyIn))
		var out [1]drivers.Reading
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(700*time.Millisecond, cancel)
		start := time.Now()
		if err := d.Read(ctx, out[:]); !errors.Is(err, context.Canceled) || time.Since(start) != 700*time.Millisecond {
			t.Errorf("%v after %v", err, time.Since(start))
		}
		ctx, cancel = context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := d.Read(ctx, out[:]); !errors.Is(err, context.DeadlineExceeded) || out[0].Faults != drivers.Timeout {
			t.Errorf("%v, %v", err, out[0].Faults)
		}
	})
}

func TestBadOptions(t *testing.T) {
	host := bus.NewHost(goodMeter().ports())
	for _, c := range []struct {
		opts, input string
		at          int
		key, text   string
	}{
		{"mode: b", energyIn, -1, "mode", "c or d"},
		{"baud: 50", energyIn, -1, "baud", "300"},
		{"timeout: 1ms", energyIn, -1, "timeout", "1s"},
		{"address: '/?'", energyIn, -1, "address", "digits"},
		{"address: '123456789012345678901234567890123'", energyIn, -1, "address", "32"},
		{"", "{unit: kWh}", 0, "obis", "1.8.0"},
		{"", "{obis: 1.8.0}", 0, "unit", "kWh"},
		{"", "{obis: 16.7.0, unit: W}", 0, "range", "required"},
		{"", "{obis: 16.7.0, unit: W, range: [2, 1]}", 0, "range", "lowest"},
	} {
		_, err := New(t.Context(), host, source(c.opts, c.input))
		var bad *drivers.OptionError
		if !errors.As(err, &bad) || bad.Input != c.at || bad.Key != c.key || !strings.Contains(bad.Text, c.text) {
			t.Errorf("%q, %q: %v", c.opts, c.input, err)
		}
	}
	src := source("", energyIn)
	src.Inputs[0].Kind = drivers.Power
	if _, err := New(t.Context(), host, src); err == nil || !strings.Contains(err.Error(), "unit") {
		t.Errorf("%v", err)
	}
	src = source("", energyIn, voltsIn)
	src.Inputs[1].Port = "/dev/other"
	if _, err := New(t.Context(), host, src); err == nil || !strings.Contains(err.Error(), "second source") {
		t.Errorf("%v", err)
	}
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(*testing.T) *drivertest.Rig {
		return &drivertest.Rig{
			Ports: goodMeter().ports(), Source: source("", energyIn, powerIn, voltsIn),
			Allocates: "readouts are text",
			NoBus:     "the fakes can't disturb a head: the tests above do",
		}
	})
}
