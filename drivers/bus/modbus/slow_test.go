package modbus

import (
	"context"
	"encoding/binary"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// slowDevice is a device that is slow throughout, in one of several ways.
type slowDevice struct {
	latency time.Duration
	queued  bool // takes one request after the other; else each is answered after latency
	deaf    bool // hears nothing while it works
	narrow  bool // gives no answer at all to a function it does not know

	mu   sync.Mutex
	busy bool
	turn chan struct{}
}

func (d *slowDevice) answer(_ int, request []byte) []step {
	if d.narrow && Function(request[1]) != ReadInput {
		return nil
	}
	d.mu.Lock()
	was := d.busy
	d.busy = true
	d.mu.Unlock()
	switch {
	case d.deaf && was:
		return nil
	case d.queued:
		d.turn <- struct{}{}
		defer func() { <-d.turn }()
	}
	time.Sleep(d.latency) // the bubble's clock
	d.mu.Lock()
	d.busy = false
	d.mu.Unlock()
	return []step{{0, meter(request)}}
}

// TestRTUSlowDevice reads two places of equal length in turn from devices that are
// slower than the time-out throughout, so that each answer could be taken for that of
// a later request. No value may be of the other place.
func TestRTUSlowDevice(t *testing.T) {
	kinds := map[string][3]bool{ // queued, deaf, narrow
		"queued": {true, false, false}, "each after its time": {}, "deaf while busy": {false, true, false},
		"queued, one function": {true, false, true}, "deaf, one function": {false, true, true},
	}
	for name, kind := range kinds {
		t.Run(name, func(t *testing.T) {
			n := 0
			for latency := 250 * time.Millisecond; latency <= 4*time.Second; latency += 167 * time.Millisecond {
				for _, period := range []time.Duration{0, 200 * time.Millisecond, 700 * time.Millisecond, time.Second} {
					synctest.Test(t, func(t *testing.T) {
						d := &slowDevice{latency: latency, queued: kind[0], deaf: kind[1], narrow: kind[2], turn: make(chan struct{}, 1)}
						readSlowDevice(t, d, period)
					})
					n++
				}
			}
			t.Logf("%d combinations of latency and period", n)
		})
	}
}

func readSlowDevice(t *testing.T, d *slowDevice, period time.Duration) {
	l := newFakeLine(d.answer)
	m := overLine(l, quick)
	defer m.Close()
	good := 0
	for i := range 40 {
		address := uint16(100 + 100*(i%2))
		var dst [4]byte
		ctx, cancel := context.WithTimeout(t.Context(), period+2*time.Second)
		err := m.Read(ctx, Request{Unit: 1, Function: ReadInput, Address: address, Count: 2}, dst[:])
		cancel()
		if err == nil {
			good++
			if got := binary.BigEndian.Uint16(dst[:]); got != address {
				t.Errorf("latency %v, period %v, read %d: register %d holds %d", d.latency, period, i, address, got)
			}
		}
		time.Sleep(period)
	}
	if d.latency < quick.Timeout && good != 40 {
		t.Errorf("%d good reads of a device that is fast enough", good)
	}
	time.Sleep(4 * time.Minute) // the device answers what is left
}

// TestRTUSlowDeviceSaysWhatToDo: the error of a device that is too slow says so, and a
// longer time-out helps.
func TestRTUSlowDeviceSaysWhatToDo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &slowDevice{latency: 700 * time.Millisecond, queued: true, turn: make(chan struct{}, 1)}
		l := newFakeLine(d.answer)
		m := overLine(l, quick)
		defer m.Close()
		req := Request{Unit: 1, Function: ReadInput, Address: 7, Count: 1}
		var dst [2]byte
		said := ""
		for range 10 {
			if err := m.Read(t.Context(), req, dst[:]); err != nil && strings.Contains(err.Error(), "set a longer timeout") {
				said = err.Error()
			}
			time.Sleep(time.Second)
		}
		if !strings.Contains(said, "time-out of 300ms") {
			t.Errorf("%q does not say that the device is too slow", said)
		}
		m.opt.Timeout = 2 * time.Second
		var err error
		for range 10 {
			err = m.Read(t.Context(), req, dst[:])
			time.Sleep(time.Second)
		}
		if err != nil || dst[1] != 7 {
			t.Errorf("with a longer time-out: %v, % x", err, dst)
		}
	})
}
