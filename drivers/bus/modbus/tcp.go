package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"syscall"
	"time"

	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// Sizes of a Modbus TCP frame (messaging guide V1.0b, from memory): transaction,
// protocol, length, then unit and function code; the length counts from the unit on.
const (
	tcpHeader    = 6
	tcpMinLength = 2
	tcpMaxLength = 254
)

// TCP is a master on one TCP connection, which it keeps open between requests. Read
// is called from one goroutine at a time; Close at any time.
type TCP struct {
	name    string
	dial    func(context.Context) (net.Conn, error)
	timeout time.Duration
	txn     uint16
	wait    line.Backoff
	buf     [tcpHeader + tcpMaxLength]byte

	mu     sync.Mutex // guards all below
	conn   net.Conn
	closed bool
	leave  func() // gives the address back; nil: nobody asks
}

// NewTCP returns a master that dials when it first needs to. name stands in errors;
// timeout limits one whole request, dialling apart, and must be positive.
func NewTCP(name string, dial func(context.Context) (net.Conn, error), timeout time.Duration) *TCP {
	return &TCP{name: name, dial: dial, timeout: timeout}
}

// Read fills dst, two bytes per register in the order of the wire. It returns an
// *Exception when the device refuses, one of the errors of this package, ctx's error
// or the link's. dst means something only when it returns nil.
func (t *TCP) Read(ctx context.Context, req Request, dst []byte) error {
	if err := req.check(len(dst)); err != nil {
		return err
	}
	conn, kept, err := t.connect(ctx)
	if err != nil {
		return fmt.Errorf("%s: %s: %w", t.name, req, err)
	}
	err = t.exchange(ctx, conn, req, dst)
	if kept && hungUp(err) && ctx.Err() == nil {
		// The device closed an idle connection; nothing of an answer had come, so
		// asking again on a new connection can't mix two answers up.
		t.drop(conn)
		if conn, _, err = t.connect(ctx); err == nil {
			err = t.exchange(ctx, conn, req, dst)
		}
	}
	if inOrder(err) {
		t.wait.Reset()
	} else if conn != nil {
		t.drop(conn)
		t.wait.Fail(time.Now(), err)
	}
	if err != nil {
		return fmt.Errorf("%s: %s: %w", t.name, req, err)
	}
	return nil
}

// connect returns the open connection, or dials one when the pause is over.
func (t *TCP) connect(ctx context.Context) (conn net.Conn, kept bool, err error) {
	t.mu.Lock()
	conn, closed := t.conn, t.closed
	t.mu.Unlock()
	if closed {
		return nil, false, bus.ErrClosed
	}
	if conn != nil {
		return conn, true, nil
	}
	if err := t.wait.Err(time.Now()); err != nil {
		return nil, false, err
	}
	dialCtx, cancel := context.WithTimeout(ctx, t.timeout)
	defer cancel()
	conn, err = t.dial(dialCtx)
	if err != nil {
		err = fmt.Errorf("dial: %w", err)
		if ctx.Err() == nil {
			t.wait.Fail(time.Now(), err)
		}
		return nil, false, err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed {
		conn.Close()
		return nil, false, bus.ErrClosed
	}
	t.conn = conn
	return conn, false, nil
}

func (t *TCP) drop(conn net.Conn) {
	conn.Close()
	t.mu.Lock()
	if t.conn == conn {
		t.conn = nil
	}
	t.mu.Unlock()
}

// Close ends a running Read at once. It may be called more than once.
func (t *TCP) Close() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.closed = true
	if t.leave != nil {
		t.leave()
	}
	if t.conn == nil {
		return nil
	}
	conn := t.conn
	t.conn = nil
	return conn.Close()
}

// exchange sends one request and takes its answer. The connection is of no use after
// an error that is not an *Exception.
func (t *TCP) exchange(ctx context.Context, conn net.Conn, req Request, dst []byte) error {
	deadline := time.Now().Add(t.timeout)
	if d, ok := ctx.Deadline(); ok && d.Before(deadline) {
		deadline = d
	}
	if err := conn.SetDeadline(deadline); err != nil {
		return err
	}
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	err := t.roundTrip(conn, req, dst)
	if !stop() && err == nil {
		// ctx ended while the answer came in and the connection is being closed.
		err = ctx.Err()
	}
	return t.explain(ctx, err)
}

func (t *TCP) roundTrip(conn net.Conn, req Request, dst []byte) error {
	t.txn++
	frame := binary.BigEndian.AppendUint16(t.buf[:0], t.txn)
	frame = append(frame, 0, 0, 0, 6, req.Unit)
	if _, err := conn.Write(req.appendPDU(frame)); err != nil {
		return err
	}
	for {
		body, txn, err := t.frame(conn)
		if err != nil {
			return err
		}
		if body == nil || txn != t.txn {
			continue // not ours: somebody else's protocol, or an answer we gave up on
		}
		return answer(body, req, dst)
	}
}

// frame reads one frame and returns what follows its length field: nil for a frame
// of another protocol.
func (t *TCP) frame(conn net.Conn) (body []byte, txn uint16, err error) {
	head := t.buf[:tcpHeader]
	if n, err := io.ReadFull(conn, head); err != nil {
		return nil, 0, partial(err, n, tcpHeader)
	}
	txn = binary.BigEndian.Uint16(head)
	protocol := binary.BigEndian.Uint16(head[2:])
	length := int(binary.BigEndian.Uint16(head[4:]))
	if length < tcpMinLength || length > tcpMaxLength {
		if protocol != 0 {
			return nil, 0, fmt.Errorf("%w: header % x (a serial gateway that passes raw frames needs framing: rtu)", ErrProtocol, head)
		}
		return nil, 0, fmt.Errorf("%w: %d bytes announced, %d..%d are possible", ErrLength, length, tcpMinLength, tcpMaxLength)
	}
	body = t.buf[tcpHeader : tcpHeader+length]
	if n, err := io.ReadFull(conn, body); err != nil {
		return nil, 0, partial(err, tcpHeader+n, tcpHeader+length)
	}
	if protocol != 0 {
		return nil, txn, nil
	}
	return body, txn, nil
}

// answer checks unit, function and byte count of a body and copies its registers.
func answer(body []byte, req Request, dst []byte) error {
	unit, function, rest := body[0], body[1], body[2:]
	exception := function == byte(req.Function)|0x80
	if unit != req.Unit && !(exception && unit == 0xFF) { // gateways report as unit 255
		return fmt.Errorf("%w: %d", ErrUnit, unit)
	}
	switch {
	case exception && len(rest) == 1:
		return &Exception{Code: rest[0]}
	case exception:
		return fmt.Errorf("%w: exception of %d bytes", ErrByteCount, len(rest))
	case function != byte(req.Function):
		return fmt.Errorf("%w: %d", ErrFunction, function)
	case len(rest) != 1+len(dst) || int(rest[0]) != len(dst):
		return fmt.Errorf("%w: % x for %d registers", ErrByteCount, rest[:min(len(rest), 8)], req.Count)
	}
	copy(dst, rest[1:])
	return nil
}

// partial keeps how much of a frame had come when the link failed.
func partial(err error, have, need int) error {
	if have == 0 {
		return err
	}
	return &cut{have: have, need: need, err: err}
}

// cut is a frame that ended too early.
type cut struct {
	have, need int // bytes; need is what was known to be needed when it ended
	err        error
}

func (c *cut) Error() string { return fmt.Sprintf("%d of %d bytes: %v", c.have, c.need, c.err) }
func (c *cut) Unwrap() error { return c.err }

// explain turns an expired deadline into ErrTimeout and keeps a cancellation.
func (t *TCP) explain(ctx context.Context, err error) error {
	if inOrder(err) {
		return err
	}
	if ctx.Err() != nil && !errors.Is(err, ctx.Err()) {
		err = fmt.Errorf("%w: %w", ctx.Err(), err)
	}
	t.mu.Lock()
	closed := t.closed
	t.mu.Unlock()
	if closed {
		return fmt.Errorf("%w: %w", bus.ErrClosed, err)
	}
	if line.IsExpired(err) {
		return fmt.Errorf("%w (%v): %w", ErrTimeout, t.timeout, err)
	}
	return err
}

// isSilence says that a unit did not answer at all or not in time.
func isSilence(err error) bool {
	var e *Exception
	if errors.As(err, &e) {
		return e.Code == 0x0B
	}
	return errors.Is(err, ErrTimeout)
}

// hungUp says that the peer ended the connection before the first byte of an answer.
func hungUp(err error) bool {
	var c *cut
	if err == nil || errors.As(err, &c) {
		return false
	}
	return errors.Is(err, io.EOF) || errors.Is(err, syscall.EPIPE) ||
		errors.Is(err, syscall.ECONNRESET) || errors.Is(err, io.ErrClosedPipe)
}
