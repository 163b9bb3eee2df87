package push

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func source(opts string) drivers.Source {
	return drivers.Source{Name: "host", Every: time.Second, Options: drivertest.Options(opts), Inputs: []drivers.Input{
		{Channel: "clock", Kind: drivers.Frequency, Options: drivertest.Options("range: [0, 1e10]")},
		{Channel: "core", Kind: drivers.Temperature, Options: drivertest.Options("")},
		{Channel: "load", Options: drivertest.Options("unit: jobs")},
	}}
}

func open(t *testing.T, opts string) (*Dev, *Feed) {
	t.Helper()
	f := &Feed{}
	d, err := New(WithFeed(t.Context(), f), bus.NewHost(drivertest.NewPorts()), source(opts))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d, f
}

func read(t *testing.T, d *Dev) (out [3]drivers.Reading) {
	t.Helper()
	d.Read(t.Context(), out[:])
	if err := drivertest.CheckReadings(out[:]); err != nil {
		t.Error(err)
	}
	return out
}

func push(t *testing.T, f *Feed, channel string, v float64, age time.Duration) {
	t.Helper()
	if err := f.Push(t.Context(), channel, &v, age); err != nil {
		t.Error(err)
	}
}

func TestValuesAgeOutAndNeverStick(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, f := open(t, "max_age: 2s")
		for i, r := range read(t, d) {
			if r.Faults != drivers.Stale {
				t.Errorf("before the first push, input %d: %v", i, r.Faults)
			}
		}
		push(t, f, "clock", 2.4e9, 500*time.Millisecond)
		push(t, f, "core", -3.5, 0)
		out := read(t, d)
		if v := math.Float64frombits(uint64(out[0].Code)); out[0].Faults != 0 || v != 2.4e9 || out[0].Age != 500*time.Millisecond {
			t.Errorf("%v, %+v", v, out[0])
		}
		if v := math.Float64frombits(uint64(out[1].Code)); out[1].Faults != 0 || v != -3.5 || out[1].Age != 0 || out[2].Faults != drivers.Stale {
			t.Errorf("%v, %+v", v, out[1:])
		}
		time.Sleep(1600 * time.Millisecond) // the bubble's clock
		if out = read(t, d); out[0].Faults != drivers.Stale || out[0].Has != 0 || out[1].Faults != 0 || out[1].Age != 1600*time.Millisecond {
			t.Errorf("%+v", out[:2])
		}
		if err := f.Push(t.Context(), "core", nil, 0); err != nil {
			t.Error(err)
		}
		if out = read(t, d); out[1].Faults != drivers.DeviceError {
			t.Errorf("a pusher without a value: %v", out[1].Faults)
		}
		push(t, f, "core", 40, 0)
		push(t, f, "core", 90, time.Second) // overtaken on its way
		if out = read(t, d); math.Float64frombits(uint64(out[1].Code)) != 40 {
			t.Errorf("an older value replaced a newer one: %+v", out[1])
		}
		push(t, f, "clock", 2e10, 0)
		if out = read(t, d); out[0].Faults != drivers.OutOfRange {
			t.Errorf("beyond the range: %v", out[0].Faults)
		}
	})
}

func TestBadPushesAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, f := open(t, "")
		v, nan := 1.0, math.NaN()
		cancelled, cancel := context.WithCancel(t.Context())
		cancel()
		for name, err := range map[string]error{
			"unknown channel": f.Push(t.Context(), "other", &v, 0),
			"not a number":    f.Push(t.Context(), "core", &nan, 0),
			"from the future": f.Push(t.Context(), "core", &v, -time.Second),
			"cancelled":       f.Push(cancelled, "core", &v, 0),
		} {
			if err == nil {
				t.Errorf("%s was accepted", name)
			}
		}
		d.Close()
		if err := f.Push(t.Context(), "core", &v, 0); !errors.Is(err, ErrNotOpen) {
			t.Errorf("after Close: %v", err)
		}
		var none Feed
		if err := none.Push(t.Context(), "core", &v, 0); !errors.Is(err, ErrNotOpen) {
			t.Errorf("an empty feed: %v", err)
		}
	})
}

func TestConcurrentPushes(t *testing.T) {
	d, f := open(t, "max_age: 1h")
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for range 500 {
				push(t, f, "clock", 1, 0)
			}
		})
	}
	for range 500 {
		for _, r := range read(t, d) {
			if r.Faults == 0 && r.Code != int64(math.Float64bits(1)) {
				t.Errorf("%+v", r)
			}
		}
	}
	wg.Wait()
}

func TestUnits(t *testing.T) {
	for _, c := range []struct {
		kind       drivers.Kind
		opts       string
		want       drivers.Kind
		unit, fail string
	}{
		{drivers.Temperature, "", drivers.Temperature, "degC", ""},
		{drivers.Power, "unit: W", drivers.Power, "W", ""},
		{0, "unit: degC", drivers.Temperature, "degC", ""},
		{0, "unit: Hz", drivers.Frequency, "Hz", ""},
		{0, "unit: jobs", drivers.Other, "jobs", ""},
		{drivers.Other, "unit: '%'", drivers.Other, "%", ""},
		{drivers.Power, "unit: kW", 0, "", "unit"},
		{drivers.Other, "", 0, "", "unit"},
		{0, "", 0, "", "unit"},
		{drivers.Power, "range: [3, 1]", 0, "", "range"},
	} {
		src := source("")
		src.Inputs = src.Inputs[:1]
		src.Inputs[0].Kind, src.Inputs[0].Options = c.kind, drivertest.Options(c.opts)
		d, err := New(t.Context(), bus.NewHost(drivertest.NewPorts()), src)
		var bad *drivers.OptionError
		if c.fail != "" {
			if !errors.As(err, &bad) || bad.Key != c.fail || bad.Input != 0 {
				t.Errorf("%v, %q: %v", c.kind, c.opts, err)
			}
			continue
		}
		if err != nil {
			t.Error(err)
			continue
		}
		if v := d.Converters()[0]; v.Kind != c.want || v.Unit != c.unit {
			t.Errorf("%v, %q: %+v", c.kind, c.opts, v)
		}
	}
	if _, err := New(t.Context(), bus.NewHost(drivertest.NewPorts()), source("max_age: 2h")); err == nil || !strings.Contains(err.Error(), "1h") {
		t.Errorf("max_age: %v", err)
	}
	src := source("")
	src.Inputs[1].Channel = "clock"
	if _, err := New(t.Context(), bus.NewHost(drivertest.NewPorts()), src); err == nil {
		t.Error("one channel twice was accepted")
	}
}

func TestConformance(t *testing.T) {
	fed := Driver
	fed.Open = func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		f := &Feed{}
		d, err := Driver.Open(WithFeed(ctx, f), host, src)
		if err != nil {
			return nil, err
		}
		for i, in := range src.Inputs {
			v := float64(i)
			if err := f.Push(ctx, in.Channel, &v, 0); err != nil {
				return nil, fmt.Errorf("push: %w", err)
			}
		}
		return d, nil
	}
	drivertest.Conformance(t, &fed, func(*testing.T) *drivertest.Rig {
		return &drivertest.Rig{Source: source("max_age: 1h"), NoBus: "there is no bus: values are pushed"}
	})
}
