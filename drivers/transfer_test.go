package drivers_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func TestTransferFaults(t *testing.T) {
	for _, tt := range []struct {
		err  error
		want drivers.Faults
		ends bool
	}{
		{nil, 0, false},
		{context.DeadlineExceeded, drivers.Timeout, true},
		{context.Canceled, drivers.Timeout, true},
		{bus.ErrHung, drivers.Timeout, false},
		{bus.ErrClosed, drivers.BusError, true},
		{syscall.ENXIO, drivers.NoChip, false},
		{syscall.EREMOTEIO, drivers.NoChip, false},
		{syscall.EIO, drivers.BusError, false},
		{errors.New("anything"), drivers.BusError, false},
	} {
		err := tt.err
		if err != nil {
			err = fmt.Errorf("wrapped: %w", err)
		}
		if got := drivers.TransferFaults(err); got != tt.want {
			t.Errorf("%v: %v, want %v", tt.err, got, tt.want)
		}
		if got := drivers.EndsRead(err); got != tt.ends {
			t.Errorf("%v ends the read: %v", tt.err, got)
		}
	}
}

func TestReadingAndFaultWords(t *testing.T) {
	var r drivers.Reading
	r.Set(-5, time.Second)
	r.SetCold(400)
	first := errors.New("first")
	r.Fail(drivers.Open, first)
	r.Fail(drivers.ShortToGround, errors.New("second"))
	if r.Faults != drivers.Open|drivers.ShortToGround || r.Cause != first || r.Code != -5 || r.Cold != 400 {
		t.Errorf("%+v: faults add up, the first cause and the evidence stay", r)
	}
	r.Set(1, 0)
	if r.Faults != 0 || r.Cause != nil || r.Has != drivers.HasCode || r.Cold != 0 {
		t.Errorf("%+v: Set starts anew", r)
	}
	if s := (drivers.Open | drivers.Stale).String(); s != "open+stale" {
		t.Errorf("%q", s)
	}
	if drivers.Faults(0).String() != "ok" || drivers.Faults(1<<31).String() != "unknown" {
		t.Error("words of none and of an unknown bit")
	}
	names := drivers.FaultNames()
	for i, n := range names {
		if drivers.Faults(1<<i).String() != n {
			t.Errorf("bit %d is %q, want %q", i, drivers.Faults(1<<i), n)
		}
	}
	names[0] = "changed"
	if drivers.FaultNames()[0] != "bus_error" {
		t.Error("the caller got the list itself")
	}
	oe := &drivers.OptionError{Key: "rate", Text: "must be 8"}
	if oe.Error() != "rate: must be 8" {
		t.Errorf("%q", oe)
	}
}

// part is a chip that does as it is told.
type part struct {
	err    error
	ready  time.Time
	reads  int
	closed int
}

func (p *part) Read(_ context.Context, r *drivers.Reading) error {
	p.reads++
	r.Set(7, 0)
	if p.err != nil {
		*r = drivers.Reading{}
		r.Fail(drivers.TransferFaults(p.err), p.err)
	}
	return p.err
}
func (p *part) Probe(context.Context) (string, error) { return "here", p.err }
func (p *part) ReadyAt() time.Time                    { return p.ready }
func (p *part) Close() error                          { p.closed++; return nil }

func TestBank(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		host := bus.NewHost(drivertest.NewPorts())
		a, b := &part{ready: time.Now().Add(time.Second)}, &part{ready: time.Now().Add(300 * time.Millisecond)}
		bank := drivers.NewBank("x", host, []drivers.Chip{a, b}, make([]drivers.Converter, 2))
		out := make([]drivers.Reading, 2)
		began := time.Now()
		if err := bank.Read(t.Context(), out); err != nil || time.Since(began) != time.Second {
			t.Errorf("the first read waits for the slowest chip: %v after %v", err, time.Since(began))
		}
		a.err = syscall.EIO
		if err := bank.Read(t.Context(), out); err != nil || out[0].Faults != drivers.BusError || out[1].Faults != 0 {
			t.Errorf("one bad chip: %v, %+v", err, out)
		}
		if lines, err := bank.Probe(t.Context()); len(lines) != 1 || !errors.Is(err, syscall.EIO) {
			t.Errorf("%v, %v: one line and one error", lines, err)
		}
		b.err = context.DeadlineExceeded
		if err := bank.Read(t.Context(), out); !errors.Is(err, context.DeadlineExceeded) || out[0].Faults != drivers.Timeout || out[1].Faults != drivers.Timeout {
			t.Errorf("a deadline ends the whole read: %v, %+v", err, out)
		}
		for range 2 {
			if err := bank.Close(); err != nil {
				t.Error(err)
			}
		}
		if err := bank.Read(t.Context(), out); !errors.Is(err, bus.ErrClosed) || a.closed != 2 {
			t.Errorf("after Close: %v, closed %d times", err, a.closed)
		}
		if err := host.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestOpenBankClosesWhatItOpened(t *testing.T) {
	host := bus.NewHost(drivertest.NewPorts())
	first, no := &part{}, errors.New("no")
	src := drivers.Source{Inputs: []drivers.Input{{Channel: "a"}, {Channel: "b"}}}
	opening := func(c drivers.Chip, err error) drivers.Opening {
		return func() (drivers.Chip, drivers.Converter, error) { return c, drivers.Converter{}, err }
	}
	_, err := drivers.OpenBank("x", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		if i == 0 {
			return opening(first, nil), nil
		}
		return opening(nil, no), nil
	})
	if !errors.Is(err, no) || !strings.Contains(err.Error(), "channel b") || first.closed != 1 {
		t.Errorf("%v, first closed %d times", err, first.closed)
	}
	wrong := &drivers.OptionError{Input: 1, Key: "letter", Text: "wrong"}
	_, err = drivers.OpenBank("x", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		if i == 1 {
			return nil, wrong
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			t.Error("the first chip was opened before the second one's options were looked at")
			return first, drivers.Converter{}, nil
		}, nil
	})
	if !errors.Is(err, wrong) {
		t.Error(err)
	}
}
