package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"net"
	"strconv"
	"sync"
	"testing"
	"time"

	simon "github.com/simonvetter/modbus"

	"soakrig/drivers/bus"
)

// registers is the request handler of a server that others wrote: input register n
// holds n, holding register n holds n+1000; register 500 is busy.
type registers struct {
	mu    sync.Mutex
	asked int
}

func (r *registers) values(from, count, add uint16) ([]uint16, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.asked++
	if from == 500 {
		return nil, simon.ErrServerDeviceBusy
	}
	var out []uint16
	for i := range count {
		out = append(out, from+i+add)
	}
	return out, nil
}

func (r *registers) HandleInputRegisters(q *simon.InputRegistersRequest) ([]uint16, error) {
	return r.values(q.Addr, q.Quantity, 0)
}

func (r *registers) HandleHoldingRegisters(q *simon.HoldingRegistersRequest) ([]uint16, error) {
	if q.IsWrite {
		return nil, simon.ErrIllegalFunction
	}
	return r.values(q.Addr, q.Quantity, 1000)
}

func (r *registers) HandleCoils(*simon.CoilsRequest) ([]bool, error) {
	return nil, simon.ErrIllegalFunction
}

func (r *registers) HandleDiscreteInputs(*simon.DiscreteInputsRequest) ([]bool, error) {
	return nil, simon.ErrIllegalFunction
}

// loopback reaches TCP on this machine and nothing else.
type loopback struct{ bus.Ports }

func (loopback) Dial(ctx context.Context, address string) (net.Conn, error) {
	var d net.Dialer
	return d.DialContext(ctx, "tcp", address)
}

// serveTCP starts the server of a library of others on a free loopback port.
func serveTCP(t *testing.T) (address string) {
	t.Helper()
	for range 20 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		address = l.Addr().String()
		l.Close()
		s, err := simon.NewServer(&simon.ServerConfiguration{URL: "tcp://" + address}, &registers{})
		if err != nil {
			t.Fatal(err)
		}
		if s.Start() == nil {
			t.Cleanup(func() { s.Stop() })
			return address
		}
	}
	t.Fatal("no free port in 20 attempts")
	return ""
}

// TestAgainstAnotherImplementation compares this master with a library's client and
// server, register by register.
func TestAgainstAnotherImplementation(t *testing.T) {
	address := serveTCP(t)
	m, err := Link{}.Open(bus.NewHost(loopback{}), "tcp://"+address)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	c, err := simon.NewClient(&simon.ClientConfiguration{URL: "tcp://" + address, Timeout: 5 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Open(); err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	for _, r := range []Request{
		{1, ReadInput, 0, 1}, {1, ReadHolding, 0, 125}, {9, ReadInput, 65535, 1}, {1, ReadInput, 12, 2},
	} {
		t.Run(strconv.Itoa(int(r.Address)), func(t *testing.T) {
			got := make([]byte, 2*r.Count)
			if err := m.Read(ctx, r, got); err != nil {
				t.Fatal(err)
			}
			kind := simon.INPUT_REGISTER
			if r.Function == ReadHolding {
				kind = simon.HOLDING_REGISTER
			}
			c.SetUnitId(r.Unit)
			want, err := c.ReadRegisters(r.Address, uint16(r.Count), kind)
			if err != nil {
				t.Fatal(err)
			}
			for i, w := range want {
				if g := binary.BigEndian.Uint16(got[2*i:]); g != w {
					t.Errorf("register %d: %d, the library reads %d", i, g, w)
				}
			}
		})
	}
	var e *Exception
	if err := m.Read(ctx, Request{1, ReadInput, 500, 1}, make([]byte, 2)); !errors.As(err, &e) || e.Code != 6 {
		t.Errorf("busy server: %v", err)
	}
}
