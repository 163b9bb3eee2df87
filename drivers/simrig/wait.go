package simrig

import (
	"context"
	"time"

	"soakrig/drivers/bus"
)

var (
	_ bus.Clock  = (*Rig)(nil)
	_ bus.Waiter = (*Rig)(nil)
)

// SetWait tells the rig how to wait for rig time, for drivers that wait for a
// conversion in the middle of a Read. Call it before the first driver is opened.
// Without it, Wait waits in real time, which suits a clock that runs at least that
// fast, but not one that stands still.
func (r *Rig) SetWait(wait func(ctx context.Context, d time.Duration) error) { r.wait = wait }

// Wait returns after d of rig time, or ctx's error.
func (r *Rig) Wait(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil || d <= 0 {
		return err
	}
	if r.wait != nil {
		return r.wait(ctx, d)
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
