package client

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// heartbeat is the longest silence of a healthy stream; after three of them the
// stream counts as dead.
const heartbeat = 5 * time.Second

// Pauses between tries to reach a rig again: doubled from the first to the last,
// each shortened by up to a half at random.
const (
	firstPause = 100 * time.Millisecond
	lastPause  = 5 * time.Second
)

// maxBroken is how many times in a row a stream may break in a way that is not the
// network's before it is given up. One that held for healthy begins a new row.
const (
	maxBroken = 5
	healthy   = time.Minute
)

// Link is the state of a stream's connection.
type Link struct {
	Connected bool
	Err       error         // while not connected: why
	Retry     time.Duration // while not connected: the pause before the next try

	// Of the rig's journal, as told last; only with Tail.
	Journal        string
	Head           uint64 // newest entry
	DurableThrough uint64 // newest entry on the rig's disk
	Lag            uint64 // entries that were not delivered yet
}

// keeping is what keep needs to know of a stream.
type keeping struct {
	op      string
	silence time.Duration // after which the stream counts as dead
	link    func(Link)    // told when the connection is lost; may be nil
	// outage is how long the rig may be away; zero: for ever.
	outage time.Duration
}

// callersError is an error that ends a stream for good: the caller's own, or one that
// trying again does not help.
type callersError struct{ error }

// errSilent ends a stream that said nothing for too long.
var errSilent = errors.New("nothing was heard, not even a heartbeat")

// keep runs session on a connection of its own, again and again until it fails for
// good. What it returns is that error.
func (c *Client) keep(ctx context.Context, k keeping, session func(context.Context, *grpc.ClientConn, *watchdog) error) error {
	pause, broken := firstPause, 0
	lastHeard := time.Now()
	for {
		began := time.Now()
		heard, err := c.once(ctx, k, session)
		var final *callersError
		switch {
		case errors.As(err, &final):
			return final.error
		case ctx.Err() != nil:
			return ctx.Err()
		}
		if !heard.IsZero() {
			lastHeard, pause = heard, firstPause
		}
		if heard.Sub(began) > healthy {
			broken = 0
		}
		var retry bool
		if retry, broken = again(err, broken); !retry {
			return c.wrap(k.op, err)
		}
		err = c.wrap(k.op, err)
		if k.outage > 0 && time.Since(lastHeard) > k.outage {
			return err
		}
		wait := pause - rand.N(pause/2)
		var told *Error
		if errors.As(err, &told) && told.RetryAfter > 0 {
			wait = min(told.RetryAfter, lastPause)
		}
		if k.link != nil {
			k.link(Link{Err: err, Retry: wait})
		}
		pause = min(2*pause, lastPause)
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		}
	}
}

// again says whether trying again may help. Errors that are neither the network's nor
// a plain refusal may, a few times.
func again(err error, broken int) (bool, int) {
	switch status.Code(err) {
	case codes.Unavailable, codes.ResourceExhausted, codes.Aborted, codes.DeadlineExceeded, codes.OK:
		return true, broken
	case codes.Internal, codes.Unknown, codes.Canceled, codes.DataLoss:
		broken++
		return broken < maxBroken, broken
	}
	return false, broken
}

func (c *Client) once(ctx context.Context, k keeping, session func(context.Context, *grpc.ClientConn, *watchdog) error) (heard time.Time, err error) {
	conn, err := c.newConn()
	if err != nil {
		return heard, &callersError{err}
	}
	defer conn.Close()
	inner, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	w := &watchdog{silence: k.silence}
	w.timer = time.AfterFunc(k.silence, func() { cancel(errSilent) })
	defer w.timer.Stop()
	err = session(inner, conn, w)
	if context.Cause(inner) == errSilent {
		err = status.Error(codes.Unavailable, errSilent.Error()+" for "+k.silence.String())
	}
	return w.last, err
}

// watchdog ends a session that hears nothing. Time that the caller takes does not
// count.
type watchdog struct {
	timer   *time.Timer
	silence time.Duration
	last    time.Time // when a message came; zero: none did
}

// heard stops the watch: a message is there.
func (w *watchdog) heard() {
	w.timer.Stop()
	w.last = time.Now()
}

// wait watches again, for the next message.
func (w *watchdog) wait() { w.timer.Reset(w.silence) }
