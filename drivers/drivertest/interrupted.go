package drivertest

import (
	"context"
	"errors"
	"syscall"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

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

// whileSlow calls read while every transfer takes a second; the device must be whole
// once they are quick again.
func (c *conform) whileSlow(t *testing.T, read func(drivers.Device)) {
	dev := c.open(t)
	c.settle(t, dev)
	time.Sleep(c.rig.Source.Every)
	c.rig.Ports.Delay(time.Second)
	read(dev)
	c.rig.Ports.Delay(0)
	time.Sleep(2 * time.Second)
	c.settle(t, dev)
	c.shut(t, dev)
}

func (c *conform) cancelMid(t *testing.T) {
	c.whileSlow(t, func(dev drivers.Device) {
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
	})
}

func (c *conform) deadline(t *testing.T) {
	c.whileSlow(t, func(dev drivers.Device) {
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
	})
}

func (c *conform) allFail(t *testing.T) {
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
