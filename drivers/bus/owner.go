package bus

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// hangLimit is how long one transfer may take before it is given up. The longest
// honest one, 4 KiB at 10 kHz, takes 3.3 s on paper, but no driver sends more than
// a few dozen bytes; the kernel's own I2C timeout is 1 s.
const hangLimit = 2 * time.Second

// transfer is what an owner carries out: one exchange with one chip.
type transfer interface {
	exchange(w, r []byte) error
}

// owner serialises the transfers of one physical bus. Its worker alone touches
// the ports during a transfer, and on buffers of its own, so that a caller can
// leave a transfer that hangs behind without sharing memory with it.
type owner struct {
	name  string
	token chan struct{} // one element: who took it may start a transfer
	start chan struct{} // to the worker: job, wbuf and rbuf are set
	done  chan error    // from the worker, capacity 1
	watch *time.Timer   // marks the bus as stuck when it fires

	job        transfer // set by the token's holder
	w, r       []byte   // views of the buffers below, nil where the caller's was nil
	wbuf, rbuf []byte

	mu        sync.Mutex // guards all below
	running   bool
	abandoned bool // nobody waits for the running transfer; the worker gives the token back
	since     time.Time
	isStuck   bool
	stuck     chan struct{} // closed while the running transfer is over its limit
	gone      chan struct{} // closed by stop
	orphans   []func() error
	stopped   bool
}

func newOwner(name string) *owner {
	o := &owner{
		name:  name,
		token: make(chan struct{}, 1),
		start: make(chan struct{}),
		done:  make(chan error, 1),
		stuck: make(chan struct{}),
		gone:  make(chan struct{}),
	}
	o.watch = time.AfterFunc(time.Hour, o.overdue)
	o.watch.Stop()
	o.token <- struct{}{}
	go o.work()
	return o
}

// work carries out transfers until the owner is stopped.
func (o *owner) work() {
	for range o.start {
		err := o.job.exchange(o.w, o.r)
		o.mu.Lock()
		o.watch.Stop()
		orphans := o.orphans
		o.orphans = nil
		o.mu.Unlock()
		for _, closePort := range orphans {
			_ = closePort() // the one who asked was told that the transfer hangs
		}
		o.mu.Lock()
		o.running = false
		if o.isStuck {
			o.isStuck = false
			o.stuck = make(chan struct{})
		}
		abandoned, stopped := o.abandoned, o.stopped
		o.abandoned = false
		o.mu.Unlock()
		if abandoned {
			o.token <- struct{}{}
		} else {
			o.done <- err
		}
		if stopped {
			return
		}
	}
}

// overdue runs when a transfer is over its limit.
func (o *owner) overdue() {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.running && !o.isStuck && time.Since(o.since) >= hangLimit {
		o.isStuck = true
		close(o.stuck)
	}
}

// acquire takes the token: the bus is the caller's until release.
func (o *owner) acquire(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case <-o.token:
		return nil
	default:
	}
	o.mu.Lock()
	stuck := o.stuck
	o.mu.Unlock()
	select {
	case <-o.token:
		return nil
	case <-o.gone:
		return fmt.Errorf("%s: host %w", o.name, ErrClosed)
	case <-stuck:
		return o.hung()
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (o *owner) release() { o.token <- struct{}{} }

func (o *owner) hung() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	return fmt.Errorf("%w for %v on %s: the bus is left alone until it returns; "+
		"check clock and data lines, or reset the controller",
		ErrHung, time.Since(o.since).Round(time.Millisecond), o.name)
}

// do carries out one transfer. The caller holds the token; do gives it back.
func (o *owner) do(ctx context.Context, job transfer, w, r []byte) error {
	o.job = job
	o.wbuf = append(o.wbuf[:0], w...)
	o.rbuf = append(o.rbuf[:0], r...)
	o.w, o.r = nil, nil
	if len(w) > 0 {
		o.w = o.wbuf
	}
	if len(r) > 0 {
		o.r = o.rbuf
	}
	o.mu.Lock()
	o.running, o.since = true, time.Now()
	stuck := o.stuck
	o.mu.Unlock()
	o.watch.Reset(hangLimit)
	o.start <- struct{}{}
	var cause error
	select {
	case err := <-o.done:
		return o.finish(err, r)
	case <-ctx.Done():
		cause = ctx.Err()
	case <-stuck:
		cause = o.hung()
	}
	o.mu.Lock()
	if o.running {
		o.abandoned = true
		o.mu.Unlock()
		return cause
	}
	o.mu.Unlock()
	return o.finish(<-o.done, r) // it ended in the same instant
}

func (o *owner) finish(err error, r []byte) error {
	if err == nil {
		copy(r, o.rbuf)
	}
	o.release()
	return err
}

// shut runs closePort while no transfer is in progress. On a hung bus the worker
// runs it once the transfer returned, and shut says so.
func (o *owner) shut(closePort func() error) error {
	for {
		err := o.acquire(context.Background())
		if err == nil {
			err = closePort()
			o.release()
			return err
		}
		o.mu.Lock()
		if o.isStuck {
			o.orphans = append(o.orphans, closePort)
			o.mu.Unlock()
			return err
		}
		stopped := o.stopped
		o.mu.Unlock()
		if stopped {
			return nil // Host.Close closed every port already
		}
	}
}

// stop ends the worker: at once, or when the transfer that hangs returns.
func (o *owner) stop() {
	for {
		err := o.acquire(context.Background())
		o.mu.Lock()
		if err == nil {
			o.stopped = true
			close(o.start) // the token stays taken
			close(o.gone)
			o.mu.Unlock()
			return
		}
		if o.isStuck {
			o.stopped = true
			close(o.gone)
			o.mu.Unlock()
			return
		}
		o.mu.Unlock()
	}
}
