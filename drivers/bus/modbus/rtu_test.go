package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

var quick = RTUOptions{Mode: bus.SerialMode{Baud: 9600}, Timeout: 300 * time.Millisecond}

func overLine(l *fakeLine, o RTUOptions) *RTU {
	return NewRTU("line", line.New(func(context.Context) (bus.SerialPort, error) { return l, nil }), o)
}

// disturbed is one way in which a line goes wrong once, at the request number 3.
type disturbed struct {
	name   string
	echo   bool
	do     func(request, good []byte) []step
	faults drivers.Faults // of the disturbed request; 0: it succeeds
}

func disturbances() []disturbed {
	const ms = time.Millisecond
	at := func(after time.Duration, p []byte) []step { return []step{{after, p}} }
	edit := func(p []byte, f func([]byte)) []byte {
		p = bytes.Clone(p)
		f(p)
		return withCRC(p[:len(p)-2])
	}
	return []disturbed{
		{"clean", false, func(_, g []byte) []step { return at(20*ms, g) }, 0},
		{"silence", false, func(_, _ []byte) []step { return nil }, drivers.Timeout},
		{"late inside the quarantine", false, func(_, g []byte) []step { return at(350*ms, g) }, drivers.Timeout},
		{"late after the quarantine", false, func(_, g []byte) []step { return at(780*ms, g) }, drivers.Timeout},
		{"late into the next request", false, func(_, g []byte) []step { return at(1005*ms, g) }, drivers.Timeout},
		{"half, rest into the next request", false, func(_, g []byte) []step { return []step{{20 * ms, g[:5]}, {985 * ms, g[5:]}} }, drivers.Timeout},
		{"late exception", false, func(_, _ []byte) []step { return at(350*ms, withCRC([]byte{1, 0x84, 6})) }, drivers.Timeout},
		{"exception into the next request", false, func(_, _ []byte) []step { return at(1005*ms, withCRC([]byte{1, 0x84, 2})) }, drivers.Timeout},
		{"late, then twice", false, func(_, g []byte) []step { return []step{{350 * ms, g}, {655 * ms, g}} }, drivers.Timeout},
		{"twice, a gap apart", false, func(_, g []byte) []step { return []step{{20 * ms, g}, {130 * ms, g}} }, 0},
		{"twice, half a second apart", false, func(_, g []byte) []step { return []step{{20 * ms, g}, {500 * ms, g}} }, 0},
		{"half of the next one's length", false, func(_, g []byte) []step { return at(20*ms, withCRC(append([]byte{1, 4, 2}, g[3:5]...))) }, drivers.Corrupt},
		{"all zeros", false, func(_, g []byte) []step { return at(20*ms, make([]byte, len(g))) }, drivers.Corrupt},
		{"all ones", false, func(_, g []byte) []step { return at(20*ms, bytes.Repeat([]byte{0xFF}, len(g))) }, drivers.Corrupt},
		{"half", false, func(_, g []byte) []step { return at(20*ms, g[:5]) }, drivers.Timeout},
		{"half, rest late", false, func(_, g []byte) []step { return []step{{20 * ms, g[:5]}, {400 * ms, g[5:]}} }, drivers.Timeout},
		{"in five pieces", false, func(_, g []byte) []step {
			return []step{{5 * ms, g[:1]}, {16 * ms, g[1:3]}, {16 * ms, g[3:4]}, {16 * ms, g[4:7]}, {16 * ms, g[7:]}}
		}, 0},
		{"trailing byte", false, func(_, g []byte) []step { return at(20*ms, append(bytes.Clone(g), 0x55)) }, 0},
		{"twice, glued", false, func(_, g []byte) []step { return at(20*ms, append(bytes.Clone(g), g...)) }, drivers.Corrupt},
		{"twice, apart", false, func(_, g []byte) []step { return []step{{20 * ms, g}, {50 * ms, g}} }, drivers.Corrupt},
		{"leading zero", false, func(_, g []byte) []step { return at(20*ms, append([]byte{0}, g...)) }, drivers.Corrupt},
		{"wrong CRC", false, func(_, g []byte) []step {
			g = bytes.Clone(g)
			g[len(g)-1] ^= 0xFF
			return at(20*ms, g)
		}, drivers.Corrupt},
		{"flipped data bit", false, func(_, g []byte) []step {
			g = bytes.Clone(g)
			g[4] ^= 0x10
			return at(20*ms, g)
		}, drivers.Corrupt},
		{"wrong unit", false, func(_, g []byte) []step { return at(20*ms, edit(g, func(p []byte) { p[0] = 2 })) }, drivers.Corrupt},
		{"wrong function", false, func(_, g []byte) []step { return at(20*ms, edit(g, func(p []byte) { p[1] = 3 })) }, drivers.Corrupt},
		{"wrong byte count", false, func(_, g []byte) []step { return at(20*ms, edit(g, func(p []byte) { p[2] = 2 })) }, drivers.Corrupt},
		{"exception", false, func(_, _ []byte) []step { return at(20*ms, withCRC([]byte{1, 0x84, 6})) }, drivers.DeviceError},
		{"exception of another function", false, func(_, _ []byte) []step { return at(20*ms, withCRC([]byte{1, 0x83, 2})) }, drivers.Corrupt},
		{"half exception", false, func(_, _ []byte) []step { return at(20*ms, []byte{1, 0x84, 2}) }, drivers.Timeout},
		{"echo without the option", false, func(r, g []byte) []step { return []step{{5 * ms, r}, {20 * ms, g}} }, drivers.Corrupt},
		{"echo", true, func(r, g []byte) []step { return []step{{5 * ms, r}, {20 * ms, g}} }, 0},
		{"echo glued to the answer", true, func(r, g []byte) []step { return at(20*ms, append(bytes.Clone(r), g...)) }, 0},
		{"echo only", true, func(r, _ []byte) []step { return at(20*ms, r) }, drivers.Timeout},
		{"echo damaged", true, func(r, g []byte) []step {
			r = bytes.Clone(r)
			r[3] ^= 1
			return []step{{5 * ms, r}, {20 * ms, g}}
		}, drivers.Corrupt},
	}
}

// TestRTUNeverTakesAWrongNumber reads two places of equal length in turn over a line
// that goes wrong once. Whatever happens, no value may belong to the other place, and
// the line must be good again within four periods.
func TestRTUNeverTakesAWrongNumber(t *testing.T) {
	for _, c := range disturbances() {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newFakeLine(func(n int, request []byte) []step {
					good := meter(request)
					if n == 3 {
						return c.do(request, good)
					}
					if c.echo {
						return []step{{5 * time.Millisecond, request}, {20 * time.Millisecond, good}}
					}
					return []step{{20 * time.Millisecond, good}}
				})
				o := quick
				o.Echo = c.echo
				m := overLine(l, o)
				defer m.Close()
				lastBad := -1
				for i := range 12 {
					address := uint16(100 + 100*(i%2))
					var dst [4]byte
					ctx, cancel := context.WithTimeout(t.Context(), time.Second)
					err := m.Read(ctx, Request{Unit: 1, Function: ReadInput, Address: address, Count: 2}, dst[:])
					<-ctx.Done() // the period's end
					cancel()
					if got := binary.BigEndian.Uint16(dst[:]); err == nil && got != address {
						t.Fatalf("read %d: register %d was taken for %d", i, got, address)
					}
					if err != nil {
						lastBad = i
					}
					if i == 3 && drivers.AnswerFaults(err) != c.faults {
						t.Errorf("the disturbed read is %v (%v), want %v", drivers.AnswerFaults(err), err, c.faults)
					}
					if i < 3 && err != nil {
						t.Errorf("read %d: %v", i, err)
					}
				}
				if lastBad > 7 {
					t.Errorf("still failing at read %d", lastBad)
				}
			})
		})
	}
}

func TestRTUAlwaysLateMeterNeverGivesAValue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newFakeLine(func(_ int, request []byte) []step {
			return []step{{350 * time.Millisecond, meter(request)}}
		})
		m := overLine(l, quick)
		defer m.Close()
		for i := range 20 {
			var dst [4]byte
			address := uint16(100 + 100*(i%2))
			err := m.Read(t.Context(), Request{Unit: 1, Function: ReadInput, Address: address, Count: 2}, dst[:])
			if err == nil && binary.BigEndian.Uint16(dst[:]) != address {
				t.Fatalf("read %d: wrong register %d for %d", i, binary.BigEndian.Uint16(dst[:]), address)
			}
			if err == nil {
				t.Fatalf("read %d: a value although the answer comes after the time-out", i)
			}
		}
		time.Sleep(time.Second) // the last answer
	})
}

func TestRTUCancelEndsAtOnceAndLineStaysUsable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newFakeLine(func(n int, request []byte) []step {
			if n == 0 {
				return nil
			}
			return []step{{10 * time.Millisecond, meter(request)}}
		})
		o := quick
		o.Timeout = 10 * time.Second
		m := overLine(l, o)
		defer m.Close()
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(450*time.Millisecond, cancel) // the line is listened to for 400 ms at first
		start := time.Now()
		var dst [2]byte
		req := Request{Unit: 1, Function: ReadInput, Address: 7, Count: 1}
		if err := m.Read(ctx, req, dst[:]); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled read: %v", err)
		}
		if d := time.Since(start); d != 450*time.Millisecond {
			t.Errorf("cancelling took %v", d)
		}
		if err := m.Read(t.Context(), req, dst[:]); err != nil || dst != [2]byte{0, 7} {
			t.Errorf("next read: %v, % x", err, dst)
		}
	})
}

func TestRTUHangUpBacksOffAndReopens(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		answering := func(_ int, request []byte) []step { return []step{{time.Millisecond, meter(request)}} }
		l, opens, gone := newFakeLine(answering), 0, false
		m := NewRTU("tty", line.New(func(context.Context) (bus.SerialPort, error) {
			opens++
			if gone {
				return nil, errors.New("no such device")
			}
			return l, nil
		}), quick)
		defer m.Close()
		var dst [2]byte
		req := Request{Unit: 1, Function: ReadHolding, Address: 7, Count: 1}
		if err := m.Read(t.Context(), req, dst[:]); err != nil {
			t.Fatal(err)
		}
		l.lose(io.EOF)
		gone = true
		for range 600 { // ten minutes at ten reads a second would be a tight loop
			if err := m.Read(t.Context(), req, dst[:]); drivers.AnswerFaults(err) != drivers.BusError {
				t.Fatalf("%v is %v", err, drivers.AnswerFaults(err))
			}
			time.Sleep(100 * time.Millisecond)
		}
		if opens < 4 || opens > 12 {
			t.Errorf("%d attempts in a minute", opens)
		}
		gone, l = false, newFakeLine(answering)
		start := time.Now()
		for m.Read(t.Context(), req, dst[:]) != nil {
			time.Sleep(100 * time.Millisecond)
		}
		if d := time.Since(start); d > 75*time.Second {
			t.Errorf("came back after %v", d)
		}
	})
}

func TestRTUBabbleAndClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newFakeLine(func(int, []byte) []step { return nil })
		m := overLine(l, quick)
		stop := make(chan struct{})
		go func() {
			for {
				select {
				case <-stop:
					return
				case <-time.After(time.Millisecond):
					l.receive(make([]byte, 64))
				}
			}
		}()
		var dst [2]byte
		req := Request{Unit: 1, Function: ReadHolding, Count: 1}
		if err := m.Read(t.Context(), req, dst[:]); !errors.Is(err, line.ErrBabble) || drivers.AnswerFaults(err) != drivers.Corrupt {
			t.Errorf("babbling line: %v", err)
		}
		close(stop)
		m.Close()
		m.Close()
		if err := m.Read(t.Context(), req, dst[:]); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("after Close: %v", err)
		}
	})
}

func TestRTUKeepsTheGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var at []time.Time
		l := newFakeLine(func(_ int, request []byte) []step {
			at = append(at, time.Now())
			return []step{{0, meter(request)}}
		})
		m := overLine(l, quick)
		defer m.Close()
		var dst [2]byte
		for range 5 {
			if err := m.Read(t.Context(), Request{Unit: 1, Function: ReadHolding, Count: 1}, dst[:]); err != nil {
				t.Fatal(err)
			}
		}
		for i := 2; i < len(at); i++ { // the first answer after opening is listened after for longer
			if d := at[i].Sub(at[i-1]); d < 100*time.Millisecond || d > 110*time.Millisecond {
				t.Errorf("request %d came %v after the one before, want the gap of 100 ms", i, d)
			}
		}
	})
}

// TestExceptionsOfEveryCode: an exception is a refusal with its code, whatever it is,
// and leaves the line in step; one with another function or a wrong CRC is none.
func TestExceptionsOfEveryCode(t *testing.T) {
	for code := range 256 {
		synctest.Test(t, func(t *testing.T) {
			l := newFakeLine(func(n int, request []byte) []step {
				if n%2 == 0 {
					return []step{{5 * time.Millisecond, withCRC([]byte{request[0], request[1] | 0x80, byte(code)})}}
				}
				return []step{{5 * time.Millisecond, meter(request)}}
			})
			m := overLine(l, quick)
			defer m.Close()
			var dst [4]byte
			req := Request{Unit: 1, Function: ReadInput, Address: 100, Count: 2}
			err := m.Read(t.Context(), req, dst[:])
			var e *Exception
			if !errors.As(err, &e) || int(e.Code) != code || drivers.AnswerFaults(err) != drivers.DeviceError {
				t.Errorf("code %d: %v", code, err)
			}
			start := time.Now()
			if err := m.Read(t.Context(), req, dst[:]); err != nil || dst[1] != 100 || time.Since(start) > time.Second/2 {
				t.Errorf("after code %d: %v, % x, %v", code, err, dst, time.Since(start))
			}
		})
	}
}
