package rpc

import (
	"context"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// host is what is remembered of an address that calls.
type host struct {
	conns int
	// denied is the rate of calls without valid credentials: guesses and floods.
	denied *rate.Limiter
	// callers hold the rate of each that was let in, by name. Credentials are the
	// rig's own, so there are only a few.
	callers map[string]*rate.Limiter
}

// longestTurn is how long a call waits for its turn before it is told to come back.
const longestTurn = 2 * time.Second

// bucket lets perSecond calls through, and twice as many at once.
func bucket(perSecond float64) *rate.Limiter {
	return rate.NewLimiter(rate.Limit(perSecond), int(2*perSecond)+1)
}

// idle: nothing is lost by forgetting the host.
func (h *host) idle() bool {
	full := func(l *rate.Limiter) bool { return l.Tokens() >= float64(l.Burst())-1 }
	for _, l := range h.callers {
		if !full(l) {
			return false
		}
	}
	return h.conns == 0 && full(h.denied)
}

// hostOf is nil for a call that came through no guarded listener; mu is held.
func (g *guard) hostOf(c *call) *host {
	if c.conn == nil || c.conn.conn == nil {
		return nil
	}
	return g.hosts[c.conn.conn.host]
}

// turn waits until a caller who was let in has its turn. Somebody who works through a
// thousand runs is slowed down to the rate rather than turned away, so that a client
// that knows nothing of rates loses nothing; only one whose calls pile up is told to
// come back, and when.
func (g *guard) turn(ctx context.Context, c *call) error {
	wait, err := g.reserve(c)
	if wait <= 0 {
		return err
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (g *guard) reserve(c *call) (wait time.Duration, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	h := g.hostOf(c)
	if h == nil {
		return 0, nil
	}
	l := h.callers[c.id.name]
	if l == nil {
		l = bucket(g.limits.RequestsPerSecond)
		h.callers[c.id.name] = l
	}
	r := l.Reserve()
	if wait = r.Delay(); wait > longestTurn {
		r.Cancel()
		g.warnLocked("call refused: too many", "method", c.method, "caller", c.String())
		return 0, later(codes.ResourceExhausted, reasonTooMany, wait,
			"too many requests by "+c.id.name+" from this host; come back after the time in RetryInfo", nil)
	}
	return wait, nil
}

// denied counts a call without valid credentials against its host. Beyond the rate
// the answer says no more what is wrong with them. A valid credential passes all the
// same: whoever shares an address with a guesser is not locked out.
func (g *guard) denied(c *call, err error) error {
	if status.Code(err) != codes.Unauthenticated {
		return err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	h := g.hostOf(c)
	if h == nil {
		return err
	}
	r := h.denied.Reserve()
	wait := r.Delay()
	if wait <= 0 {
		return err
	}
	r.Cancel()
	return later(codes.ResourceExhausted, reasonTooMany, wait,
		"too many calls without valid credentials from this host; check the token, and come back after the time in RetryInfo", nil)
}
