package drivers

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"soakrig/drivers/bus"
)

// Chip is one device of a Bank. Read and Probe are called from one goroutine at a
// time, Close at any time and more than once.
type Chip interface {
	// Read sets r completely. Failures go into r; the returned error is the transfer's
	// own, so that the bank can tell whether the whole Read must end (EndsRead).
	Read(ctx context.Context, r *Reading) error
	// Probe says in one line what answers, without judging it.
	Probe(ctx context.Context) (string, error)
	// ReadyAt is when the first conversion after Open can exist, in the host's time.
	ReadyAt() time.Time
	Close() error
}

// Bank is a Device of independent chips, one per input: what most probe drivers
// return from Open.
type Bank struct {
	name   string
	host   *bus.Host
	chips  []Chip
	convs  []Converter
	waited bool
	closed atomic.Bool
}

var (
	_ Device = (*Bank)(nil)
	_ Prober = (*Bank)(nil)
)

// NewBank returns a device of chips, whose codes convs explains in the same order.
// It closes the chips.
func NewBank(name string, host *bus.Host, chips []Chip, convs []Converter) *Bank {
	return &Bank{name: name, host: host, chips: chips, convs: convs}
}

// Converters implements Device.
func (b *Bank) Converters() []Converter { return b.convs }

// Read implements Device. The first call waits until every chip can have made its
// first conversion, if ctx allows it; otherwise the readings are stale and say so.
func (b *Bank) Read(ctx context.Context, out []Reading) error {
	if b.closed.Load() {
		return FailAll(out, fmt.Errorf("%s: %w", b.name, bus.ErrClosed))
	}
	if err := b.wait(ctx); err != nil {
		return FailAll(out, fmt.Errorf("%s: wait for the first conversion: %w", b.name, err))
	}
	for i, c := range b.chips {
		if err := c.Read(ctx, &out[i]); EndsRead(err) {
			return FailAll(out, err)
		}
	}
	return nil
}

func (b *Bank) wait(ctx context.Context) error {
	if err := ctx.Err(); err != nil || b.waited {
		return err
	}
	b.waited = true
	var d time.Duration
	for _, c := range b.chips {
		d = max(d, c.ReadyAt().Sub(b.host.Now()))
	}
	if end, ok := ctx.Deadline(); ok && time.Until(end) < d {
		return nil
	}
	return b.host.Wait(ctx, d)
}

// Probe implements Prober.
func (b *Bank) Probe(ctx context.Context) ([]string, error) {
	var lines []string
	var errs []error
	for _, c := range b.chips {
		line, err := c.Probe(ctx)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		lines = append(lines, line)
	}
	return lines, errors.Join(errs...)
}

// Close implements Device.
func (b *Bank) Close() error {
	b.closed.Store(true)
	var errs []error
	for _, c := range b.chips {
		errs = append(errs, c.Close())
	}
	return errors.Join(errs...)
}

// Opening opens a chip whose options are in order.
type Opening func() (Chip, Converter, error)

// OpenBank asks check for every input, which refuses what is wrong with its options,
// and only when all are in order opens one chip per input. It closes those already
// open when one can't be opened.
func OpenBank(name string, host *bus.Host, src Source, check func(i int, in Input) (Opening, error)) (*Bank, error) {
	openings := make([]Opening, len(src.Inputs))
	for i, in := range src.Inputs {
		open, err := check(i, in)
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", in.Channel, err)
		}
		openings[i] = open
	}
	b := NewBank(name, host, nil, nil)
	for i, open := range openings {
		c, conv, err := open()
		if err != nil {
			return nil, errors.Join(fmt.Errorf("channel %s: %w", src.Inputs[i].Channel, err), b.Close())
		}
		b.chips, b.convs = append(b.chips, c), append(b.convs, conv)
	}
	return b, nil
}
