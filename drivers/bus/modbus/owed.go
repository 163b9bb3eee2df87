package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"soakrig/drivers/bus/line"
)

// owed is an answer that a unit may still give. RTU frames carry no number, so an
// answer that comes after its time-out looks like that of the next request. Before a
// unit that owes one is asked for values again, it is asked something whose answer
// can't be mistaken: to read the same registers by the other function. It answers in
// order, by an exception if it does not know the function; once that came, nothing
// older is on its way. A unit that gives no answer to that either is left alone for
// forget, after which it owes nothing.
type owed struct {
	open  bool      // it owes one
	req   Request   // what it was asked for
	asks  int       // how often the other function was asked since: once, and once more where noise may have eaten the answer
	got   int       // how many answers to that came
	since time.Time // when it was asked first
	noise bool      // something else came instead of an answer
	late  bool      // an answer came after its time-out since the last good exchange
}

// errOwing says that a unit has not answered yet what it was asked before.
var errOwing = errors.New("the unit still owes an answer, and until that has come none can be trusted")

// forgetAfter is how many time-outs pass before a unit owes nothing any more, and
// forgetLeast the least time.
const (
	forgetAfter = 5
	forgetLeast = 5 * time.Second
)

// owe notes that a request goes out.
func (m *RTU) owe(req Request) {
	if m.owed == nil {
		m.owed = map[uint8]*owed{}
	}
	o := m.owed[req.Unit]
	if o == nil {
		o = &owed{}
		m.owed[req.Unit] = o
	}
	*o = owed{open: true, req: req, late: o.late}
}

// answered notes that an exchange went well.
func (m *RTU) answered(unit uint8) { *m.owed[unit] = owed{} }

// inStep makes sure that the next answer of a unit is that of the next request.
func (m *RTU) inStep(ctx context.Context, unit uint8) error {
	o := m.owed[unit]
	if o == nil || !o.open {
		_, err := m.clear(ctx)
		return err
	}
	if o.asks == 0 || o.noise && o.asks == 1 {
		stray, err := m.clear(ctx)
		if err != nil {
			return err
		}
		o.late = o.late || stray >= exceptionSize
		if err := m.askOther(o); err != nil {
			return err
		}
	}
	forget := o.since.Add(max(forgetLeast, forgetAfter*m.opt.Timeout))
	until := time.Now().Add(m.opt.Timeout + m.transmission(2*o.req.Count+answerRest))
	if until.After(forget) {
		until = forget
	}
	err := m.collect(ctx, o, until)
	if errors.Is(err, errOwing) && !time.Now().Before(forget) {
		err = nil // it gave no sign of life for so long
		m.suspect = true
	}
	if err != nil {
		return err
	}
	o.open = false
	_, err = m.clear(ctx)
	return err
}

// askOther sends the request by the other function.
func (m *RTU) askOther(o *owed) error {
	other := o.req
	other.Function = ReadHolding + ReadInput - o.req.Function
	frame := other.appendPDU(append(m.sent[:0], other.Unit))
	frame = binary.LittleEndian.AppendUint16(frame, crc(frame))
	if o.asks++; o.asks == 1 {
		o.since = time.Now()
	}
	o.noise = false
	_, err := m.send(frame, 2*other.Count+answerRest)
	return err
}

// collect takes what the unit still had to say until the answer by the other function
// came. Its numbers are thrown away.
func (m *RTU) collect(ctx context.Context, o *owed, until time.Time) error {
	for {
		function, n, err := m.frame(o.req, until)
		if err != nil && (line.IsExpired(err) || ctx.Err() != nil) {
			if n > 0 {
				m.dirty, m.need, m.ended = true, max(m.opt.Quiet, m.transmission(len(m.buf))), time.Now()
			}
			if o.got > 0 && ctx.Err() == nil {
				return nil // the other one was in the noise
			}
			return fmt.Errorf("%w: %w", ErrTimeout, errOwing)
		}
		if err != nil {
			o.noise = true
			return err
		}
		m.ended = time.Now()
		if function != o.req.Function {
			if o.got++; o.got >= o.asks {
				return nil
			}
			continue
		}
		o.late = true
	}
}

// hint says what helps against a time-out, where that is known.
func (m *RTU) hint(unit uint8) string {
	if o := m.owed[unit]; o != nil && o.late {
		return fmt.Sprintf("; an answer came after the time-out of %v: the device is slower than that, set a longer timeout", m.opt.Timeout)
	}
	return ""
}

// frame reads one whole frame of the unit, an answer or an exception to a request or
// to the same one by the other function. n is how many bytes came.
func (m *RTU) frame(req Request, until time.Time) (function Function, n int, err error) {
	head := m.buf[:headSize]
	if n, err = m.line.ReadFull(head, until); err != nil {
		return 0, n, err
	}
	need := exceptionSize
	switch function = Function(head[1] &^ 0x80); {
	case head[0] != req.Unit:
		return 0, n, fmt.Errorf("%w: %d", ErrUnit, head[0])
	case function != ReadHolding && function != ReadInput:
		return 0, n, fmt.Errorf("%w: %d", ErrFunction, head[1])
	case head[1]&0x80 == 0 && int(head[2]) != 2*req.Count:
		return 0, n, fmt.Errorf("%w: %d bytes for %d registers", ErrByteCount, head[2], req.Count)
	case head[1]&0x80 == 0:
		need = 2*req.Count + answerRest
	}
	frame := m.buf[:need]
	more, err := m.line.ReadFull(frame[headSize:], until)
	if n += more; err != nil {
		return 0, n, err
	}
	if sum := binary.LittleEndian.Uint16(frame[need-2:]); sum != crc(frame[:need-2]) {
		return 0, n, fmt.Errorf("%w in what was left", ErrCRC)
	}
	return function, n, nil
}
