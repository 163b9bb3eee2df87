package line

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"

	"soakrig/drivers/bus"
)

const (
	writeLimit = time.Second          // for one request: a stalled adapter must not hold the caller
	listenTime = 2 * time.Millisecond // how long draining waits for another byte
	// DrainLimit is how many bytes that nobody asked for are thrown away at once.
	DrainLimit = 4096
)

// ErrBabble says that bytes come without end although nobody asked.
var ErrBabble error = &bus.AnswerError{Text: "line does not fall silent", Kind: bus.ErrCorrupt}

// Line is a byte stream with a peer that answers. All methods but Close belong to one
// goroutine; between Begin and End it talks, and the context of Begin ends its calls.
type Line struct {
	at   string // device path or address; empty: only the opener knows
	open func(context.Context) (bus.SerialPort, error)
	wait Backoff

	ctx     context.Context // of Begin
	release func()          // what End must undo

	mu     sync.Mutex // guards all below
	port   bus.SerialPort
	closed bool
	leave  func() bool // gives the reservation back; nil: none
}

// New returns a line that calls open when it first needs a stream and after one was lost.
func New(open func(context.Context) (bus.SerialPort, error)) *Line { return &Line{open: open} }

// At is the device path or the address of a line of Open.
func (l *Line) At() string { return l.at }

// Reserve notes at the host that a source uses this line, until Close. The error says
// why it can't: somebody else does in a way that does not go together.
func (l *Line) Reserve(host *bus.Host, use bus.LineUse) error {
	_, leave, err := host.JoinLine(l.at, use, nil)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.leave = leave
	return nil
}

// Begin opens the stream if there is none and arms ctx. fresh says that it was opened
// just now: who used it before may still be answered. Call End, unless err is not nil.
func (l *Line) Begin(ctx context.Context) (fresh bool, err error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	l.mu.Lock()
	port, closed := l.port, l.closed
	l.mu.Unlock()
	if closed {
		return false, bus.ErrClosed
	}
	if port == nil {
		if port, err = l.reopen(ctx); err != nil {
			return false, err
		}
		fresh = true
	}
	l.ctx, l.release = ctx, watch(ctx, port)
	return fresh, nil
}

// End disarms the context of Begin.
func (l *Line) End() {
	l.release()
	l.ctx, l.release = nil, nil
}

func (l *Line) reopen(ctx context.Context) (bus.SerialPort, error) {
	if err := l.wait.Err(time.Now()); err != nil {
		return nil, err
	}
	port, err := l.open(ctx)
	if err != nil {
		err = fmt.Errorf("open: %w", err)
		if ctx.Err() == nil {
			l.wait.Fail(time.Now(), err)
		}
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil, errors.Join(bus.ErrClosed, port.Close())
	}
	l.port = port
	return port, nil
}

// watch makes the end of ctx end a blocked call on the port. The returned function
// must run before the port is used under another context.
func watch(ctx context.Context, port bus.SerialPort) (release func()) {
	done := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(done)
		past := time.Unix(1, 0)
		// A port that is gone fails the call by itself.
		_ = port.SetReadDeadline(past)
		_ = port.SetWriteDeadline(past)
	})
	return func() {
		if !stop() {
			<-done
		}
	}
}

// Drop closes the stream after a failure of its own; the next Begin opens it again
// when the pause is over.
func (l *Line) Drop(cause error) {
	l.wait.Fail(time.Now(), cause)
	l.Renew()
}

// Renew closes the stream so that the next Begin opens it again at once.
func (l *Line) Renew() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.port != nil {
		l.port.Close() // it is of no use any more, whatever this says
		l.port = nil
	}
}

// Good forgets earlier failures: the peer answered.
func (l *Line) Good() { l.wait.Reset() }

// Closed says that Close was called.
func (l *Line) Closed() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.closed
}

// Close ends running calls at once. It may be called at any time and more than once.
func (l *Line) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	if l.leave != nil {
		defer l.leave() // after the port is closed
	}
	if l.port == nil {
		return nil
	}
	port := l.port
	l.port = nil
	return port.Close()
}

// current returns the stream, or why there is none.
func (l *Line) current() (bus.SerialPort, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.closed:
		return nil, bus.ErrClosed
	case l.port == nil:
		return nil, ErrDown
	}
	return l.port, nil
}

// SetMode changes speed, word and parity of a serial line.
func (l *Line) SetMode(mode bus.SerialMode) error {
	port, err := l.current()
	if err != nil {
		return err
	}
	return port.SetMode(mode)
}

// Write sends all of p within a second.
func (l *Line) Write(p []byte) error {
	port, err := l.current()
	if err != nil {
		return err
	}
	if err := port.SetWriteDeadline(time.Now().Add(writeLimit)); err != nil {
		return err
	}
	if err := l.ctx.Err(); err != nil { // after the deadline was set: see watch
		return err
	}
	if n, err := port.Write(p); err != nil {
		return fmt.Errorf("write, %d of %d bytes: %w", n, len(p), err)
	}
	return nil
}

// ReadSome reads once, until the deadline or the end of the context.
func (l *Line) ReadSome(p []byte, deadline time.Time) (int, error) {
	port, err := l.current()
	if err != nil {
		return 0, err
	}
	if err := port.SetReadDeadline(deadline); err != nil {
		return 0, err
	}
	if err := l.ctx.Err(); err != nil { // after the deadline was set: see watch
		return 0, err
	}
	return port.Read(p)
}

// ReadFull fills p or says how far it came.
func (l *Line) ReadFull(p []byte, deadline time.Time) (int, error) {
	for have := 0; have < len(p); {
		n, err := l.ReadSome(p[have:], deadline)
		have += n
		if err != nil && have < len(p) {
			return have, err
		}
	}
	return len(p), nil
}

// Drain reads until nothing comes any more and returns how many bytes came.
func (l *Line) Drain() (int, error) {
	port, err := l.current()
	if err != nil {
		return 0, err
	}
	var buf [256]byte
	for got := 0; got <= DrainLimit; {
		n, err := l.ReadSome(buf[:], time.Now().Add(listenTime))
		got += n
		if IsExpired(err) && l.ctx.Err() == nil {
			return got, port.Drain()
		}
		if err != nil {
			return got, err
		}
	}
	return 0, fmt.Errorf("%w: more than %d bytes that nobody asked for", ErrBabble, DrainLimit)
}

// Silence returns once nothing was received for d since an instant: how many bytes
// came until then, and when the last one did (since, if none). It returns the
// context's error when that ends first.
func (l *Line) Silence(since time.Time, d time.Duration) (got int, last time.Time, err error) {
	var buf [256]byte
	for last = since; ; {
		until := last.Add(d)
		if !until.After(time.Now()) {
			return got, last, nil
		}
		n, err := l.ReadSome(buf[:], until)
		if n > 0 {
			last = time.Now()
		}
		if got += n; got > DrainLimit {
			return got, last, fmt.Errorf("%w: more than %d bytes that nobody asked for", ErrBabble, DrainLimit)
		}
		if ctxErr := l.ctx.Err(); ctxErr != nil {
			return got, last, ctxErr
		}
		if err != nil && !IsExpired(err) {
			return got, last, err
		}
	}
}

// IsExpired says that time ran out: a deadline of the stream, or the context's.
func IsExpired(err error) bool {
	var n net.Error
	return errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, context.DeadlineExceeded) ||
		errors.As(err, &n) && n.Timeout()
}
