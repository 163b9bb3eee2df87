package rigtime

import (
	"container/heap"
	"context"
	"sync"
	"time"

	"soakrig/daemon/record"
)

// Paced is a clock for simulated rigs. It moves from one deadline to the next as
// soon as nobody holds it, but not faster than Speed times real time.
type Paced struct {
	speed float64
	boot  record.BootID

	mu     sync.Mutex
	wall0  int64      // wall time at rig time zero, ns; guarded by mu
	lost   bool       // the wall clock is not synchronised; guarded by mu
	cond   *sync.Cond // guards nothing of its own: signalled when holds, sleepers or closed change
	now    int64      // rig time in ns; guarded by mu
	holds  int        // guarded by mu
	sleep  sleepers   // guarded by mu
	closed bool       // guarded by mu
	done   chan struct{}

	release func() // letGo, made once so that a tick allocates nothing for it
}

// NewPaced starts a paced clock at rig time zero. speed is rig seconds per real
// second, > 0; wall is the wall time the rig believes in at zero. Close it.
func NewPaced(speed float64, boot record.BootID, wall time.Time) *Paced {
	c := &Paced{speed: speed, boot: boot, wall0: wall.UnixNano(), done: make(chan struct{})}
	c.cond = sync.NewCond(&c.mu)
	c.release = c.letGo
	go c.run()
	return c
}

// Speed is how many rig seconds pass in a real second.
func (c *Paced) Speed() float64 { return c.speed }

// Now implements Clock.
func (c *Paced) Now() record.Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	return record.Stamp{Boot: c.boot, BootNS: c.now, WallNS: c.wall0 + c.now, Synced: !c.lost}
}

// SetWall sets the wall clock forward or back by step, as a time service or a person
// does, and says whether it is synchronised from now on. Rig time is not affected.
func (c *Paced) SetWall(step time.Duration, synced bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wall0 += int64(step)
	c.lost = !synced
}

// Elapsed is rig time since the clock started.
func (c *Paced) Elapsed() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Duration(c.now)
}

// SleepUntil implements Clock.
func (c *Paced) SleepUntil(ctx context.Context, bootNS int64) error {
	c.mu.Lock()
	return c.wait(ctx, bootNS, false)
}

// Tick implements Clock.
func (c *Paced) Tick(ctx context.Context, bootNS int64) (func(), error) {
	c.mu.Lock()
	if err := c.wait(ctx, bootNS, true); err != nil {
		return nil, err
	}
	return c.release, nil
}

// Retick implements Clock.
func (c *Paced) Retick(ctx context.Context, bootNS int64) error {
	c.mu.Lock()
	c.holds--
	c.cond.Signal() // run looks once wait has put the next deadline down
	return c.wait(ctx, bootNS, true)
}

// Pause lets d of rig time pass for a goroutine that holds the clock (between Tick
// and done): it lets go, sleeps, and holds again, whatever it returns.
func (c *Paced) Pause(ctx context.Context, d time.Duration) error {
	c.mu.Lock()
	at := c.now + int64(d)
	c.holds--
	c.cond.Signal()
	err := c.wait(ctx, at, true)
	if err != nil {
		c.mu.Lock()
		c.holds++
		c.mu.Unlock()
	}
	return err
}

func (c *Paced) letGo() {
	c.mu.Lock()
	c.holds--
	c.cond.Signal()
	c.mu.Unlock()
}

// wait sleeps until bootNS; with hold it returns holding the clock unless it fails. It
// is called with mu locked and returns with mu unlocked.
func (c *Paced) wait(ctx context.Context, bootNS int64, hold bool) error {
	if err := ctx.Err(); err != nil {
		c.mu.Unlock()
		return err
	}
	if bootNS <= c.now || c.closed {
		if hold {
			c.holds++
		}
		c.mu.Unlock()
		return nil
	}
	s := &sleeper{at: bootNS, wake: make(chan struct{}), hold: hold}
	heap.Push(&c.sleep, s)
	c.cond.Signal()
	c.mu.Unlock()
	select {
	case <-s.wake:
		return nil
	case <-ctx.Done():
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if s.index >= 0 {
		heap.Remove(&c.sleep, s.index)
	} else if hold { // woken at the same moment, holding
		c.holds--
		c.cond.Signal()
	}
	return ctx.Err()
}

// Close stops the clock and wakes every sleeper.
func (c *Paced) Close() {
	c.mu.Lock()
	c.closed = true
	c.cond.Signal()
	c.mu.Unlock()
	<-c.done
}

// run moves the clock: at most one step to the next deadline at a time, so that
// whoever wakes can hold it before it moves on.
func (c *Paced) run() {
	defer close(c.done)
	start := time.Now()
	c.mu.Lock()
	defer c.mu.Unlock()
	for {
		for !c.closed && (c.holds > 0 || len(c.sleep) == 0) {
			c.cond.Wait()
		}
		if c.closed {
			for len(c.sleep) > 0 {
				close(heap.Pop(&c.sleep).(*sleeper).wake)
			}
			return
		}
		at := c.sleep[0].at
		due := start.Add(time.Duration(float64(at) / c.speed))
		if wait := time.Until(due); wait > 0 {
			c.mu.Unlock()
			time.Sleep(wait)
			c.mu.Lock()
			continue // somebody may have held the clock or come with an earlier deadline
		} else if wait < -time.Second {
			start = start.Add(-wait) // the machine can't keep up: do not race afterwards
		}
		c.now = max(c.now, at)
		for len(c.sleep) > 0 && c.sleep[0].at <= c.now {
			s := heap.Pop(&c.sleep).(*sleeper)
			if s.hold {
				c.holds++
			}
			close(s.wake)
		}
	}
}

type sleeper struct {
	at    int64
	wake  chan struct{}
	index int  // in the heap; -1 once removed
	hold  bool // woken holding the clock
}

type sleepers []*sleeper

func (s sleepers) Len() int           { return len(s) }
func (s sleepers) Less(i, j int) bool { return s[i].at < s[j].at }
func (s sleepers) Swap(i, j int) {
	s[i], s[j] = s[j], s[i]
	s[i].index, s[j].index = i, j
}
func (s *sleepers) Push(x any) {
	e := x.(*sleeper)
	e.index = len(*s)
	*s = append(*s, e)
}
func (s *sleepers) Pop() any {
	old := *s
	e := old[len(old)-1]
	e.index = -1
	*s = old[:len(old)-1]
	return e
}
