package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"soakrig/daemon/internal/rigtime"
	"soakrig/drivers/bus"
	"soakrig/drivers/simrig"
)

// board is the clock and the buses: the hardware's, or a simulated rig's.
type board struct {
	clock rigtime.Ticker
	paced *rigtime.Paced // nil on hardware
	host  *bus.Host
	sim   *simrig.Rig // nil on hardware
}

func openBoard(c *Config) (*board, error) {
	if c.Simulated != nil {
		return openSimulated(c)
	}
	clock, err := rigtime.NewBoard()
	if err != nil {
		return nil, err
	}
	return &board{clock: clock, host: bus.NewHost(bus.Hardware())}, nil
}

// openSimulated starts a simulated rig whose time is a paced clock.
func openSimulated(c *Config) (*board, error) {
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
	return &board{clock: paced, paced: paced, host: bus.NewHost(sim), sim: sim}, nil
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
