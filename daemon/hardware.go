package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"time"

	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
	"soakrig/drivers/bus"
	"soakrig/drivers/simrig"
)

// board is the clock and the buses: the hardware's, or a simulated rig's.
type board struct {
	clock rigtime.Ticker
	paced *rigtime.Paced // nil on hardware
	host  *bus.Host
	sim   *simrig.Rig // nil on hardware
	hold  *Hold       // nil unless Options.Held
}

func openBoard(c *Config, held bool) (*board, error) {
	if c.Simulated != nil {
		return openSimulated(c, held)
	}
	if held {
		return nil, fmt.Errorf("%s: the time of real hardware can't be held; only a simulated rig's can", c.File)
	}
	clock, err := rigtime.NewBoard()
	if err != nil {
		return nil, err
	}
	return &board{clock: clock, host: bus.NewHost(bus.Hardware())}, nil
}

// openSimulated starts a simulated rig whose time is a paced clock.
func openSimulated(c *Config, held bool) (*board, error) {
	opts := simrig.DefaultOpts()
	if err := c.Simulated.Rest.Decode(&opts); err != nil {
		return nil, err
	}
	hardware, err := rigtime.NewBoard()
	if err != nil {
		return nil, err
	}
	now := hardware.Now()
	if opts.Start.IsZero() {
		opts.Start = now.Wall().Truncate(time.Second)
	}
	paced := rigtime.NewPaced(c.Simulated.Speed, newBoot(), opts.Start)
	sim, err := simrig.New(opts, paced.Elapsed)
	if err != nil {
		paced.Close()
		return nil, fmt.Errorf("%s: simulated: %w", c.File, err)
	}
	sim.SetWait(paced.Pause)
	b := &board{clock: paced, paced: paced, host: bus.NewHost(sim), sim: sim}
	if held {
		release, err := paced.Tick(context.Background(), 0)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("hold the clock: %w", err), b.close())
		}
		b.hold = &Hold{clock: paced, release: release}
	}
	return b, nil
}

func (b *board) close() error {
	errs := []error{b.host.Close()}
	if b.sim != nil {
		errs = append(errs, b.sim.Close())
		b.paced.Close()
	}
	return errors.Join(errs...)
}

// Clock lets a script act at instants of rig time.
type Clock struct{ c rigtime.Clock }

// Elapsed is the rig's monotonic time: on a simulated rig since its start.
func (c Clock) Elapsed() time.Duration { return time.Duration(c.c.Now().BootNS) }

// SleepUntil waits until Elapsed has reached at, or for ctx's error.
func (c Clock) SleepUntil(ctx context.Context, at time.Duration) error {
	return c.c.SleepUntil(ctx, int64(at))
}

// Hold is the hold on a simulated rig's time that Options.Held asked for; else nil.
func (d *Daemon) Hold() *Hold { return d.board.hold }

// Hold keeps the time of a simulated rig still while a script acts: what it does between
// two calls of Until happens at one instant, on a slow machine as on a fast one. One
// goroutine calls its methods.
type Hold struct {
	clock   rigtime.Ticker
	release func()          // nil: nothing is held any more
	scanned <-chan struct{} // closed once every source has been read
}

// Until lets time pass to at, counted from the rig's start, and holds it there again.
// An instant that has passed lets no time pass. Every source is read at the start before
// any time passes. After an error, ctx's, nothing is held.
func (h *Hold) Until(ctx context.Context, at time.Duration) error {
	if h.release == nil {
		return errors.New("the rig's time was let go")
	}
	select {
	case <-h.scanned:
	case <-ctx.Done():
		h.Release()
		return ctx.Err()
	}
	err := h.clock.Retick(ctx, int64(at))
	if err != nil {
		h.release = nil
	}
	return err
}

// Release lets time pass freely from now on. Once is enough; more does no harm.
func (h *Hold) Release() {
	if h.release != nil {
		h.release()
		h.release = nil
	}
}

// newBoot names a boot of a simulated rig: each start is one.
func newBoot() (b record.BootID) {
	if _, err := rand.Read(b[:]); err != nil {
		panic("no random numbers: " + err.Error()) // crypto/rand does not fail on Linux
	}
	return b
}
