package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// What can be wrong with an answer. They are wrapped with the port and the query.
var (
	ErrQuery           = errors.New("query refused")                                                 // never sent
	ErrTimeout   error = &bus.AnswerError{Text: "no complete answer in time", Kind: bus.ErrNoAnswer} // silence, or a line without its end
	ErrExtraLine error = &bus.AnswerError{Text: "more than one answer", Kind: bus.ErrCorrupt}        // an old one was still on its way
	ErrTooLong   error = &bus.AnswerError{Text: "answer is too long", Kind: bus.ErrCorrupt}
	ErrText      error = &bus.AnswerError{Text: "answer is not text", Kind: bus.ErrCorrupt}
)

const (
	maxAnswer = 64 << 10
	quiet     = 400 * time.Millisecond // silence that puts a serial line back in step
)

// Options sets how an instrument is talked to. Zero fields take the default.
type Options struct {
	Timeout time.Duration // for one whole query; default 2 s
	End     string        // what ends a query; default LF
	Serial  bool          // a serial line: it can't be closed to get back in step
}

// Client asks one instrument. Query belongs to one goroutine at a time; Close may be
// called at any time.
type Client struct {
	name  string
	line  *line.Line
	opt   Options
	dirty bool      // an answer may still be on its way
	since time.Time // when it got dirty
	buf   []byte
	step  inStep // serial lines only
}

// New returns a client on a line that nobody else uses; it closes it. name stands in
// errors.
func New(name string, l *line.Line, o Options) *Client {
	if o.Timeout == 0 {
		o.Timeout = 2 * time.Second
	}
	if o.End == "" {
		o.End = "\n"
	}
	return &Client{name: name, line: l, opt: o}
}

// Close ends a running Query at once.
func (c *Client) Close() error { return c.line.Close() }

// CheckQuery refuses what is not a plain query: every part between semicolons must
// have a question mark after its header, and nothing may reach the next line.
func CheckQuery(query string) error {
	for _, r := range query {
		if r < ' ' || r > '~' {
			return fmt.Errorf("%w: %q has characters that are not printable ASCII", ErrQuery, query)
		}
	}
	for part := range strings.SplitSeq(query, ";") {
		header, _, _ := strings.Cut(strings.TrimSpace(part), " ")
		if len(header) < 2 || !strings.HasSuffix(header, "?") {
			return fmt.Errorf("%w: %q is not a query: only headers that end in ? are sent", ErrQuery, strings.TrimSpace(part))
		}
	}
	return nil
}

// Query sends one query and returns its answer without the line end. After a failure
// the connection is closed, or the serial line quietened and cleared, before anything
// else is asked: a second query is never sent while one is open.
func (c *Client) Query(ctx context.Context, query string) (string, error) {
	if err := CheckQuery(query); err != nil {
		return "", err
	}
	answer, err := c.query(ctx, query)
	if err != nil {
		return "", fmt.Errorf("%s: %s: %w", c.name, query, err)
	}
	return answer, nil
}

func (c *Client) query(ctx context.Context, query string) (string, error) {
	fresh, err := c.line.Begin(ctx)
	if err != nil {
		return "", err
	}
	defer c.line.End()
	if fresh && c.opt.Serial {
		c.dirty, c.since, c.step.asked = true, time.Now(), time.Time{}
	}
	answer, err := c.exchange(query)
	if err == nil && query != identify && c.step.belated(answer) {
		err = fmt.Errorf("%w: the instrument's identity came instead", ErrExtraLine)
	}
	if err == nil {
		c.line.Good()
		c.step.works()
		return answer, nil
	}
	return "", c.failed(ctx, err)
}

// failed gets the link back in step, or prepares that, and words the error.
func (c *Client) failed(ctx context.Context, err error) error {
	ours := errors.Is(err, ErrTimeout) || errors.Is(err, ErrExtraLine) || errors.Is(err, ErrTooLong) || errors.Is(err, ErrText)
	switch {
	case c.opt.Serial && (ours || ctx.Err() != nil):
		c.dirty, c.since = true, time.Now()
	case errors.Is(err, ErrExtraLine), ctx.Err() != nil:
		c.line.Renew()
	default:
		c.line.Drop(err)
	}
	if ctx.Err() != nil && !errors.Is(err, ctx.Err()) {
		err = fmt.Errorf("%w: %w", ctx.Err(), err)
	}
	if c.line.Closed() && !errors.Is(err, bus.ErrClosed) {
		err = fmt.Errorf("%w: %w", bus.ErrClosed, err)
	}
	return err
}

func (c *Client) exchange(query string) (string, error) {
	if c.dirty {
		if err := c.resync(); err != nil {
			return "", err
		}
		c.dirty = false
	}
	stray, err := c.line.Drain()
	if err != nil {
		return "", err
	}
	if stray > 0 {
		return "", fmt.Errorf("%w: %d bytes that nobody asked for came before the query", ErrExtraLine, stray)
	}
	if err := c.line.Write([]byte(query + c.opt.End)); err != nil {
		return "", err
	}
	return c.answer(time.Now().Add(c.opt.Timeout))
}

// answer reads up to the line end. What is not ended is not an answer: a cut number
// still looks like one.
func (c *Client) answer(deadline time.Time) (string, error) {
	var chunk [512]byte
	c.buf = c.buf[:0]
	for {
		n, err := c.line.ReadSome(chunk[:], deadline)
		c.buf = append(c.buf, chunk[:n]...)
		end := bytes.IndexByte(c.buf, '\n')
		switch {
		case end >= 0 && end != len(c.buf)-1:
			return "", fmt.Errorf("%w: %q", ErrExtraLine, c.buf)
		case end >= 0:
			return text(bytes.TrimRight(c.buf, "\r\n"))
		case line.IsExpired(err):
			return "", fmt.Errorf("%w (%v): %d bytes without a line end", ErrTimeout, c.opt.Timeout, len(c.buf))
		case err != nil:
			return "", err
		case len(c.buf) > maxAnswer:
			return "", fmt.Errorf("%w: more than %d bytes", ErrTooLong, maxAnswer)
		}
	}
}

func text(p []byte) (string, error) {
	for _, b := range p {
		if b < ' ' && b != '\t' || b > '~' {
			return "", fmt.Errorf("%w: % x in %q (wrong speed or parity?)", ErrText, b, p)
		}
	}
	return string(p), nil
}
