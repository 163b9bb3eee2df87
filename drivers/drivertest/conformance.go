package drivertest

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Rig is a healthy device on fake ports, and how to open it.
type Rig struct {
	// Ports is what the host runs on. A rig with files of its own instead of a bus
	// may leave it nil.
	Ports *Ports
	// Source opens the device. Every is the period that Conformance reads with.
	Source drivers.Source
	// Settle is how many periods the device may need before its first good sample
	// after Open, and after a failed transfer. Zero: one.
	Settle int
	// Allocates says why a good Read allocates; empty: it must not.
	Allocates string
	// NoBus says why failing or slow transfers can't be tried (files of the kernel);
	// empty: they are.
	NoBus string
	// Done ends what Build started; may be nil.
	Done func()
}

// Conformance checks a driver against the contract of package drivers. build
// makes a fresh healthy rig for each part; it runs in a synctest bubble, so that
// time is fake and a goroutine that outlives the host fails the test.
func Conformance(t *testing.T, d *drivers.Driver, build func(t *testing.T) *Rig) {
	t.Helper()
	t.Run("info", func(t *testing.T) { checkInfo(t, d) })
	const anyRig, onBus = false, true
	parts := []struct {
		name string
		bus  bool // needs transfers that can be slow or fail
		run  func(*conform, *testing.T)
	}{
		{"converters", anyRig, (*conform).converters},
		{"good", anyRig, (*conform).good},
		{"unknown option", anyRig, (*conform).unknownOption},
		{"close", anyRig, (*conform).closeTwice},
		{"cancelled", anyRig, (*conform).cancelled},
		{"cancel in mid-read", onBus, (*conform).cancelMid},
		{"deadline", onBus, (*conform).deadline},
		{"every transfer fails", onBus, (*conform).allFail},
		{"one transfer fails", onBus, (*conform).oneFails},
		{"close while reading", anyRig, (*conform).closeWhileReading},
		{"allocations", anyRig, (*conform).allocations},
	}
	for _, part := range parts {
		t.Run(part.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				rig := build(t)
				c := &conform{d: d, rig: rig}
				if rig.Ports == nil {
					rig.Ports = NewPorts()
				}
				if rig.Settle == 0 {
					rig.Settle = 1
				}
				rig.Source = fill(rig.Source)
				c.host = bus.NewHost(rig.Ports)
				if part.bus && rig.NoBus != "" {
					t.Log(rig.NoBus)
				} else {
					part.run(c, t)
				}
				if err := c.host.Close(); err != nil && !errors.Is(err, bus.ErrHung) {
					t.Errorf("close the host: %v", err)
				}
				if n := rig.Ports.Open(); n != 0 {
					t.Errorf("%d ports left open", n)
				}
				if rig.Done != nil {
					rig.Done()
				}
			})
		})
	}
}

// conform is one part's rig while it runs.
type conform struct {
	d    *drivers.Driver
	rig  *Rig
	host *bus.Host
}

func checkInfo(t *testing.T, d *drivers.Driver) {
	if d.Name == "" || d.Name != strings.ToLower(d.Name) {
		t.Errorf("name %q: must be a lower-case word", d.Name)
	}
	i := d.Info
	if i.Summary == "" || i.Bus == "" {
		t.Error("Info.Summary and Info.Bus must say something")
	}
	if len(i.Detects) == 0 || len(i.Misses) == 0 || len(i.Accuracy) == 0 {
		t.Error("Info must say what the driver detects, what it misses and how accurate the part is")
	}
	for _, o := range i.Options {
		if o.Key == "" || o.Help == "" || o.Unit == "" || (o.Scope != "source" && o.Scope != "input") {
			t.Errorf("option %q: key, unit, help and scope (source or input) are required", o.Key)
		}
	}
}

func (c *conform) open(t *testing.T) drivers.Device {
	t.Helper()
	dev, err := c.d.Open(t.Context(), c.host, c.rig.Source)
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	return dev
}

// read reads once into garbage and checks the contract.
func (c *conform) read(ctx context.Context, t *testing.T, dev drivers.Device) ([]drivers.Reading, error) {
	t.Helper()
	out := make([]drivers.Reading, len(c.rig.Source.Inputs))
	garbage(out)
	err := dev.Read(ctx, out)
	if bad := CheckReadings(out); bad != nil {
		t.Errorf("contract: %v", bad)
	}
	if err != nil {
		for i, r := range out {
			if r.Faults == 0 {
				t.Errorf("reading %d is good although Read failed: %v", i, err)
			}
		}
	}
	return out, err
}

func allGood(out []drivers.Reading) bool {
	for _, r := range out {
		if r.Faults != 0 {
			return false
		}
	}
	return true
}

// settle reads until everything is good and fails after the rig's limit.
func (c *conform) settle(t *testing.T, dev drivers.Device) {
	t.Helper()
	var out []drivers.Reading
	for range c.rig.Settle + 1 {
		if out, _ = c.read(t.Context(), t, dev); allGood(out) {
			return
		}
		time.Sleep(c.rig.Source.Every)
	}
	for i, r := range out {
		t.Errorf("reading %d is still %v after %d periods: %v", i, r.Faults, c.rig.Settle+1, r.Cause)
	}
	t.FailNow()
}

func (c *conform) shut(t *testing.T, dev drivers.Device) {
	t.Helper()
	if err := dev.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
}

func (c *conform) converters(t *testing.T) {
	dev := c.open(t)
	defer c.shut(t, dev)
	convs := dev.Converters()
	if len(convs) != len(c.rig.Source.Inputs) {
		t.Fatalf("%d converters for %d inputs", len(convs), len(c.rig.Source.Inputs))
	}
	for i, v := range convs {
		if v.Model == "" || v.Law == 0 || v.Kind == 0 || v.Unit == "" || v.PerCode == 0 {
			t.Errorf("converter %d: model, law, kind, unit and the code's worth must be set: %+v", i, v)
		}
		switch v.Law {
		case drivers.LawFixedSlope:
			if v.SlopeVoltsPerK <= 0 || v.ColdPerCode <= 0 {
				t.Errorf("converter %d: LawFixedSlope needs slope and cold junction", i)
			}
		case drivers.LawRTD:
			if v.R0Ohms <= 0 {
				t.Errorf("converter %d: LawRTD needs R0Ohms", i)
			}
		}
		for _, l := range v.Lines {
			if l.Name == "" || l.Source == "" {
				t.Errorf("converter %d: line %q needs a name and a source", i, l.Name)
			}
		}
	}
}

func (c *conform) good(t *testing.T) {
	dev := c.open(t)
	defer c.shut(t, dev)
	c.settle(t, dev)
	convs := dev.Converters()
	for range 20 {
		time.Sleep(c.rig.Source.Every)
		out, err := c.read(t.Context(), t, dev)
		if err != nil || !allGood(out) {
			t.Fatalf("a healthy device: %v, %+v", err, out)
		}
		for i, r := range out {
			if convs[i].ColdPerCode != 0 && r.Has&drivers.HasCold == 0 {
				t.Errorf("reading %d has no cold-junction code", i)
			}
		}
	}
}

func (c *conform) unknownOption(t *testing.T) {
	src := c.rig.Source
	src.Options = Options("no_such_key: 1\n")
	if dev, err := c.d.Open(t.Context(), c.host, src); err == nil {
		c.shut(t, dev)
		t.Error("an unknown key of the source was accepted")
	}
	src = c.rig.Source
	src.Inputs = append([]drivers.Input(nil), src.Inputs...)
	src.Inputs[0].Options = Options("no_such_key: 1\n")
	if dev, err := c.d.Open(t.Context(), c.host, src); err == nil {
		c.shut(t, dev)
		t.Error("an unknown key of an input was accepted")
	}
	c.shut(t, c.open(t)) // a refusal left nothing claimed
}

func (c *conform) allocations(t *testing.T) {
	if c.rig.Allocates != "" {
		t.Log(c.rig.Allocates)
		return
	}
	dev := c.open(t)
	defer c.shut(t, dev)
	c.settle(t, dev)
	c.rig.Ports.Quiet()
	out := make([]drivers.Reading, len(c.rig.Source.Inputs))
	bad := 0
	ctx := t.Context()
	n := testing.AllocsPerRun(50, func() {
		time.Sleep(c.rig.Source.Every)
		if dev.Read(ctx, out) != nil || !allGood(out) {
			bad++
		}
	})
	if bad != 0 {
		t.Fatalf("%d reads of a healthy device failed", bad)
	}
	if n != 0 {
		t.Errorf("a good Read allocates %v times", n)
	}
}
