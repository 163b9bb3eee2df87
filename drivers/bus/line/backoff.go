package line

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"time"
)

// ErrDown says that a lost link waits before the next attempt; it wraps the cause too.
var ErrDown = errors.New("link is down")

// Pauses before a lost link is opened again: the first, and the longest.
const (
	firstPause = 500 * time.Millisecond
	maxPause   = 60 * time.Second
)

// Backoff counts failures in a row and says when the next attempt may start. The
// pause doubles from half a second to a minute and varies by a quarter, so that many
// rigs do not come back together. The zero value allows an attempt at once. Not for
// concurrent use.
type Backoff struct {
	failures int
	until    time.Time
	cause    error
}

// Fail records a failure at an instant.
func (b *Backoff) Fail(now time.Time, cause error) {
	pause := maxPause
	if b.failures < 7 {
		pause = min(firstPause<<b.failures, maxPause)
	}
	b.failures++
	pause = time.Duration(float64(pause) * (0.75 + 0.5*rand.Float64()))
	b.until, b.cause = now.Add(pause), cause
}

// Reset forgets all failures.
func (b *Backoff) Reset() { *b = Backoff{} }

// Err is not nil while the pause lasts; it wraps ErrDown and the last cause.
func (b *Backoff) Err(now time.Time) error {
	if left := b.until.Sub(now); left > 0 {
		return fmt.Errorf("%w, next attempt in %v: %w", ErrDown, left.Round(10*time.Millisecond), b.cause)
	}
	return nil
}
