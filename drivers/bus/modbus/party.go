package modbus

import (
	"context"
	"fmt"
	"sync"
	"time"

	"soakrig/drivers/bus"
)

// party is the sources on one RTU line. They take turns: one exchange at a time, with
// the pauses of whoever needs the longest. A unit that stays silent rests, so that it
// costs the other sources one time-out per RestTime.
type party struct {
	turn  chan struct{}      // one element: who took it may use what follows
	rtu   *RTU               // of the turn's holder
	units map[uint8]*Breaker // of the turn's holder

	mu     sync.Mutex // guards guests
	guests map[*guest]RTUOptions
}

func newParty(rtu *RTU) *party {
	p := &party{turn: make(chan struct{}, 1), rtu: rtu, units: map[uint8]*Breaker{}, guests: map[*guest]RTUOptions{}}
	p.turn <- struct{}{}
	return p
}

// join adds a source; leave says whether it was the last one.
func (p *party) join(o RTUOptions, leave func() (last bool)) *guest {
	g := &guest{party: p, opt: fillRTU(o), leave: leave}
	g.life, g.end = context.WithCancel(context.Background())
	p.mu.Lock()
	defer p.mu.Unlock()
	p.guests[g] = g.opt
	return g
}

// options are a guest's own with the longest pauses of all, and how many there are.
func (p *party) options(own RTUOptions) (RTUOptions, int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, o := range p.guests {
		own.Gap, own.Quiet = max(own.Gap, o.Gap), max(own.Quiet, o.Quiet)
	}
	return own, len(p.guests)
}

// guest is one source on the line.
type guest struct {
	party *party
	opt   RTUOptions
	leave func() (last bool)
	life  context.Context // ends with Close
	end   context.CancelFunc
}

var _ Master = (*guest)(nil)

// Read waits for its turn and asks. Its errors are those of RTU.Read.
func (g *guest) Read(ctx context.Context, req Request, dst []byte) error {
	p := g.party
	if g.life.Err() != nil {
		return fmt.Errorf("%s: %s: %w", p.rtu.name, req, bus.ErrClosed)
	}
	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(g.life, cancel)()
	select {
	case <-p.turn:
	case <-inner.Done():
		return g.ended(ctx, fmt.Errorf("%s: %s: waited for its turn on the line: %w", p.rtu.name, req, context.Cause(inner)))
	}
	defer func() { p.turn <- struct{}{} }()
	var guests int
	p.rtu.opt, guests = p.options(g.opt)
	unit := p.units[req.Unit]
	if unit == nil {
		unit = &Breaker{}
		p.units[req.Unit] = unit
	}
	if guests > 1 {
		if err := unit.Err(time.Now()); err != nil {
			return fmt.Errorf("%s: %s: %w", p.rtu.name, req, err)
		}
	}
	err := p.rtu.Read(inner, req, dst)
	unit.Note(time.Now(), err)
	return g.ended(ctx, err)
}

// ended says that the guest was closed, where that is why err came.
func (g *guest) ended(ctx context.Context, err error) error {
	if err != nil && g.life.Err() != nil && ctx.Err() == nil {
		return fmt.Errorf("%w: %w", bus.ErrClosed, err)
	}
	return err
}

// Close ends a running Read at once. It may be called more than once; the last guest
// closes the line.
func (g *guest) Close() error {
	g.end()
	g.party.mu.Lock()
	delete(g.party.guests, g)
	g.party.mu.Unlock()
	if g.leave() {
		return g.party.rtu.Close()
	}
	return nil
}
