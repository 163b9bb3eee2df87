package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// Times and sizes of RTU (serial line guide V1.02, from memory). Frames end by their
// expected length, never by a pause: USB adapters split frames for up to 16 ms.
const (
	headSize      = 3 // unit, function, byte count or exception code
	exceptionSize = 5
	answerRest    = 5 // an answer is its registers and 5 bytes
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
	line *line.Line
	opt  RTUOptions
	char time.Duration // time of one character

	ended   time.Time     // when the last exchange ended, or a byte came that nobody had asked for
	dirty   bool          // a late answer may still be on its way
	need    time.Duration // silence that ends the quarantine
	suspect bool          // the quarantine is over, no answer was confirmed since
	owed    map[uint8]*owed
	buf     [2*MaxRegisters + answerRest]byte
	sent    [8]byte
}

// NewRTU returns a master on a line that nobody else uses; it closes it. name stands
// in errors.
func NewRTU(name string, l *line.Line, o RTUOptions) *RTU {
	return &RTU{name: name, line: l, opt: fillRTU(o), char: o.char()}
}

// char is the time of one character.
func (o RTUOptions) char() time.Duration {
	m := o.Mode
	if m.DataBits == 0 {
		m.DataBits = 8
	}
	bits := 1 + m.DataBits + max(m.StopBits, 1)
	if m.Parity == "E" || m.Parity == "O" {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(max(m.Baud, 1))
}

// fillRTU puts the defaults in.
func fillRTU(o RTUOptions) RTUOptions {
	if o.Timeout == 0 {
		o.Timeout = time.Second
	}
	if o.Gap == 0 {
		o.Gap = 100 * time.Millisecond
	}
	silence := 7 * o.char() / 2 // 3.5 characters; fixed above 19200 Bd
	if o.Mode.Baud > 19200 {
		silence = 1750 * time.Microsecond
	}
	o.Gap = max(o.Gap, silence)
	if o.Quiet == 0 {
		o.Quiet = minQuiet
	}
	return o
}

// Read fills dst, two bytes per register in the order of the wire. Its errors are
// those of TCP.Read. dst means something only when it returns nil.
func (m *RTU) Read(ctx context.Context, req Request, dst []byte) error {
	if err := req.check(len(dst)); err != nil {
		return err
	}
	err := m.read(ctx, req, dst)
	switch {
	case errors.Is(err, ErrTimeout):
		return fmt.Errorf("%s: %s: %w%s", m.name, req, err, m.hint(req.Unit))
	case err != nil:
		return fmt.Errorf("%s: %s: %w", m.name, req, err)
	}
	return nil
}

func (m *RTU) read(ctx context.Context, req Request, dst []byte) error {
	fresh, err := m.line.Begin(ctx)
	if err != nil {
		return err
	}
	defer m.line.End()
	if fresh { // an answer to whoever used the line before may still come
		m.dirty, m.need, m.ended = true, m.opt.Quiet, time.Now()
	}
	if err = m.inStep(ctx, req.Unit); err == nil {
		err = m.exchange(ctx, req, dst)
	}
	return m.after(ctx, req, err)
}

// Close ends a running Read at once. It may be called more than once.
func (m *RTU) Close() error { return m.line.Close() }

// after keeps the books on how an exchange ended.
func (m *RTU) after(ctx context.Context, req Request, err error) error {
	if inOrder(err) {
		m.line.Good()
		m.dirty, m.suspect = false, false
		return err
	}
	if errors.Is(err, ErrQuarantine) || errors.Is(err, errOwing) {
		return err // nothing was sent; all goes on from where it was
	}
	m.dirty, m.ended = true, time.Now()
	m.need = max(m.opt.Quiet, m.transmission(2*req.Count+answerRest))
	if !line.IsExpired(err) && lineLost(err) {
		m.line.Drop(err)
	}
	if ctx.Err() != nil && !errors.Is(err, ctx.Err()) {
		err = fmt.Errorf("%w: %w", ctx.Err(), err)
	}
	if m.line.Closed() && !errors.Is(err, bus.ErrClosed) {
		err = fmt.Errorf("%w: %w", bus.ErrClosed, err)
	}
	return err
}

// lineLost says that the port itself failed, rather than what came over it.
func lineLost(err error) bool {
	for _, known := range []error{ErrTimeout, ErrCRC, ErrUnit, ErrFunction, ErrByteCount, ErrEcho,
		ErrAmbiguous, line.ErrBabble, ErrQuarantine, errOwing, context.Canceled, context.DeadlineExceeded} {
		if errors.Is(err, known) {
			return false
		}
	}
	return true
}

// transmission is the time n bytes need on the line.
func (m *RTU) transmission(n int) time.Duration { return time.Duration(n) * m.char }

// clear makes sure that nothing is on the line before a request is sent: it drains,
// keeps the gap, and after a failure waits until the line was quiet. stray is how many
// bytes it threw away.
func (m *RTU) clear(ctx context.Context) (stray int, err error) {
	if stray, err = m.line.Drain(); err != nil {
		return stray, err
	}
	if stray > 0 {
		m.ended = time.Now()
	}
	if !m.dirty && stray < exceptionSize {
		more, err := m.silence(ctx, m.opt.Gap)
		if stray += more; err != nil || stray < exceptionSize {
			return stray, err
		}
	}
	if !m.dirty {
		// A whole frame came that nobody had asked for: is the last answer an old one?
		m.dirty, m.need = true, max(m.opt.Quiet, m.transmission(len(m.buf)))
	}
	more, err := m.silence(ctx, m.need)
	if stray += more; err != nil {
		return stray, err
	}
	m.dirty, m.suspect = false, true
	return stray, nil
}

// silence returns once nothing was received for d since the last exchange ended, and
// how many bytes came until then.
func (m *RTU) silence(ctx context.Context, d time.Duration) (got int, err error) {
	got, m.ended, err = m.line.Silence(m.ended, d)
	if ctx.Err() != nil {
		err = fmt.Errorf("%w: %v since the last byte, %v needed: %w",
			ErrQuarantine, time.Since(m.ended).Round(time.Millisecond), d, ctx.Err())
	}
	return got, err
}

// exchange sends one request and takes its answer.
func (m *RTU) exchange(ctx context.Context, req Request, dst []byte) error {
	frame := req.appendPDU(append(m.sent[:0], req.Unit))
	frame = binary.LittleEndian.AppendUint16(frame, crc(frame))
	m.owe(req)
	deadline, err := m.send(frame, len(dst)+answerRest)
	if err != nil {
		return err
	}
	err = m.answer(req, dst, deadline)
	if inOrder(err) {
		m.ended = time.Now()
		if err = m.confirm(ctx, err); inOrder(err) {
			m.answered(req.Unit)
		}
	}
	return err
}

// send writes a request and says until when its answer, of size bytes, is waited for.
func (m *RTU) send(frame []byte, size int) (deadline time.Time, err error) {
	if err := m.line.Write(frame); err != nil {
		return deadline, err
	}
	deadline = time.Now().Add(m.opt.Timeout + m.transmission(len(frame)+size))
	if m.opt.Echo {
		return deadline, m.takeEcho(frame, deadline.Add(m.transmission(len(frame))))
	}
	return deadline, nil
}

// takeEcho removes exactly the request's own bytes.
func (m *RTU) takeEcho(frame []byte, deadline time.Time) error {
	echo := m.buf[:len(frame)]
	if n, err := m.line.ReadFull(echo, deadline); err != nil {
		return m.late(err, n, len(frame), "of the echo")
	}
	if !bytes.Equal(echo, frame) {
		return fmt.Errorf("%w, changed: % x instead of % x", ErrEcho, echo, frame)
	}
	return nil
}

// answer reads one frame, as long as the request says, and judges it.
func (m *RTU) answer(req Request, dst []byte, deadline time.Time) error {
	need := len(dst) + answerRest
	head := m.buf[:headSize]
	if n, err := m.line.ReadFull(head, deadline); err != nil {
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
	if n, err := m.line.ReadFull(frame[headSize:], deadline); err != nil {
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
func (m *RTU) confirm(ctx context.Context, first error) error {
	window := m.opt.Gap
	if m.suspect {
		window = max(window, m.opt.Quiet)
	}
	until := m.ended.Add(window)
	for got := 0; ; {
		n, err := m.line.ReadSome(m.buf[:], until)
		if got += n; got >= exceptionSize {
			return fmt.Errorf("%w: the first may be a late one, both are refused", ErrAmbiguous)
		}
		switch {
		case ctx.Err() != nil && m.suspect:
			return fmt.Errorf("%w: no time left to make sure that the answer is not a late one: %w", ErrTimeout, ctx.Err())
		case ctx.Err() != nil || line.IsExpired(err):
			return first
		case err != nil:
			return err
		}
	}
}

// late words a frame that did not come, or not all of it.
func (m *RTU) late(err error, have, need int, what string) error {
	if !line.IsExpired(err) && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("%d of %d bytes %s: %w", have, need, what, err)
	}
	return fmt.Errorf("%w: %d of %d bytes %s", ErrTimeout, have, need, what)
}
