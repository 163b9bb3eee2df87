// Package rigtime is the rig's clock: stamps for samples and waiting for absolute
// deadlines. On hardware it is the board's own clock. For a simulated rig it can be
// paced: rig time then runs a given number of times faster than real time and
// stands still while a sample is being read, so that a slow machine delays a
// simulated night but never changes it. It does not schedule anything.
package rigtime

import (
	"context"

	"soakrig/daemon/record"
)

// Clock tells rig time. Its methods may be called concurrently.
type Clock interface {
	// Now is the instant, with boot identity, monotonic and wall time.
	Now() record.Stamp
	// SleepUntil returns when the monotonic clock has reached bootNS, or with ctx's
	// error. A deadline in the past returns at once.
	SleepUntil(ctx context.Context, bootNS int64) error
	// Speed is how many rig seconds pass in a real second: 1 but for simulated rigs.
	Speed() float64
}

// Ticker is a clock that can be held by whoever reads a bus. Its methods may be called
// concurrently.
type Ticker interface {
	Clock
	// Tick is SleepUntil, but returns holding the clock: a paced clock stands still until
	// done is called, once. With an error done is nil.
	Tick(ctx context.Context, bootNS int64) (done func(), err error)
	// Retick is Tick for whoever holds the clock: it lets go and holds again at bootNS,
	// and in between a paced clock never moves past bootNS. With an error it holds no
	// longer, and the done of Tick is not to be called.
	Retick(ctx context.Context, bootNS int64) error
}
