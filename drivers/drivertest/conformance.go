package drivertest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"syscall"
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

// errGarbage is in every reading before Read is called: Read must replace it.
var errGarbage = errors.New("left over from before")

const garbageCode = math.MinInt64 + 77

func garbage(out []drivers.Reading) {
	for i := range out {
		out[i] = drivers.Reading{Faults: math.MaxUint32, Has: 0xFF, Code: garbageCode, Cold: garbageCode,
			Chip: garbageCode, Age: -time.Hour, Cause: errGarbage}
	}
}

// CheckReadings returns an error if a reading breaks the contract: a fault without
// cause or a cause without fault, a code that is absent and not zero, something
// left over from before, a reading that is neither good nor at fault.
func CheckReadings(out []drivers.Reading) error {
	known := drivers.Faults(1)<<len(drivers.FaultNames()) - 1
	for i, r := range out {
		switch {
		case r.Faults&^known != 0:
			return fmt.Errorf("reading %d: faults %#x outside the closed set, or not set", i, uint32(r.Faults))
		case errors.Is(r.Cause, errGarbage):
			return fmt.Errorf("reading %d: Cause was not set", i)
		case r.Faults != 0 && r.Cause == nil:
			return fmt.Errorf("reading %d: %v without a cause", i, r.Faults)
		case r.Faults == 0 && r.Cause != nil:
			return fmt.Errorf("reading %d: cause %q without a fault", i, r.Cause)
		case r.Faults == 0 && r.Has&drivers.HasCode == 0:
			return fmt.Errorf("reading %d: neither a code nor a fault", i)
		case r.Has&^(drivers.HasCode|drivers.HasCold|drivers.HasChip) != 0:
			return fmt.Errorf("reading %d: Has was not set", i)
		case r.Has&drivers.HasCode == 0 && r.Code != 0,
			r.Has&drivers.HasCold == 0 && r.Cold != 0,
			r.Has&drivers.HasChip == 0 && r.Chip != 0:
			return fmt.Errorf("reading %d: a code that is absent and not zero: %+v", i, r)
		case r.Code == garbageCode || r.Cold == garbageCode || r.Chip == garbageCode:
			return fmt.Errorf("reading %d: a code was not set", i)
		case r.Age < 0:
			return fmt.Errorf("reading %d: age %v", i, r.Age)
		}
	}
	return nil
}

// Conformance checks a driver against the contract of package drivers. build
// makes a fresh healthy rig for each part; it runs in a synctest bubble, so that
// time is fake and a goroutine that outlives the host fails the test.
func Conformance(t *testing.T, d *drivers.Driver, build func(t *testing.T) *Rig) {
	t.Helper()
	t.Run("info", func(t *testing.T) { checkInfo(t, d) })
	parts := []struct {
		name string
		run  func(*conform, *testing.T)
	}{
		{"converters", (*conform).converters},
		{"good", (*conform).good},
		{"unknown option", (*conform).unknownOption},
		{"close", (*conform).closeTwice},
		{"cancelled", (*conform).cancelled},
		{"cancel in mid-read", (*conform).cancelMid},
		{"deadline", (*conform).deadline},
		{"every transfer fails", (*conform).allFail},
		{"one transfer fails", (*conform).oneFails},
		{"close while reading", (*conform).closeWhileReading},
		{"allocations", (*conform).allocations},
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
				part.run(c, t)
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

func (c *conform) closeTwice(t *testing.T) {
	dev := c.open(t)
	c.settle(t, dev)
	c.shut(t, dev)
	c.shut(t, dev)
	out, err := c.read(t.Context(), t, dev)
	if !errors.Is(err, bus.ErrClosed) {
		t.Errorf("Read after Close returned %v, want bus.ErrClosed", err)
	}
	for i, r := range out {
		if r.Faults == 0 {
			t.Errorf("reading %d is good after Close", i)
		}
	}
	dev = c.open(t) // everything was given back
	c.settle(t, dev)
	c.shut(t, dev)
}

func (c *conform) cancelled(t *testing.T) {
	dev := c.open(t)
	defer c.shut(t, dev)
	c.settle(t, dev)
	time.Sleep(c.rig.Source.Every)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := c.read(ctx, t, dev); !errors.Is(err, context.Canceled) {
		t.Errorf("Read with a cancelled context returned %v", err)
	}
	time.Sleep(c.rig.Source.Every)
	c.settle(t, dev)
}

func (c *conform) cancelMid(t *testing.T) {
	if c.rig.NoBus != "" {
		t.Log(c.rig.NoBus)
		return
	}
	dev := c.open(t)
	c.settle(t, dev)
	time.Sleep(c.rig.Source.Every)
	c.rig.Ports.Delay(time.Second)
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(10*time.Millisecond, cancel)
	began := time.Now()
	_, err := c.read(ctx, t, dev)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("Read cancelled in the middle of a slow transfer returned %v", err)
	}
	if took := time.Since(began); took > 500*time.Millisecond {
		t.Errorf("Read came back %v after the cancellation", took)
	}
	c.rig.Ports.Delay(0)
	time.Sleep(2 * time.Second)
	c.settle(t, dev)
	c.shut(t, dev)
}

func (c *conform) deadline(t *testing.T) {
	if c.rig.NoBus != "" {
		t.Log(c.rig.NoBus)
		return
	}
	dev := c.open(t)
	c.settle(t, dev)
	time.Sleep(c.rig.Source.Every)
	c.rig.Ports.Delay(time.Second)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	out, err := c.read(ctx, t, dev)
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Read past its deadline returned %v", err)
	}
	for i, r := range out {
		if r.Faults&drivers.Timeout == 0 {
			t.Errorf("reading %d is %v, want timeout", i, r.Faults)
		}
	}
	c.rig.Ports.Delay(0)
	time.Sleep(2 * time.Second)
	c.settle(t, dev)
	c.shut(t, dev)
}

func (c *conform) allFail(t *testing.T) {
	if c.rig.NoBus != "" {
		t.Log(c.rig.NoBus)
		return
	}
	dev := c.open(t)
	defer c.shut(t, dev)
	c.settle(t, dev)
	c.rig.Ports.Fail(syscall.EIO)
	for range 5 {
		time.Sleep(c.rig.Source.Every)
		out, _ := c.read(t.Context(), t, dev)
		for i, r := range out {
			if r.Faults&drivers.BusError == 0 || !errors.Is(r.Cause, syscall.EIO) {
				t.Errorf("reading %d of a dead bus is %v (%v), want bus_error with its errno", i, r.Faults, r.Cause)
			}
		}
	}
	c.rig.Ports.Fail(nil)
	time.Sleep(c.rig.Source.Every)
	c.settle(t, dev)
}

// oneFails fails each transfer of one period in turn.
func (c *conform) oneFails(t *testing.T) {
	if c.rig.NoBus != "" {
		t.Log(c.rig.NoBus)
		return
	}
	dev := c.open(t)
	defer c.shut(t, dev)
	c.settle(t, dev)
	time.Sleep(c.rig.Source.Every)
	before := c.rig.Ports.Count()
	c.settle(t, dev)
	perRead := c.rig.Ports.Count() - before
	for n := 1; n <= perRead; n++ {
		time.Sleep(c.rig.Source.Every)
		c.rig.Ports.FailAt(n, syscall.EIO)
		out, _ := c.read(t.Context(), t, dev)
		if allGood(out) {
			t.Errorf("transfer %d of %d failed and every reading is good", n, perRead)
		}
		time.Sleep(c.rig.Source.Every)
		c.settle(t, dev)
	}
}

func (c *conform) closeWhileReading(t *testing.T) {
	dev := c.open(t)
	c.settle(t, dev)
	time.Sleep(c.rig.Source.Every)
	c.rig.Ports.Delay(100 * time.Millisecond)
	done := make(chan struct{})
	go func() {
		defer close(done)
		c.read(t.Context(), t, dev)
	}()
	time.Sleep(10 * time.Millisecond)
	c.shut(t, dev)
	<-done
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
