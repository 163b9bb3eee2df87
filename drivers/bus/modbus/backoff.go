package modbus

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// Pauses before a lost link is opened again: the first, and the longest.
const (
	firstPause = 500 * time.Millisecond
	maxPause   = 60 * time.Second
)

// backoff counts failures in a row and says when the next attempt may start. The
// pause doubles and varies by a quarter, so that many rigs do not come back together.
// The zero value allows an attempt at once.
type backoff struct {
	failures int
	until    time.Time
	cause    error
}

func (b *backoff) fail(now time.Time, cause error) {
	pause := maxPause
	if b.failures < 7 {
		pause = firstPause << b.failures
	}
	b.failures++
	pause = time.Duration(float64(min(pause, maxPause)) * (0.75 + 0.5*rand.Float64()))
	b.until, b.cause = now.Add(pause), cause
}

func (b *backoff) reset() { *b = backoff{} }

// err is not nil while the pause lasts.
func (b *backoff) err(now time.Time) error {
	if left := b.until.Sub(now); left > 0 {
		return fmt.Errorf("%w, next attempt in %v: %w", ErrDown, left.Round(10*time.Millisecond), b.cause)
	}
	return nil
}

// Breaker spares a line that several units share: a unit that stayed silent three
// times is asked only each RestTime, so it costs the others one time-out per
// RestTime. The zero value is ready. Not for concurrent use.
type Breaker struct {
	silent int
	until  time.Time
	cause  error
}

// RestTime is the pause that a silent unit gets.
const RestTime = 30 * time.Second

// Err is not nil while the unit rests; the reason it rests is wrapped.
func (b *Breaker) Err(now time.Time) error {
	if left := b.until.Sub(now); left > 0 {
		return fmt.Errorf("unit was silent %d times, asked again in %v: %w", b.silent, left.Round(time.Second), b.cause)
	}
	return nil
}

// Note records the outcome of an exchange with the unit. Only silence counts: what
// answers, even with an exception, is there.
func (b *Breaker) Note(now time.Time, err error) {
	if !isSilence(err) {
		*b = Breaker{}
		return
	}
	b.silent++
	b.cause = err
	if b.silent >= 3 {
		b.until = now.Add(RestTime)
	}
}
