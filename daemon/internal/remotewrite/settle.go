package remotewrite

import (
	"context"
	"time"
)

// triesBefore is how often a "500" is tried again before the batch is suspected.
const triesBefore = 5

// settle brings every sample to the receiver or gives it up with a reason. A batch
// that is refused is halved until the culprit stands alone, since receivers throw
// away a whole request for one sample. repeat says that the batch may have been stored
// before, by a sender that was stopped. It fails only with ctx's error.
func (s *Sender) settle(ctx context.Context, all []sample, repeat bool) error {
	sortSamples(all)
	parts := [][]sample{all} // the last is next
	var taken [][]sample     // parts that were acknowledged
	var wait backoff
	var ill illness
	for len(parts) > 0 {
		p := s.young(parts[len(parts)-1])
		parts = parts[:len(parts)-1]
		if len(p) == 0 {
			continue
		}
		a := s.deliver(ctx, p)
		if err := ctx.Err(); err != nil {
			return err
		}
		if a.outcome == broken && s.suspect(&ill) {
			a.outcome = refused
		}
		repeat = repeat || a.lost
		if repeat && s.o.Window == 0 && a.why == refusedOrder {
			a.why = refusedRepeat // without a window a receiver does not say that it has a sample already
		}
		switch a.outcome {
		case accepted:
			wait.reset()
			taken = append(taken, p)
		case refused, tooLarge:
			if len(p) == 1 {
				s.n.dropped[a.why].Add(1)
				continue
			}
			parts = append(parts, p[len(p)/2:], p[:len(p)/2])
		default:
			parts = append(parts, p)
			if a.gone && s.o.Window > 0 {
				parts, taken = append(parts, taken...), nil
			}
			if err := s.patience(ctx, &wait, a.after); err != nil {
				return err
			}
		}
	}
	return nil
}

// liveFirst is how long a backlog that was not taken leaves it to the live lane to find
// out whether the receiver is back.
const liveFirst = 2 * time.Minute

// patience waits before another attempt. With two lanes the newest readings are the
// first that a receiver gets when it is back.
func (s *Sender) patience(ctx context.Context, wait *backoff, asked time.Duration) error {
	if err := wait.sleep(ctx, asked); err != nil {
		return err
	}
	for waited := time.Duration(0); s.o.Window > 0 && !s.up.Load() && waited < liveFirst; waited += time.Second {
		if err := sleep(ctx, time.Second); err != nil {
			return err
		}
	}
	return nil
}

// illness is what was seen of a receiver that answers "500" to a batch.
type illness struct {
	began time.Time // zero: it did not
	tries int
}

// suspect tells whether a "500" is the batch's fault rather than the receiver's: it
// takes other requests meanwhile. In order there are no others, so time decides.
func (s *Sender) suspect(i *illness) bool {
	now := time.Now()
	if i.began.IsZero() {
		i.began = now
	}
	i.tries++
	if i.tries < triesBefore {
		return false
	}
	if s.o.Window == 0 {
		return now.Sub(i.began) >= s.o.GiveUp
	}
	last := s.began.Add(time.Duration(s.lastAccepted.Load()))
	return last.After(i.began) && now.Sub(last) < 3*s.o.Flush
}

// young leaves out, and counts, samples that are older than the receiver's window.
func (s *Sender) young(p []sample) []sample {
	if s.o.Window == 0 {
		return p
	}
	since := s.now() - s.o.Window.Milliseconds()
	kept := p[:0]
	for _, x := range p {
		if x.ms >= since {
			kept = append(kept, x)
		}
	}
	s.n.dropped[tooOld].Add(uint64(len(p) - len(kept)))
	return kept
}
