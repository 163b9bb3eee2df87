package line

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers/bus"
)

func TestAddresses(t *testing.T) {
	for port, want := range map[string]string{
		"tcp://10.0.0.7": "10.0.0.7:502", "tcp://10.0.0.7:1502": "10.0.0.7:1502", "meter:5020": "meter:5020",
		"meter": "meter:502", "tcp://[fe80::1]": "[fe80::1]:502", "[fe80::1]:502": "[fe80::1]:502", "fe80::1": "[fe80::1]:502",
	} {
		if got, err := Address(port, 502); err != nil || got != want {
			t.Errorf("%s: %s, %v; want %s", port, got, err, want)
		}
	}
	for _, port := range []string{"", "tcp://", ":502", "meter:", "meter:0", "meter:x", "ttyUSB0", "SPI0.0", "GPIO17", "a b", "http://meter/"} {
		if got, err := Address(port, 502); err == nil {
			t.Errorf("%q: accepted as %s", port, got)
		}
	}
}

// pipe returns a line and the far end of its first stream.
func pipe() (*Line, net.Conn) {
	here, far := net.Pipe()
	return New(func(context.Context) (bus.SerialPort, error) { return socket{here}, nil }), far
}

func TestReadsWritesAndDrains(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, far := pipe()
		defer l.Close()
		if fresh, err := l.Begin(t.Context()); err != nil || !fresh {
			t.Fatal(fresh, err)
		}
		go far.Write([]byte("left over"))
		synctest.Wait()
		if n, err := l.Drain(); n != 9 || err != nil {
			t.Errorf("drained %d, %v", n, err)
		}
		go func() {
			var q [4]byte
			io.ReadFull(far, q[:])
			far.Write(q[:2])
			time.Sleep(100 * time.Millisecond) // the bubble's clock
			far.Write(q[2:])
		}()
		if err := l.Write([]byte("ping")); err != nil {
			t.Error(err)
		}
		var p [4]byte
		if n, err := l.ReadFull(p[:], time.Now().Add(time.Second)); n != 4 || err != nil || string(p[:]) != "ping" {
			t.Errorf("%d, %v, %q", n, err, p)
		}
		if n, err := l.ReadFull(p[:], time.Now().Add(time.Second)); n != 0 || !IsExpired(err) {
			t.Errorf("%d, %v", n, err)
		}
		l.End()
		if fresh, err := l.Begin(t.Context()); err != nil || fresh {
			t.Errorf("second Begin: %v, %v", fresh, err)
		}
		l.End()
	})
}

func TestSilenceCountsAndWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, far := pipe()
		defer l.Close()
		if _, err := l.Begin(t.Context()); err != nil {
			t.Fatal(err)
		}
		defer l.End()
		start := time.Now()
		time.AfterFunc(300*time.Millisecond, func() { far.Write([]byte("late")) })
		got, last, err := l.Silence(start, 400*time.Millisecond)
		if got != 4 || err != nil || last.Sub(start) != 300*time.Millisecond || time.Since(start) != 700*time.Millisecond {
			t.Errorf("%d bytes, the last after %v, waited %v, %v", got, last.Sub(start), time.Since(start), err)
		}
		stop := make(chan struct{})
		go func() {
			for {
				select {
				case <-stop:
					return
				default:
					if _, err := far.Write(make([]byte, 200)); err != nil {
						return
					}
				}
			}
		}()
		if _, _, err := l.Silence(time.Now(), time.Hour); !errors.Is(err, ErrBabble) {
			t.Errorf("a babbling line: %v", err)
		}
		if _, err := l.Drain(); !errors.Is(err, ErrBabble) {
			t.Errorf("a babbling line, drained: %v", err)
		}
		close(stop)
		l.Close()
	})
}

func TestCancelEndsACallAndLeavesTheLineUsable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, far := pipe()
		defer l.Close()
		ctx, cancel := context.WithCancel(t.Context())
		if _, err := l.Begin(ctx); err != nil {
			t.Fatal(err)
		}
		time.AfterFunc(time.Second, cancel)
		var p [1]byte
		if _, err := l.ReadSome(p[:], time.Now().Add(time.Hour)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("cancelled: %v", err)
		}
		for _, call := range []func() error{
			func() error { _, err := l.ReadSome(p[:], time.Now().Add(time.Hour)); return err },
			func() error { _, _, err := l.Silence(time.Now(), time.Second); return err },
			func() error { return l.Write(p[:]) },
			func() error { _, err := l.Drain(); return err },
		} {
			if err := call(); !errors.Is(err, context.Canceled) {
				t.Errorf("after the end of its context: %v", err)
			}
		}
		l.End()
		if _, err := l.Begin(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("Begin: %v", err)
		}
		if fresh, err := l.Begin(t.Context()); fresh || err != nil {
			t.Errorf("Begin: %v, %v", fresh, err)
		}
		go far.Write([]byte{7})
		if _, err := l.ReadSome(p[:], time.Now().Add(time.Hour)); err != nil || p[0] != 7 {
			t.Errorf("%v, %v", p, err)
		}
		l.End()
	})
}

func TestLostStreamsComeBackSlowly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		opens := 0
		l := New(func(context.Context) (bus.SerialPort, error) {
			opens++
			here, far := net.Pipe()
			far.Close()
			return socket{here}, nil
		})
		var p [1]byte
		for range 600 {
			if _, err := l.Begin(t.Context()); err == nil {
				_, err := l.ReadSome(p[:], time.Now().Add(time.Second))
				if err == nil || IsExpired(err) {
					t.Fatalf("a hung-up stream: %v", err)
				}
				l.Drop(err)
				if _, err := l.ReadSome(p[:], time.Now().Add(time.Second)); !errors.Is(err, ErrDown) {
					t.Errorf("after Drop: %v", err)
				}
				l.End()
			} else if !errors.Is(err, ErrDown) || !errors.Is(err, io.ErrClosedPipe) {
				t.Fatalf("during the pause: %v", err)
			}
			time.Sleep(100 * time.Millisecond) // the bubble's clock
		}
		if opens < 4 || opens > 12 {
			t.Errorf("%d attempts in a minute", opens)
		}
		l.Good()
		if _, err := l.Begin(t.Context()); err != nil {
			t.Errorf("after Good: %v", err)
		}
		l.End()
		l.Close()
		l.Close()
		if _, err := l.Begin(t.Context()); !errors.Is(err, bus.ErrClosed) || !l.Closed() {
			t.Errorf("after Close: %v", err)
		}
	})
}

func TestBackoffIsCappedAndVaries(t *testing.T) {
	var b Backoff
	now := time.Unix(1000, 0)
	for i := range 200 {
		b.Fail(now, io.EOF)
		pause := b.until.Sub(now)
		want := maxPause
		if i < 7 {
			want = min(firstPause<<i, maxPause)
		}
		if pause < want*3/4 || pause > want*5/4 {
			t.Fatalf("failure %d: a pause of %v, want about %v", i, pause, want)
		}
	}
}
