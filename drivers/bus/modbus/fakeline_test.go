package modbus

import (
	"encoding/binary"
	"errors"
	"os"
	"sync"
	"time"

	"soakrig/drivers/bus"
)

// step is what a peer sends, and when, counted from the step before.
type step struct {
	after time.Duration
	data  []byte
}

// fakeLine is a serial line in memory with a peer at its other end. Run it in a synctest
// bubble: its times are the bubble's.
type fakeLine struct {
	peer func(n int, request []byte) []step // called for the n-th request, from 0

	mu       sync.Mutex
	n        int
	rx       []byte
	more     chan struct{} // closed and replaced when anything below changes
	deadline time.Time
	lost     error
	sent     [][]byte
}

var _ bus.SerialPort = (*fakeLine)(nil)

func newFakeLine(peer func(n int, request []byte) []step) *fakeLine {
	return &fakeLine{peer: peer, more: make(chan struct{})}
}

func (l *fakeLine) change(f func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f()
	close(l.more)
	l.more = make(chan struct{})
}

// receive puts bytes on the line, as the peer does.
func (l *fakeLine) receive(p []byte) { l.change(func() { l.rx = append(l.rx, p...) }) }

// lose makes the line fail from now on.
func (l *fakeLine) lose(err error) { l.change(func() { l.lost = err }) }

func (l *fakeLine) Read(p []byte) (int, error) {
	for {
		l.mu.Lock()
		n, wait, lost, more := 0, time.Duration(-1), l.lost, l.more
		if len(l.rx) > 0 {
			n = copy(p, l.rx)
		}
		if !l.deadline.IsZero() {
			wait = max(time.Until(l.deadline), 0)
		}
		if wait != 0 {
			l.rx = l.rx[n:] // an expired deadline wins over waiting bytes, as on a tty
		}
		l.mu.Unlock()
		switch {
		case lost != nil:
			return 0, lost
		case wait == 0:
			return 0, os.ErrDeadlineExceeded
		case n > 0:
			return n, nil
		case wait < 0:
			<-more
			continue
		}
		t := time.NewTimer(wait)
		select {
		case <-more:
		case <-t.C:
		}
		t.Stop()
	}
}

func (l *fakeLine) Write(p []byte) (int, error) {
	request := append([]byte(nil), p...)
	l.mu.Lock()
	n, lost := l.n, l.lost
	l.n++
	l.sent = append(l.sent, request)
	l.mu.Unlock()
	if lost != nil {
		return 0, lost
	}
	go func() {
		for _, s := range l.peer(n, request) {
			time.Sleep(s.after) // the bubble's clock
			l.receive(s.data)
		}
	}()
	return len(p), nil
}

func (l *fakeLine) SetReadDeadline(t time.Time) error {
	l.change(func() { l.deadline = t })
	return nil
}
func (l *fakeLine) SetWriteDeadline(time.Time) error { return nil }
func (l *fakeLine) SetMode(bus.SerialMode) error     { return errors.ErrUnsupported }
func (l *fakeLine) Drain() error                     { l.change(func() { l.rx = nil }); return nil }
func (l *fakeLine) Close() error                     { l.lose(bus.ErrClosed); return nil }

// meter answers like a good device: register a holds the value a.
func meter(request []byte) []byte {
	start, count := binary.BigEndian.Uint16(request[2:]), binary.BigEndian.Uint16(request[4:])
	frame := []byte{request[0], request[1], byte(2 * count)}
	for i := range count {
		frame = binary.BigEndian.AppendUint16(frame, start+i)
	}
	return withCRC(frame)
}

func withCRC(frame []byte) []byte { return binary.LittleEndian.AppendUint16(frame, crc(frame)) }
