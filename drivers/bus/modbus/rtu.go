package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"
	"time"

	"soakrig/drivers/bus"
)

// Times and sizes of RTU (serial line guide V1.02, from memory). Frames end by their
// expected length, never by a pause: USB adapters split frames for up to 16 ms.
const (
	headSize      = 3 // unit, function, byte count or exception code
	exceptionSize = 5
	answerRest    = 5 // an answer is its registers and 5 bytes
	writeLimit    = time.Second
	listenTime    = 2 * time.Millisecond // how long draining waits for another byte
	drainLimit    = 4096                 // bytes; who sends more without being asked, babbles
	minQuiet      = 400 * time.Millisecond
)

// RTUOptions sets the times of a line. The zero value of a field takes the default.
type RTUOptions struct {
	Mode    bus.SerialMode
	Timeout time.Duration // the device's thinking time; transmission is added; default 1 s
	Gap     time.Duration // pause between the end of an exchange and the next request; default 100 ms, at least 3.5 characters
	Quiet   time.Duration // silence that ends a quarantine; default 400 ms, at least the time of the answer that failed
	Echo    bool          // the line gives every request back before the answer
}

// RTU is a master on a serial line, which it keeps open between requests. Read is
// called from one goroutine at a time; Close at any time.
type RTU struct {
	name string
	open func(context.Context) (bus.SerialPort, error)
	opt  RTUOptions
	char time.Duration // time of one character

	wait    backoff
	ended   time.Time     // when the last exchange ended, or a byte came that nobody had asked for
	dirty   bool          // a late answer may still be on its way
	need    time.Duration // silence that ends the quarantine
	suspect bool          // the quarantine is over, no answer was confirmed since
	buf     [2*MaxRegisters + answerRest]byte
	sent    [8]byte

	mu     sync.Mutex // guards port and closed
	port   bus.SerialPort
	closed bool
}

// NewRTU returns a master that opens the line when it first needs to. name stands in
// errors.
func NewRTU(name string, open func(context.Context) (bus.SerialPort, error), o RTUOptions) *RTU {
	m := o.Mode
	if m.DataBits == 0 {
		m.DataBits = 8
	}
	bits := 1 + m.DataBits + max(m.StopBits, 1)
	if m.Parity == "E" || m.Parity == "O" {
		bits++
	}
	char := time.Duration(bits) * time.Second / time.Duration(max(m.Baud, 1))
	if o.Timeout == 0 {
		o.Timeout = time.Second
	}
	if o.Gap == 0 {
		o.Gap = 100 * time.Millisecond
	}
	silence := 7 * char / 2 // 3.5 characters; fixed above 19200 Bd
	if m.Baud > 19200 {
		silence = 1750 * time.Microsecond
	}
	o.Gap = max(o.Gap, silence)
	if o.Quiet == 0 {
		o.Quiet = minQuiet
	}
	return &RTU{name: name, open: open, opt: o, char: char}
}

// Read fills dst, two bytes per register in the order of the wire. Its errors are
// those of TCP.Read. dst means something only when it returns nil.
func (m *RTU) Read(ctx context.Context, req Request, dst []byte) error {
	if err := req.check(len(dst)); err != nil {
		return err
	}
	err := m.read(ctx, req, dst)
	if err != nil {
		return fmt.Errorf("%s: %s: %w", m.name, req, err)
	}
	return nil
}

func (m *RTU) read(ctx context.Context, req Request, dst []byte) error {
	port, err := m.connect(ctx)
	if err != nil {
		return err
	}
	release := m.watch(ctx, port)
	defer release()
	if err := m.clear(ctx, port); err != nil {
		return m.after(ctx, port, req, err)
	}
	return m.after(ctx, port, req, m.exchange(ctx, port, req, dst))
}

// connect returns the open line, or opens it when the pause is over. What a line
// received while nobody listened is not trusted.
func (m *RTU) connect(ctx context.Context) (bus.SerialPort, error) {
	m.mu.Lock()
	port, closed := m.port, m.closed
	m.mu.Unlock()
	if closed {
		return nil, bus.ErrClosed
	}
	if port != nil {
		return port, nil
	}
	if err := m.wait.err(time.Now()); err != nil {
		return nil, err
	}
	port, err := m.open(ctx)
	if err != nil {
		err = fmt.Errorf("open: %w", err)
		m.wait.fail(time.Now(), err)
		return nil, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		port.Close()
		return nil, bus.ErrClosed
	}
	m.port = port
	// An answer to whoever used the line before may still come.
	m.dirty, m.need, m.ended = true, m.opt.Quiet, time.Now()
	return port, nil
}

// watch makes the end of ctx end a blocked call on the port. The returned function
// must run before the port is used again.
func (m *RTU) watch(ctx context.Context, port bus.SerialPort) (release func()) {
	done := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(done)
		past := time.Unix(1, 0)
		// A port that is gone fails the Read by itself.
		_ = port.SetReadDeadline(past)
		_ = port.SetWriteDeadline(past)
	})
	return func() {
		if !stop() {
			<-done
		}
	}
}

// Close ends a running Read at once. It may be called more than once.
func (m *RTU) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.closed = true
	if m.port == nil {
		return nil
	}
	port := m.port
	m.port = nil
	return port.Close()
}

// after keeps the books on how an exchange ended.
func (m *RTU) after(ctx context.Context, port bus.SerialPort, req Request, err error) error {
	if inOrder(err) {
		m.wait.reset()
		m.dirty, m.suspect = false, false
		return err
	}
	if errors.Is(err, ErrQuarantine) {
		return err // nothing was sent; the quarantine goes on from where it was
	}
	m.dirty, m.ended = true, time.Now()
	m.need = max(m.opt.Quiet, m.transmission(2*req.Count+answerRest))
	if !isExpired(err) && lineLost(err) {
		m.drop(port)
		m.wait.fail(time.Now(), err)
	}
	if ctx.Err() != nil && !errors.Is(err, ctx.Err()) {
		err = fmt.Errorf("%w: %w", ctx.Err(), err)
	}
	m.mu.Lock()
	closed := m.closed
	m.mu.Unlock()
	if closed {
		return fmt.Errorf("%w: %w", bus.ErrClosed, err)
	}
	return err
}

func (m *RTU) drop(port bus.SerialPort) {
	port.Close()
	m.mu.Lock()
	if m.port == port {
		m.port = nil
	}
	m.mu.Unlock()
}

// lineLost says that the port itself failed, rather than what came over it.
func lineLost(err error) bool {
	for _, known := range []error{ErrTimeout, ErrCRC, ErrUnit, ErrFunction, ErrByteCount, ErrEcho,
		ErrAmbiguous, ErrBabble, ErrQuarantine, context.Canceled, context.DeadlineExceeded} {
		if errors.Is(err, known) {
			return false
		}
	}
	return true
}

// transmission is the time n bytes need on the line.
func (m *RTU) transmission(n int) time.Duration { return time.Duration(n) * m.char }

// clear makes sure that nothing is on the line before a request is sent: it drains,
// keeps the gap, and after a failure waits until the line was quiet.
func (m *RTU) clear(ctx context.Context, port bus.SerialPort) error {
	stray, err := m.drain(ctx, port)
	if err != nil {
		return err
	}
	if stray > 0 {
		m.ended = time.Now()
	}
	if !m.dirty && stray < exceptionSize {
		more, err := m.silence(ctx, port, m.opt.Gap)
		if err != nil || stray+more < exceptionSize {
			return err
		}
	}
	if !m.dirty {
		// A whole frame came that nobody had asked for: is the last answer an old one?
		m.dirty, m.need = true, max(m.opt.Quiet, m.transmission(len(m.buf)))
	}
	if _, err := m.silence(ctx, port, m.need); err != nil {
		return err
	}
	m.dirty, m.suspect = false, true
	return nil
}

// drain reads until nothing comes any more and returns how many bytes came.
func (m *RTU) drain(ctx context.Context, port bus.SerialPort) (int, error) {
	for got := 0; got <= drainLimit; {
		n, err := m.readSome(ctx, port, m.buf[:], time.Now().Add(listenTime))
		got += n
		if isExpired(err) && ctx.Err() == nil {
			return got, port.Drain()
		}
		if err != nil {
			return got, err
		}
	}
	return 0, fmt.Errorf("%w: more than %d bytes that nobody asked for", ErrBabble, drainLimit)
}

// silence returns once nothing was received for d since the last exchange ended, and
// how many bytes came until then.
func (m *RTU) silence(ctx context.Context, port bus.SerialPort, d time.Duration) (got int, err error) {
	for {
		until := m.ended.Add(d)
		if !until.After(time.Now()) {
			return got, nil
		}
		n, err := m.readSome(ctx, port, m.buf[:], until)
		if n > 0 {
			m.ended = time.Now()
		}
		if got += n; got > drainLimit {
			return got, fmt.Errorf("%w: more than %d bytes that nobody asked for", ErrBabble, drainLimit)
		}
		switch {
		case ctx.Err() != nil:
			return got, fmt.Errorf("%w: %v since the last byte, %v needed: %w",
				ErrQuarantine, time.Since(m.ended).Round(time.Millisecond), d, ctx.Err())
		case err != nil && !isExpired(err):
			return got, err
		}
	}
}

// readSome reads once, until the deadline or the end of ctx.
func (m *RTU) readSome(ctx context.Context, port bus.SerialPort, p []byte, deadline time.Time) (int, error) {
	if err := port.SetReadDeadline(deadline); err != nil {
		return 0, err
	}
	if err := ctx.Err(); err != nil { // after the deadline was set: see watch
		return 0, err
	}
	return port.Read(p)
}

// readFull fills p or says how far it came.
func (m *RTU) readFull(ctx context.Context, port bus.SerialPort, p []byte, deadline time.Time) (int, error) {
	for have := 0; have < len(p); {
		n, err := m.readSome(ctx, port, p[have:], deadline)
		have += n
		if err != nil && have < len(p) {
			return have, err
		}
	}
	return len(p), nil
}

// exchange sends one request and takes its answer.
func (m *RTU) exchange(ctx context.Context, port bus.SerialPort, req Request, dst []byte) error {
	frame := req.appendPDU(append(m.sent[:0], req.Unit))
	frame = binary.LittleEndian.AppendUint16(frame, crc(frame))
	if err := port.SetWriteDeadline(time.Now().Add(writeLimit)); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if n, err := port.Write(frame); err != nil {
		return fmt.Errorf("write, %d of %d bytes: %w", n, len(frame), err)
	}
	size := len(dst) + answerRest
	deadline := time.Now().Add(m.opt.Timeout + m.transmission(len(frame)+size))
	if m.opt.Echo {
		if err := m.takeEcho(ctx, port, frame, deadline.Add(m.transmission(len(frame)))); err != nil {
			return err
		}
	}
	err := m.answer(ctx, port, req, dst, deadline)
	if inOrder(err) {
		m.ended = time.Now()
		return m.confirm(ctx, port, err)
	}
	return err
}

// takeEcho removes exactly the request's own bytes.
func (m *RTU) takeEcho(ctx context.Context, port bus.SerialPort, frame []byte, deadline time.Time) error {
	echo := m.buf[:len(frame)]
	if n, err := m.readFull(ctx, port, echo, deadline); err != nil {
		return m.late(err, n, len(frame), "of the echo")
	}
	if !bytes.Equal(echo, frame) {
		return fmt.Errorf("%w, changed: % x instead of % x", ErrEcho, echo, frame)
	}
	return nil
}

// answer reads one frame, as long as the request says, and judges it.
func (m *RTU) answer(ctx context.Context, port bus.SerialPort, req Request, dst []byte, deadline time.Time) error {
	need := len(dst) + answerRest
	head := m.buf[:headSize]
	if n, err := m.readFull(ctx, port, head, deadline); err != nil {
		return m.late(err, n, need, "of the answer")
	}
	function := head[1]
	switch {
	case !m.opt.Echo && bytes.Equal(head, m.sent[:headSize]) && int(head[2]) != len(dst):
		return fmt.Errorf("%w: % x (set echo: true if the line does that)", ErrEcho, head)
	case head[0] != req.Unit:
		return fmt.Errorf("%w: %d", ErrUnit, head[0])
	case function == byte(req.Function)|0x80:
		need = exceptionSize
	case function != byte(req.Function):
		return fmt.Errorf("%w: %d", ErrFunction, function)
	case int(head[2]) != len(dst):
		return fmt.Errorf("%w: %d bytes for %d registers", ErrByteCount, head[2], req.Count)
	}
	frame := m.buf[:need]
	if n, err := m.readFull(ctx, port, frame[headSize:], deadline); err != nil {
		return m.late(err, headSize+n, need, "of the answer")
	}
	body, sum := frame[:need-2], binary.LittleEndian.Uint16(frame[need-2:])
	if want := crc(body); want != sum {
		return fmt.Errorf("%w: %#04x received, %#04x computed over % x", ErrCRC, sum, want, body)
	}
	if need == exceptionSize && function != byte(req.Function) {
		return &Exception{Code: frame[2]}
	}
	copy(dst, body[headSize:])
	return nil
}

// confirm listens after an answer, for the gap that must pass anyway, or longer after
// a failure. If a second frame comes, one of the two belongs to another request and
// nobody can say which: both are refused. If ctx leaves no time to listen, an answer
// after a failure is refused; any other counts, and clear finds what comes later.
func (m *RTU) confirm(ctx context.Context, port bus.SerialPort, first error) error {
	window := m.opt.Gap
	if m.suspect {
		window = max(window, m.opt.Quiet)
	}
	until := m.ended.Add(window)
	for got := 0; ; {
		n, err := m.readSome(ctx, port, m.buf[:], until)
		if got += n; got >= exceptionSize {
			return fmt.Errorf("%w: the first may be a late one, both are refused", ErrAmbiguous)
		}
		switch {
		case ctx.Err() != nil && m.suspect:
			return fmt.Errorf("%w: no time left to make sure that the answer is not a late one: %w", ErrTimeout, ctx.Err())
		case ctx.Err() != nil || isExpired(err):
			return first
		case err != nil:
			return err
		}
	}
}

// late words a frame that did not come, or not all of it.
func (m *RTU) late(err error, have, need int, what string) error {
	if !isExpired(err) && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("%d of %d bytes %s: %w", have, need, what, err)
	}
	return fmt.Errorf("%w: %d of %d bytes %s", ErrTimeout, have, need, what)
}
