package rigtime

import (
	"context"
	"time"

	"soakrig/daemon/record"
)

// Elapsed is a clock that counts from its making with the runtime's monotonic
// clock. It stands still while the board is suspended, so soakd does not use it; in
// a testing/synctest bubble it follows the bubble's time.
type Elapsed struct {
	boot  record.BootID
	start time.Time
}

// NewElapsed starts a clock at zero.
func NewElapsed(boot record.BootID) *Elapsed { return &Elapsed{boot: boot, start: time.Now()} }

// Now implements Clock.
func (c *Elapsed) Now() record.Stamp {
	now := time.Now()
	return record.Stamp{Boot: c.boot, BootNS: int64(now.Sub(c.start)), WallNS: now.UnixNano(), Synced: true}
}

// SleepUntil implements Clock.
func (c *Elapsed) SleepUntil(ctx context.Context, bootNS int64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	wait := time.Duration(bootNS) - time.Since(c.start)
	if wait <= 0 {
		return nil
	}
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Tick implements Clock.
func (c *Elapsed) Tick(ctx context.Context, bootNS int64) (func(), error) {
	if err := c.SleepUntil(ctx, bootNS); err != nil {
		return nil, err
	}
	return func() {}, nil
}

// Retick implements Clock.
func (c *Elapsed) Retick(ctx context.Context, bootNS int64) error { return c.SleepUntil(ctx, bootNS) }

// Speed implements Clock.
func (c *Elapsed) Speed() float64 { return 1 }

var (
	_ Ticker = (*Board)(nil)
	_ Ticker = (*Paced)(nil)
	_ Ticker = (*Elapsed)(nil)
)
