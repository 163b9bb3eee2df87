package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// serialPorts is a host's ports with one serial line.
type serialPorts struct {
	*drivertest.Ports
	line  *fakeLine
	opens int
}

func (p *serialPorts) Serial(string, bus.SerialMode) (bus.SerialPort, error) {
	p.opens++
	return p.line, nil
}

func shared(t *testing.T, peer func(n int, request []byte) []step) (*bus.Host, *serialPorts) {
	t.Helper()
	p := &serialPorts{Ports: drivertest.NewPorts(), line: newFakeLine(peer)}
	h := bus.NewHost(p)
	t.Cleanup(func() { h.Close() })
	return h, p
}

// TestTwoSourcesTakeTurns reads two units on one line from two sources at the same
// time: one opening of the port, one exchange at a time, and never a wrong number.
func TestTwoSourcesTakeTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		busy := false
		h, p := shared(t, func(_ int, request []byte) []step {
			mu.Lock()
			if busy {
				t.Error("a request went out while another one was open")
			}
			busy = true
			mu.Unlock()
			time.Sleep(30 * time.Millisecond) // the bubble's clock
			mu.Lock()
			busy = false
			mu.Unlock()
			return []step{{0, meter(request)}}
		})
		var wg sync.WaitGroup
		var masters []Master
		for _, source := range []string{"wall", "room"} {
			m, err := Link{Source: source, Timeout: 300 * time.Millisecond}.Open(h, "/dev/ttyUSB0")
			if err != nil {
				t.Fatal(err)
			}
			masters = append(masters, m)
		}
		for i, m := range masters {
			wg.Go(func() {
				address := uint16(100 + 100*i)
				for range 20 {
					var dst [4]byte
					err := m.Read(t.Context(), Request{Unit: uint8(i + 1), Function: ReadInput, Address: address, Count: 2}, dst[:])
					if err != nil || binary.BigEndian.Uint16(dst[:]) != address {
						t.Errorf("unit %d: % x, %v", i+1, dst, err)
					}
				}
			})
		}
		wg.Wait()
		if p.opens != 1 {
			t.Errorf("the line was opened %d times", p.opens)
		}
		masters[0].Close()
		masters[0].Close()
		var dst [4]byte
		req := Request{Unit: 1, Function: ReadInput, Address: 100, Count: 2}
		if err := masters[0].Read(t.Context(), req, dst[:]); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("a source that was closed: %v", err)
		}
		req.Unit = 2
		if err := masters[1].Read(t.Context(), req, dst[:]); err != nil {
			t.Errorf("the other source: %v", err)
		}
		masters[1].Close()
		if _, err := (Link{Baud: 2400}).Open(h, "/dev/ttyUSB0"); err != nil {
			t.Errorf("after both have left: %v", err)
		}
	})
}

// TestSilentUnitRests: the unit of one source that is off costs the other source a
// time-out each 30 s at most.
func TestSilentUnitRests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, _ := shared(t, func(_ int, request []byte) []step {
			if request[0] == 2 {
				return nil
			}
			return []step{{20 * time.Millisecond, meter(request)}}
		})
		open := func(source string) Master {
			m, err := Link{Source: source, Timeout: 300 * time.Millisecond}.Open(h, "/dev/ttyUSB0")
			if err != nil {
				t.Fatal(err)
			}
			return m
		}
		wall, off := open("wall"), open("off")
		defer wall.Close()
		defer off.Close()
		resting, slow := 0, 0
		for range 100 {
			var dst [4]byte
			err := off.Read(t.Context(), Request{Unit: 2, Function: ReadInput, Address: 1, Count: 2}, dst[:])
			if drivers.AnswerFaults(err) != drivers.Timeout {
				t.Fatalf("a silent unit: %v", err)
			}
			if strings.Contains(err.Error(), "asked again in") {
				resting++
			}
			start := time.Now()
			if err := wall.Read(t.Context(), Request{Unit: 1, Function: ReadInput, Address: 1, Count: 2}, dst[:]); err != nil {
				t.Errorf("the good unit: %v", err)
			}
			if time.Since(start) > 300*time.Millisecond {
				slow++
			}
			time.Sleep(time.Second)
		}
		if resting < 80 || slow > 12 {
			t.Errorf("%d of 100 reads spared, %d of the other source's slowed down", resting, slow)
		}
	})
}

// TestOneSourceClosesWhileItReads: Close ends its Read at once and nobody else's.
func TestOneSourceClosesWhileItReads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, _ := shared(t, func(_ int, request []byte) []step {
			if request[0] == 2 {
				return nil
			}
			return []step{{20 * time.Millisecond, meter(request)}}
		})
		wall, err := Link{Source: "wall"}.Open(h, "/dev/ttyUSB0")
		if err != nil {
			t.Fatal(err)
		}
		gone, err := Link{Source: "gone"}.Open(h, "/dev/ttyUSB0")
		if err != nil {
			t.Fatal(err)
		}
		defer wall.Close()
		start := time.Now()
		time.AfterFunc(600*time.Millisecond, func() { gone.Close() })
		var dst [4]byte
		if err := gone.Read(t.Context(), Request{Unit: 2, Function: ReadInput, Count: 2}, dst[:]); !errors.Is(err, bus.ErrClosed) || time.Since(start) != 600*time.Millisecond {
			t.Errorf("after %v: %v", time.Since(start), err)
		}
		if err := wall.Read(t.Context(), Request{Unit: 1, Function: ReadInput, Count: 2}, dst[:]); err != nil {
			t.Error(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := wall.Read(ctx, Request{Unit: 1, Function: ReadInput, Count: 2}, dst[:]); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled: %v", err)
		}
	})
}

func TestLinesThatDoNotGoTogether(t *testing.T) {
	h, _ := shared(t, nil)
	if _, err := (Link{Source: "wall", Baud: 9600}).Open(h, "/dev/ttyUSB0"); err != nil {
		t.Fatal(err)
	}
	for _, l := range []Link{{Baud: 2400}, {Baud: 9600, Parity: "E"}, {Baud: 9600, Echo: true}} {
		var bad *LinkError
		if _, err := l.Open(h, "/dev/ttyUSB0"); !errors.As(err, &bad) || bad.Key != "port" || !strings.Contains(bad.Text, "source wall") {
			t.Errorf("%+v: %v", l, err)
		}
	}
	if _, err := (Link{Framing: "rtu"}).Open(h, "tcp://gateway:4001"); err != nil {
		t.Fatal(err)
	}
	if _, err := (Link{}).Open(h, "gateway:4001"); err == nil {
		t.Error("raw frames and Modbus TCP at one address")
	}
}
