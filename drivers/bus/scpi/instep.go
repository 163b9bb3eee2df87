package scpi

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"soakrig/drivers/bus/line"
)

// identify is the query that every instrument answers (IEEE 488.2, from memory).
const identify = "*IDN?"

// inStep is how a serial line gets back in step. Answers carry no number, so one that
// comes after its time-out looks like that of the next query. An instrument answers in
// order: before anything else is asked after a failure, it is asked who it is, and what
// comes before that answer is thrown away. It is asked once; while the answer does not
// come nothing is sent, for forget at most.
type inStep struct {
	identity string    // as it was told last; empty: never
	mute     bool      // it gives values and does not say who it is
	doubt    bool      // it did not say who it is; if it gives a value now, it is mute
	asked    time.Time // when identify was sent and not answered; zero: it was not
	rest     []byte    // received and not yet a line
}

// forgetAfter is how many time-outs an instrument that was asked who it is has to
// answer, and forgetLeast the least time.
const (
	forgetAfter = 5
	forgetLeast = 5 * time.Second
)

// works notes that a query was answered.
func (s *inStep) works() {
	s.mute = s.mute || s.doubt
	s.doubt = false
}

// isIdentity says whether a line is the answer to identify: the one known, or, as long
// as none is, three or more texts between commas that do not begin with a number.
func (s *inStep) isIdentity(text string) bool {
	if s.identity != "" {
		return text == s.identity
	}
	fields := Fields(text)
	if len(fields) < 3 {
		return false
	}
	_, err := Number(fields[0])
	return err != nil && strings.ContainsFunc(fields[0], func(r rune) bool { return r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' })
}

// belated says that an answer is that to identify, which was given up.
func (s *inStep) belated(answer string) bool {
	if s.identity == "" && !s.doubt || !s.isIdentity(answer) {
		return false
	}
	s.identity, s.doubt = answer, false
	return true
}

// resync brings a serial line back in step: nil means that the next answer is that of
// the next query.
func (c *Client) resync() error {
	s := &c.step
	pause := quiet
	if s.mute {
		pause = max(quiet, 2*c.opt.Timeout) // there is nothing better than to wait for what may come
	}
	if s.asked.IsZero() {
		if _, _, err := c.line.Silence(c.since, pause); err != nil {
			return err
		}
		if _, err := c.line.Drain(); err != nil {
			return err
		}
		if s.mute {
			return c.line.Write([]byte("*CLS" + c.opt.End))
		}
		if err := c.line.Write([]byte("*CLS" + c.opt.End + identify + c.opt.End)); err != nil {
			return err
		}
		s.asked, s.rest = time.Now(), nil
	}
	until := time.Now().Add(c.opt.Timeout)
	for {
		text, err := c.nextLine(until)
		switch {
		case err == nil && s.isIdentity(text):
			s.identity, s.asked, s.doubt = text, time.Time{}, false
			if len(s.rest) > 0 {
				return fmt.Errorf("%w after the identity: %q", ErrExtraLine, s.rest)
			}
			return nil
		case err == nil:
			continue // of an older query
		case !line.IsExpired(err):
			return err
		case time.Since(s.asked) > max(forgetLeast, forgetAfter*c.opt.Timeout):
			s.asked = time.Time{}
			if s.identity == "" { // perhaps it never says who it is
				s.doubt = true
				return nil
			}
			return fmt.Errorf("%w: no answer to %s either: is the instrument on?", ErrTimeout, identify)
		}
		return fmt.Errorf("%w: the instrument still owes one, and until then none can be trusted; set a longer timeout if it is slow", ErrTimeout)
	}
}

// nextLine reads one line, whatever is on it.
func (c *Client) nextLine(until time.Time) (string, error) {
	var chunk [512]byte
	for {
		if end := bytes.IndexByte(c.step.rest, '\n'); end >= 0 {
			text := string(bytes.TrimRight(c.step.rest[:end], "\r"))
			c.step.rest = c.step.rest[end+1:]
			return text, nil
		}
		if len(c.step.rest) > maxAnswer {
			return "", fmt.Errorf("%w: more than %d bytes", ErrTooLong, maxAnswer)
		}
		n, err := c.line.ReadSome(chunk[:], until)
		c.step.rest = append(c.step.rest, chunk[:n]...)
		if n == 0 && err != nil {
			return "", err
		}
	}
}
