package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// serve answers requests on a connection like a good device; each value is its
// register's address. It ends with the connection.
func serve(c net.Conn, answers int, delay time.Duration) {
	defer c.Close()
	for n := 0; answers < 0 || n < answers; n++ {
		var q [12]byte
		if _, err := io.ReadFull(c, q[:]); err != nil {
			return
		}
		time.Sleep(delay) // the bubble's clock
		start, count := binary.BigEndian.Uint16(q[8:]), binary.BigEndian.Uint16(q[10:])
		out := append([]byte{q[0], q[1], 0, 0, 0, byte(3 + 2*count)}, q[6], q[7], byte(2*count))
		for i := range count {
			out = binary.BigEndian.AppendUint16(out, start+i)
		}
		if _, err := c.Write(out); err != nil {
			return
		}
	}
}

var two = Request{Unit: 1, Function: ReadInput, Address: 12, Count: 2}

func TestTCPIdleCloseIsReopenedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dials := 0
		m := NewTCP("meter", func(context.Context) (net.Conn, error) {
			dials++
			here, there := net.Pipe()
			go serve(there, 1, 0) // answers once, then closes, as servers with an idle limit do
			return here, nil
		}, time.Second)
		defer m.Close()
		for i := range 5 {
			var dst [4]byte
			if err := m.Read(t.Context(), two, dst[:]); err != nil || !bytes.Equal(dst[:], []byte{0, 12, 0, 13}) {
				t.Fatalf("read %d: % x, %v", i, dst, err)
			}
			time.Sleep(time.Second)
		}
		if dials != 5 {
			t.Errorf("%d dials for 5 reads", dials)
		}
	})
}

func TestTCPAcceptAndCloseDoesNotLoop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dials := 0
		m := NewTCP("meter", func(context.Context) (net.Conn, error) {
			dials++
			here, there := net.Pipe()
			there.Close()
			return here, nil
		}, time.Second)
		defer m.Close()
		for range 600 {
			var dst [4]byte
			err := m.Read(t.Context(), two, dst[:])
			if drivers.AnswerFaults(err) != drivers.BusError {
				t.Fatalf("%v is %v", err, drivers.AnswerFaults(err))
			}
			time.Sleep(100 * time.Millisecond)
		}
		if dials < 4 || dials > 12 {
			t.Errorf("%d dials in a minute", dials)
		}
	})
}

func TestTCPLateAnswerIsNotTheNextOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		delay := 1500 * time.Millisecond
		m := NewTCP("meter", func(context.Context) (net.Conn, error) {
			here, there := net.Pipe()
			go serve(there, -1, delay)
			return here, nil
		}, time.Second)
		defer m.Close()
		var dst [4]byte
		if err := m.Read(t.Context(), two, dst[:]); !errors.Is(err, ErrTimeout) {
			t.Fatal(err)
		}
		if err := m.Read(t.Context(), two, dst[:]); !errors.Is(err, line.ErrDown) || drivers.AnswerFaults(err) != drivers.Timeout {
			t.Errorf("during the pause: %v, %v", err, drivers.AnswerFaults(err))
		}
		delay = 0
		time.Sleep(time.Second)
		other := two
		other.Address = 40
		if err := m.Read(t.Context(), other, dst[:]); err != nil || dst[1] != 40 {
			t.Errorf("after the pause: % x, %v", dst, err)
		}
	})
}

func TestTCPCancelAndCloseEndARunningRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var there net.Conn
		m := NewTCP("meter", func(context.Context) (here net.Conn, err error) {
			here, there = net.Pipe()
			go io.Copy(io.Discard, there)
			return here, nil
		}, 10*time.Second)
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(30*time.Millisecond, cancel)
		start := time.Now()
		var dst [4]byte
		if err := m.Read(ctx, two, dst[:]); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled: %v", err)
		}
		time.Sleep(time.Second)
		time.AfterFunc(30*time.Millisecond, func() { m.Close() })
		if err := m.Read(t.Context(), two, dst[:]); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("closed: %v", err)
		}
		if d := time.Since(start); d > 1100*time.Millisecond {
			t.Errorf("took %v", d)
		}
		if err := m.Read(t.Context(), two, dst[:]); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("after Close: %v", err)
		}
		if err := m.Close(); err != nil {
			t.Errorf("second Close: %v", err)
		}
	})
}

func TestTCPGatewayExceptionFromUnit255(t *testing.T) {
	err := answer([]byte{0xFF, 0x84, 0x0B}, two, make([]byte, 4))
	var e *Exception
	if !errors.As(err, &e) || e.Code != 0x0B || !e.Passing() {
		t.Errorf("%v", err)
	}
	for _, body := range [][]byte{{1, 0x84}, {1, 0x84, 2, 2}, {1, 4}, {1, 4, 4, 0}, {1, 4, 2, 0, 0}, {1, 4, 4, 0, 0, 0, 0, 0}} {
		if err := answer(body, two, make([]byte, 4)); !errors.Is(err, ErrByteCount) {
			t.Errorf("% x: %v", body, err)
		}
	}
}

func TestRequestsThatAreNeverSent(t *testing.T) {
	m := NewTCP("meter", func(context.Context) (net.Conn, error) {
		t.Error("dialled")
		return nil, errors.New("no")
	}, time.Second)
	for _, r := range []Request{
		{Unit: 1, Function: 6, Count: 1}, {Unit: 1, Function: 16, Count: 1}, {Unit: 1, Function: 0x42, Count: 1},
		{Unit: 1, Function: ReadInput, Count: 0}, {Unit: 1, Function: ReadInput, Count: 126},
		{Unit: 1, Function: ReadInput, Address: 65535, Count: 2}, {Unit: 1, Function: ReadInput, Count: -1},
	} {
		if err := m.Read(t.Context(), r, make([]byte, max(2*r.Count, 0))); !errors.Is(err, ErrRequest) {
			t.Errorf("%+v: %v", r, err)
		}
	}
	if err := m.Read(t.Context(), two, make([]byte, 3)); !errors.Is(err, ErrRequest) {
		t.Errorf("short buffer: %v", err)
	}
}

func TestBreakerRestsASilentUnit(t *testing.T) {
	var b Breaker
	now := time.Unix(1000, 0)
	for i := range 3 {
		if err := b.Err(now); err != nil {
			t.Errorf("after %d silences: %v", i, err)
		}
		b.Note(now, ErrTimeout)
	}
	if err := b.Err(now.Add(RestTime - time.Second)); !errors.Is(err, ErrTimeout) || drivers.AnswerFaults(err) != drivers.Timeout {
		t.Errorf("resting: %v", err)
	}
	if err := b.Err(now.Add(RestTime)); err != nil {
		t.Errorf("after the rest: %v", err)
	}
	b.Note(now, &Exception{Code: 2})
	b.Note(now, ErrTimeout)
	if err := b.Err(now); err != nil {
		t.Errorf("an exception is a sign of life: %v", err)
	}
}

func FuzzAnswer(f *testing.F) {
	f.Add([]byte{1, 4, 4, 0x43, 0x46, 0xb3, 0x33})
	f.Add([]byte{1, 0x84, 2})
	f.Fuzz(func(t *testing.T, body []byte) {
		if len(body) < 2 || len(body) > tcpMaxLength {
			t.Skip()
		}
		dst := make([]byte, 4)
		if err := answer(body, two, dst); err == nil && !bytes.Equal(body[3:], dst) {
			t.Errorf("% x gave % x", body, dst)
		}
	})
}
