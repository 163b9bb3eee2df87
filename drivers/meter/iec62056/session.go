package iec62056

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// Times of the standard (from memory): a meter answers within 1.5 s and pauses at most
// as long inside a message. A head on USB adds some.
const (
	answerTime = 2 * time.Second
	charTime   = 1700 * time.Millisecond
	quietTime  = 200 * time.Millisecond
	maxReadout = 64 << 10
	wakeNULs   = 66 // 2.2 s at 300 baud
	wakePause  = 1600 * time.Millisecond
)

// signOnMode is how every mode C session starts.
func signOnMode() bus.SerialMode {
	return bus.SerialMode{Baud: 300, DataBits: 7, Parity: "E", StopBits: 1}
}

// session talks to one meter. It belongs to one goroutine.
type session struct {
	line    *line.Line
	serial  bool // the speed can be changed
	address string
	maxBaud int
	wake    bool
	timeout time.Duration // of a whole readout
	push    bool          // mode D
	speed   int           // of the line now
	id      ident         // of the last readout
	rest    []byte        // received beyond what was asked for
}

// readout returns the data lines of one readout.
func (s *session) readout(ctx context.Context) (map[string]value, error) {
	ctx, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	if _, err := s.line.Begin(ctx); err != nil {
		return nil, err
	}
	defer s.line.End()
	s.rest = nil
	text, err := s.talk()
	if err == nil {
		s.line.Good()
		return parseLines(text), nil
	}
	switch {
	case ctx.Err() != nil:
		err = fmt.Errorf("%w: %w: %w", errTimeout, ctx.Err(), err)
	case line.IsExpired(err):
		err = fmt.Errorf("%w: %w", errTimeout, err)
	case !ours(err):
		s.line.Drop(err)
	case !s.serial:
		s.line.Renew() // throws away what the gateway still holds
	}
	if s.line.Closed() && !errors.Is(err, bus.ErrClosed) {
		err = fmt.Errorf("%w: %w", bus.ErrClosed, err)
	}
	return nil, err
}

// ours says that the line is fine and what came over it is not.
func ours(err error) bool {
	for _, known := range []error{errTimeout, errBCC, errCRC, errParity, errIdent, errForm, line.ErrBabble} {
		if errors.Is(err, known) {
			return true
		}
	}
	return false
}

func (s *session) talk() ([]byte, error) {
	if s.push {
		return s.telegram()
	}
	if err := s.signOn(); err != nil {
		return nil, err
	}
	if err := s.switchSpeed(); err != nil {
		return nil, err
	}
	block, err := s.block()
	if err != nil {
		return nil, err
	}
	text, err := checkBlock(block)
	if err != nil {
		return nil, err
	}
	return text, s.line.Write([]byte{ack})
}

// setSpeed changes the line's speed after what is on its way has been sent.
func (s *session) setSpeed(baud int) error {
	if !s.serial {
		return nil
	}
	m := signOnMode()
	m.Baud, s.speed = baud, baud
	return s.line.SetMode(m)
}

// signOn asks the meter to introduce itself.
func (s *session) signOn() error {
	if err := s.setSpeed(300); err != nil {
		return err
	}
	if _, err := s.line.Drain(); err != nil {
		return err
	}
	if _, _, err := s.line.Silence(time.Now(), quietTime); err != nil {
		return err
	}
	if s.wake {
		if err := s.line.Write(make([]byte, wakeNULs)); err != nil {
			return err
		}
		if err := s.pause(wakeNULs*s.char() + wakePause); err != nil {
			return err
		}
	}
	request := []byte("/?" + s.address + "!\r\n")
	if err := s.line.Write(request); err != nil {
		return err
	}
	text, err := s.text(time.Now().Add(answerTime + time.Duration(len(request)+30)*s.char()))
	if err == nil && text == string(request[:len(request)-2]) { // the head gives back what it sends
		text, err = s.text(time.Now().Add(answerTime + 30*s.char()))
	}
	if err != nil {
		return fmt.Errorf("identification: %w", err)
	}
	s.id, err = parseIdent(text)
	return err
}

// char is the time of one character, 10 bits, at the present speed.
func (s *session) char() time.Duration {
	if s.speed == 0 {
		return 0
	}
	return 10 * time.Second / time.Duration(s.speed)
}

// switchSpeed acknowledges with the highest speed that meter and source allow.
func (s *session) switchSpeed() error {
	c := byte('0')
	if top, ok := baud(s.id.speed); ok {
		for ; c < s.id.speed && 300<<(c-'0'+1) <= min(top, s.maxBaud); c++ {
		}
	}
	if err := s.pause(time.Duration(s.id.reactionMS()) * time.Millisecond); err != nil {
		return err
	}
	reply := []byte{ack, '0', c, '0', '\r', '\n'}
	if err := s.line.Write(reply); err != nil {
		return err
	}
	if err := s.pause(time.Duration(len(reply)) * s.char()); err != nil {
		return err
	}
	speed, _ := baud(c) // c is one of them
	return s.setSpeed(speed)
}

// pause waits; what comes meanwhile is kept.
func (s *session) pause(d time.Duration) error {
	until := time.Now().Add(d)
	var p [64]byte
	for {
		n, err := s.line.ReadSome(p[:], until)
		s.rest = append(s.rest, p[:n]...)
		if line.IsExpired(err) && !time.Now().Before(until) {
			return nil
		}
		if err != nil {
			return err
		}
		if len(s.rest) > maxReadout {
			return line.ErrBabble
		}
	}
}

// next returns the next byte.
func (s *session) next(deadline time.Time) (byte, error) {
	if len(s.rest) == 0 {
		var p [256]byte
		n, err := s.line.ReadSome(p[:], deadline)
		if n == 0 && err != nil {
			return 0, err
		}
		s.rest = append(s.rest[:0], p[:n]...)
	}
	if len(s.rest) == 0 {
		return 0, fmt.Errorf("%w: a read without bytes", errForm)
	}
	b := s.rest[0]
	s.rest = s.rest[1:]
	return b, nil
}

// text reads one line and removes its end and a parity bit.
func (s *session) text(deadline time.Time) (string, error) {
	var got []byte
	for {
		b, err := s.next(deadline)
		if err != nil {
			return "", fmt.Errorf("%d bytes: %w", len(got), err)
		}
		if got = append(got, b); b&0x7F == '\n' {
			break
		}
		if len(got) > 256 {
			return "", fmt.Errorf("%w: %q is no line", errForm, got)
		}
	}
	if err := stripParity(got); err != nil {
		return "", err
	}
	return string(bytes.Trim(got, "\r\n\x00")), nil
}

// block reads from STX to the character after ETX. What comes before, at most the
// echo of the acknowledgement, is left out.
func (s *session) block() ([]byte, error) {
	var got []byte
	wait := answerTime
	for skipped := 0; ; {
		b, err := s.next(time.Now().Add(wait))
		if err != nil {
			return nil, fmt.Errorf("block, %d bytes so far: %w", len(got), err)
		}
		wait = charTime
		if len(got) == 0 && b&0x7F != stx {
			if skipped++; skipped > 64 {
				return nil, fmt.Errorf("%w: no block begins", errForm)
			}
			continue
		}
		got = append(got, b)
		if n := len(got); n > 1 && got[n-2]&0x7F == etx {
			return got, nil
		}
		if len(got) > maxReadout {
			return nil, fmt.Errorf("%w: a block of more than %d bytes", errForm, maxReadout)
		}
	}
}

// telegram waits for the next telegram that the meter sends by itself.
func (s *session) telegram() ([]byte, error) {
	if _, err := s.line.Drain(); err != nil {
		return nil, err
	}
	var got []byte
	deadline := time.Now().Add(s.timeout)
	for {
		b, err := s.next(deadline)
		if err != nil {
			return nil, fmt.Errorf("telegram, %d bytes so far: %w", len(got), err)
		}
		c := b & 0x7F
		if len(got) == 0 && c != '/' {
			continue // in the middle of one that began before
		}
		got = append(got, b)
		deadline = time.Now().Add(charTime)
		if c == '\n' && isEnd(got) {
			break
		}
		if len(got) > maxReadout {
			return nil, fmt.Errorf("%w: a telegram of more than %d bytes", errForm, maxReadout)
		}
	}
	text, err := checkTelegram(got)
	if err != nil {
		return nil, err
	}
	first, _, _ := bytes.Cut(text, []byte("\n"))
	s.id, err = parseIdent(string(bytes.TrimSpace(first)))
	return text, err
}

// isEnd says that the last line of p, which ends p, begins with the ! of a telegram.
func isEnd(p []byte) bool {
	begin := len(p) - 1
	for begin > 0 && p[begin-1]&0x7F != '\n' {
		begin--
	}
	return p[begin]&0x7F == '!'
}
