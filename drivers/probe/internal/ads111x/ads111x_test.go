package ads111x

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// script is a chip of codes by setting; settings without one fail.
type script struct {
	codes  map[uint16]int16
	found  map[uint16]Finding
	err    error // of every transfer
	foundE error
	closed int
}

func (s *script) String() string { return "SPI0.0" }

func (s *script) Convert(_ context.Context, cfg uint16) (int16, Finding, error) {
	if s.err != nil {
		return 0, Finding{}, s.err
	}
	code, ok := s.codes[cfg]
	if !ok {
		return 0, Finding{}, errors.New("no such setting")
	}
	return code, s.found[cfg], nil
}

func (s *script) Cold(code int16) Cold {
	if code < 0 {
		return Cold{Code: int64(code), DegC: -99, Cause: errors.New("cold junction too cold")}
	}
	return Cold{Code: int64(code), DegC: float64(code)}
}

func (s *script) Found(context.Context) (string, error) { return "as found, ", s.foundE }
func (s *script) Close() error                          { s.closed++; return nil }

const coldCfg = 0xF000

func device(t *testing.T, s *script, options ...string) *Dev {
	t.Helper()
	host := bus.NewHost(drivertest.NewPorts())
	t.Cleanup(func() {
		if err := host.Close(); err != nil {
			t.Error(err)
		}
	})
	c := &Chip{Host: host, Rate: 64, ColdCfg: coldCfg}
	var convs []drivers.Converter
	for i, text := range options {
		own := InputOpts{Pair: "0-1", StepOption: drivers.DefaultStep()}
		if err := drivertest.Options(text).Decode(&own); err != nil {
			t.Fatal(err)
		}
		in, err := NewInput(i, drivers.Input{Channel: "vr", Couple: "K"}, own, 0, LSB(256))
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Add(in, "SPI0.0"); err != nil {
			t.Fatal(err)
		}
		conv := drivers.Converter{PerCode: LSB(256)}
		own.Budget(&conv, 1e-4, "sheet")
		convs = append(convs, conv)
	}
	d, err := Open("chip", drivers.Source{Every: time.Second}, []*Chip{c}, convs, time.Millisecond, func(*Chip) (Bus, error) { return s, nil })
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func read(t *testing.T, d *Dev) ([]drivers.Reading, error) {
	t.Helper()
	out := make([]drivers.Reading, len(d.Converters()))
	err := d.Read(t.Context(), out)
	if bad := drivertest.CheckReadings(out); bad != nil {
		t.Error(bad)
	}
	return out, err
}

func TestRound(t *testing.T) {
	lost := Finding{drivers.ConfigLost, errors.New("lost")}
	for name, tt := range map[string]struct {
		chip script
		want [2]drivers.Faults
	}{
		"good":           {script{codes: map[uint16]int16{coldCfg: 25, 0: 100, 3 << 12: -100}}, [2]drivers.Faults{}},
		"cold lost":      {script{codes: map[uint16]int16{coldCfg: 25, 0: 1, 3 << 12: 1}, found: map[uint16]Finding{coldCfg: lost}}, [2]drivers.Faults{drivers.ConfigLost, drivers.ConfigLost}},
		"one lost":       {script{codes: map[uint16]int16{coldCfg: 25, 0: 1, 3 << 12: 1}, found: map[uint16]Finding{0: lost}}, [2]drivers.Faults{drivers.ConfigLost, 0}},
		"one fails":      {script{codes: map[uint16]int16{coldCfg: 25, 3 << 12: 1}}, [2]drivers.Faults{drivers.BusError, 0}},
		"cold fails":     {script{codes: map[uint16]int16{0: 1, 3 << 12: 1}}, [2]drivers.Faults{drivers.BusError, drivers.BusError}},
		"rails":          {script{codes: map[uint16]int16{coldCfg: 25, 0: RailHigh, 3 << 12: RailLow}}, [2]drivers.Faults{drivers.OutOfRange, drivers.Open}},
		"cold too cold":  {script{codes: map[uint16]int16{coldCfg: -1, 0: 1, 3 << 12: RailLow}}, [2]drivers.Faults{drivers.ColdJunction, drivers.ColdJunction | drivers.Open}},
		"out of range":   {script{codes: map[uint16]int16{coldCfg: 25, 0: 7100, 3 << 12: -1000}}, [2]drivers.Faults{drivers.OutOfRange, drivers.OutOfRange}},
		"cancelled":      {script{err: context.Canceled}, [2]drivers.Faults{drivers.Timeout, drivers.Timeout}},
		"cold off table": {script{codes: map[uint16]int16{coldCfg: 2000, 0: 1, 3 << 12: 1}}, [2]drivers.Faults{drivers.OutOfRange, drivers.OutOfRange}},
	} {
		t.Run(name, func(t *testing.T) {
			d := device(t, &tt.chip, "", "pair: 2-3\nbiased: true")
			out, err := read(t, d)
			if got := [2]drivers.Faults{out[0].Faults, out[1].Faults}; got != tt.want {
				t.Errorf("%v (%v; %v), want %v", got, out[0].Cause, out[1].Cause, tt.want)
			}
			if (err != nil) != (tt.chip.err != nil) {
				t.Errorf("Read returned %v", err)
			}
		})
	}
}

func TestStepAndAge(t *testing.T) {
	s := &script{codes: map[uint16]int16{coldCfg: 25, 0: 100}}
	d := device(t, s, "")
	if out, _ := read(t, d); out[0].Age != Conversion(64)/2 {
		t.Errorf("age %v", out[0].Age)
	}
	s.codes[0] = 900
	if out, _ := read(t, d); out[0].Faults != drivers.Implausible || out[0].Code != 900 {
		t.Errorf("+150 K: %+v", out[0])
	}
}

func TestClosed(t *testing.T) {
	s := &script{codes: map[uint16]int16{coldCfg: 25, 0: 100}}
	d := device(t, s, "")
	if err := errors.Join(d.Close(), d.Close()); err != nil || s.closed != 2 {
		t.Errorf("%v, closed %d times", err, s.closed)
	}
	if _, err := read(t, d); !errors.Is(err, bus.ErrClosed) {
		t.Error(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := device(t, s, "").Read(ctx, make([]drivers.Reading, 1)); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

func TestOpenFails(t *testing.T) {
	s := &script{}
	first, second := &Chip{Rate: 64}, &Chip{Rate: 64}
	broken := errors.New("no port")
	_, err := Open("chip", drivers.Source{Every: time.Second}, []*Chip{first, second}, nil, 0, func(c *Chip) (Bus, error) {
		if c == second {
			return nil, broken
		}
		return s, nil
	})
	if !errors.Is(err, broken) || s.closed != 1 {
		t.Errorf("%v; the chip before it was closed %d times", err, s.closed)
	}
	var refused *drivers.OptionError
	if _, err := Open("chip", drivers.Source{Every: time.Millisecond}, []*Chip{first}, nil, 0, nil); !errors.As(err, &refused) || refused.Key != "every" {
		t.Error(err)
	}
}

func TestProbe(t *testing.T) {
	s := &script{codes: map[uint16]int16{coldCfg: 25, 0: 128}}
	d := device(t, s, "")
	lines, err := d.Probe(t.Context())
	if err != nil || len(lines) != 2 || lines[0] != "chip at SPI0.0: as found, cold junction 25.000 degC" ||
		lines[1] != "vr at SPI0.0 pair 0-1: input 1000.0 uV before the offset (mean of 16 conversions that scatter by 0.0 uV)" {
		t.Errorf("%q, %v", lines, err)
	}
	for want, change := range map[string]func(){
		"cold junction": func() { delete(s.codes, coldCfg) },
		"channel vr":    func() { s.codes[coldCfg] = 25; s.found = map[uint16]Finding{0: {drivers.NoChip, errors.New("gone")}} },
		"SPI0.0: early": func() { s.foundE = errors.New("early") },
	} {
		s.codes, s.found, s.foundE = map[uint16]int16{coldCfg: 25, 0: 128}, nil, nil
		change()
		if _, err := d.Probe(t.Context()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

func TestWords(t *testing.T) {
	for code, rate := range rates {
		if bits, ok := RateBits(rate); !ok || bits != uint16(code)<<5 || Rate(bits|1<<15) != rate {
			t.Errorf("%d per second: %04X", rate, bits)
		}
	}
	if _, ok := RateBits(100); ok {
		t.Error("100 per second")
	}
	if bits, ok := RangeBits(2048); !ok || bits != 2<<9 || LSB(2048) != 62.5e-6 {
		t.Errorf("2.048 V: %04X, %g", bits, LSB(2048))
	}
	if _, ok := RangeBits(300); ok {
		t.Error("300 mV")
	}
	if d := Conversion(8); d != 137500*time.Microsecond {
		t.Errorf("8 per second takes %v", d)
	}
}

func TestNewInputRefuses(t *testing.T) {
	nan := math.NaN()
	step := drivers.DefaultStep()
	for key, c := range map[string]struct {
		raw drivers.Input
		own InputOpts
	}{
		"pair":      {drivers.Input{Couple: "K"}, InputOpts{Pair: "1-0", StepOption: step}},
		"channel":   {drivers.Input{Couple: "K", Kind: drivers.Power}, InputOpts{Pair: "0-1", StepOption: step}},
		"couple":    {drivers.Input{}, InputOpts{Pair: "0-1", StepOption: step}},
		"offset_uv": {drivers.Input{Couple: "K"}, InputOpts{Pair: "0-1", OffsetUV: &nan, StepOption: step}},
		"max_step":  {drivers.Input{Couple: "K"}, InputOpts{Pair: "0-1", StepOption: drivers.StepOption{MaxStep: -1}}},
	} {
		var refused *drivers.OptionError
		if _, err := NewInput(2, c.raw, c.own, 0, 1); !errors.As(err, &refused) || refused.Key != key || refused.Input != 2 {
			t.Errorf("%s: %v", key, err)
		}
	}
	c := &Chip{Inputs: []*Input{{Cfg: 5, Channel: "a"}}}
	if err := c.Add(&Input{Cfg: 5, Channel: "b", pair: "0-1"}, "x"); err == nil || !strings.Contains(err.Error(), "channels a and b are both on pair 0-1") {
		t.Error(err)
	}
}
