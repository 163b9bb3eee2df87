package modbus

import (
	"errors"
	"fmt"
	"time"
)

// errResting says that nothing was sent because the unit rests.
var errResting = errors.New("unit was silent")

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
		return fmt.Errorf("%w %d times, asked again in %v: %w", errResting, b.silent, left.Round(time.Second), b.cause)
	}
	return nil
}

// Note records the outcome of an exchange with the unit. Only silence counts: what
// answers, even with an exception, is there.
func (b *Breaker) Note(now time.Time, err error) {
	if errors.Is(err, errResting) {
		return // of another breaker: nothing was learnt
	}
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
