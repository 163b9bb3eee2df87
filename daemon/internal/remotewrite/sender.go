package remotewrite

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"sync"
	"sync/atomic"
	"time"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// Sender sends to one receiver. Run it once.
type Sender struct {
	o      Options
	client *http.Client // of the options, but it follows no redirection
	host   string       // of the address, for the log
	cursor *cursor
	n      counters
	work   chan struct{} // a token: there may be a new hole

	version      atomic.Int32
	up           atomic.Bool
	began        time.Time    // of New: what lastAccepted counts from
	lastAccepted atomic.Int64 // ns since began; zero: never

	mu  sync.Mutex // guards bad
	bad string     // why the receiver is away, as it was last logged; empty: it is not
}

// New checks the options and reads the cursor. A cursor that can't be read costs that
// the whole journal is sent again; it is logged.
func New(o Options) (*Sender, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	o.fill()
	c, err := openCursor(o.Dir, o.Name, o.Journal.ID())
	if err != nil {
		o.Log.Error("remote write begins anew", "receiver", o.Name, "error", err)
	}
	if c.within(o.Journal.State().Head) {
		o.Log.Info("remote write had sent entries that the journal does not have: lost by an unclean stop, or the journal was put back from a copy", "receiver", o.Name)
	}
	if o.Window > 0 { // receiver and board may have lost power together
		c.doubt(o.Batch)
	}
	to, err := url.Parse(o.URL)
	if err != nil {
		return nil, fmt.Errorf("remote write to %s: url: %w", o.Name, err) // check has parsed it
	}
	client := *o.Client
	client.CheckRedirect = notRedirected
	s := &Sender{o: o, client: &client, host: to.Host, cursor: c, work: make(chan struct{}, 1), began: time.Now()}
	s.version.Store(int32(o.Version))
	return s, nil
}

// Run sends until ctx ends or the journal is closed. It fails only when the journal
// can't be read; what a receiver does is counted and logged, never an error.
func (s *Sender) Run(ctx context.Context) error {
	s.waitForTime(ctx)
	s.cursor.learn(s.o.Clock.Now())
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	lanes := []func(context.Context) error{s.runBacklog, s.runLive}
	if s.o.Window == 0 {
		lanes = []func(context.Context) error{s.runInOrder}
	}
	errs := make(chan error, len(lanes))
	for _, run := range lanes {
		go func() {
			errs <- run(ctx)
			cancel()
		}()
	}
	var all []error
	for range lanes {
		if err := <-errs; err != nil && !errors.Is(err, context.Canceled) && !errors.Is(err, journal.ErrClosed) {
			all = append(all, fmt.Errorf("remote write to %s: %w", s.o.Name, err))
		}
	}
	return errors.Join(all...)
}

// waitForTime waits for a synchronised clock, but not for ever: a lab may have no
// time server.
func (s *Sender) waitForTime(ctx context.Context) {
	for waited := time.Duration(0); waited < s.o.SyncWait && !s.o.Clock.Now().Synced; waited += time.Second {
		if sleep(ctx, time.Second) != nil {
			return
		}
	}
	if !s.o.Clock.Now().Synced {
		s.o.Log.Warn("the clock is not synchronised; samples are sent with the board's own time", "receiver", s.o.Name)
	}
}

// runLive sends the newest readings. It never tries a batch twice: what is not taken
// at once is left to the backlog, so that the next one is as new as can be.
func (s *Sender) runLive(ctx context.Context) error {
	l := newLane(s)
	defer l.close()
	var wait backoff
	var room []sample
	for {
		l.seek(s.cursor.live())
		b, err := l.gather(ctx, math.MaxUint64, room)
		if err != nil {
			return err
		}
		room = b.samples
		if s.lagging(b) {
			s.missBatch(b)
			s.miss(s.o.Journal.State().Head + 1)
			continue
		}
		a := answer{outcome: accepted}
		if len(b.samples) > 0 {
			a = s.deliver(ctx, b.samples)
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		switch a.outcome {
		case accepted:
			wait.reset()
			s.cursor.learn(s.o.Clock.Now())
			s.cursor.accept(span{b.from, b.to}, len(b.samples), time.Now(), b.gaps...)
			s.save()
		case refused, tooLarge:
			s.missBatch(b)
		default:
			s.missBatch(b)
			if err := wait.sleep(ctx, a.after); err != nil {
				return err
			}
			s.miss(s.o.Journal.State().Head + 1)
		}
	}
}

// lagging tells whether a batch is too old to be called live.
func (s *Sender) lagging(b batch) bool {
	if b.to > s.o.Journal.State().Head {
		return false
	}
	age, same := s.o.Clock.Now().Sub(b.newest)
	return !same || float64(age) > float64(liveLag)*max(s.o.Clock.Speed(), 1)
}

// missBatch leaves a batch to the backlog, but for the numbers that hold nothing: after
// an unclean stop there are millions.
func (s *Sender) missBatch(b batch) {
	s.cursor.advance(b.to, true)
	for _, g := range b.gaps {
		s.cursor.filled(g, 0, time.Now())
	}
	s.miss(b.to)
}

// miss leaves everything before to, to the backlog.
func (s *Sender) miss(to uint64) {
	s.cursor.advance(to, true)
	s.save()
	s.wake()
}

// wake tells the backlog that there may be a new hole.
func (s *Sender) wake() {
	select {
	case s.work <- struct{}{}:
	default:
	}
}

// save keeps the cursor on disk. A disk that does not take it costs that samples are
// sent again after a restart.
func (s *Sender) save() {
	if err := s.cursor.save(); err != nil {
		if s.n.unsaved.Add(1) == 1 {
			s.o.Log.Error("remote write can't keep what was acknowledged", "receiver", s.o.Name, "error", err)
		}
	}
}

// runBacklog sends what the live lane has left behind, oldest first.
func (s *Sender) runBacklog(ctx context.Context) error {
	l := newLane(s)
	defer l.close()
	var room []sample
	for {
		h, ok := s.cursor.oldest()
		if !ok {
			select {
			case <-s.work:
				continue
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		l.seek(h.From)
		b, err := l.gather(ctx, h.To, room)
		if err != nil {
			return err
		}
		room = b.samples
		if err := s.settle(ctx, b.samples, false); err != nil {
			return err
		}
		s.cursor.filled(span{b.from, b.to}, len(b.samples), time.Now(), b.gaps...)
		s.save()
	}
}

// runInOrder sends everything in its order: for receivers that take no older sample
// once they have a newer one.
func (s *Sender) runInOrder(ctx context.Context) error {
	l := newLane(s)
	defer l.close()
	var room []sample
	for first := true; ; first = false {
		from, end := s.cursor.live(), uint64(math.MaxUint64)
		h, hole := s.cursor.oldest() // left by a sender that had a window
		if hole {
			from, end = h.From, h.To
		}
		l.seek(from)
		b, err := l.gather(ctx, end, room)
		if err != nil {
			return err
		}
		room = b.samples
		if err := s.settle(ctx, b.samples, first); err != nil {
			return err
		}
		s.cursor.learn(s.o.Clock.Now())
		if hole {
			s.cursor.filled(span{b.from, b.to}, 0, time.Now())
		} else {
			s.cursor.advance(b.to, false)
		}
		s.save()
	}
}

// report logs when a receiver goes away and when it is back, and nothing between.
func (s *Sender) report(a answer) {
	ok := a.outcome == accepted || a.outcome == refused || a.outcome == tooLarge
	s.up.Store(ok)
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case ok && s.bad != "":
		s.o.Log.Info("receiver takes samples again", "receiver", s.o.Name)
		s.bad = ""
	case !ok && s.bad == "":
		s.bad = a.text
		s.o.Log.Warn("receiver does not take samples; they are kept in the journal", "receiver", s.o.Name, "answer", a.text)
		if a.gone && s.o.Window > 0 && s.cursor.doubt(math.MaxInt) { // it may have forgotten what it acknowledged last
			s.wake()
		}
	}
}

// Waits between attempts.
const (
	waitFirst = time.Second
	waitMost  = 30 * time.Second
)

// backoff is the wait between attempts; the zero value is ready.
type backoff struct{ next time.Duration }

func (b *backoff) reset() { b.next = 0 }

// sleep waits longer each time, with a fifth of jitter, or as long as was asked for.
func (b *backoff) sleep(ctx context.Context, asked time.Duration) error {
	b.next = min(max(2*b.next, waitFirst), waitMost)
	d := b.next - b.next/10 + rand.N(b.next/5)
	return sleep(ctx, max(d, asked))
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// now is rig wall time in ms.
func (s *Sender) now() int64 { return wallMS(s.o.Clock.Now()) }

func wallMS(at record.Stamp) int64 { return at.WallNS / 1e6 }
