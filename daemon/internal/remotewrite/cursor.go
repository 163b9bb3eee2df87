package remotewrite

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"soakrig/daemon/record"
)

// span is a range of sequence numbers: From, and everything before To.
type span struct {
	From uint64 `json:"from,string"`
	To   uint64 `json:"to,string"`
}

// holesKept bounds the holes of a cursor. More are joined with what lies between
// them, which is then sent twice: receivers take the same sample again.
const holesKept = 64

// ack is a range that a receiver has acknowledged, and may not have on its disk yet.
type ack struct {
	span
	Samples int   `json:"samples"`
	AtMS    int64 `json:"at_ms,string"` // of its first acknowledgement: world's time, since 1970
}

// freshFor is for how long an acknowledgement counts as fresh: receivers acknowledge
// samples before their disk has them, and forget them when they are killed.
// VictoriaMetrics 1.79.5 was seen to forget 10 s of a series, and whole series that it
// had met 30 s before.
const freshFor = 2 * time.Minute

// joinFor is for how long acknowledgements are joined that follow each other: a long
// backlog may give hundreds a second.
const joinFor = 2 * time.Second

// freshKept bounds the acknowledgements that count as fresh.
const freshKept = 256

// cursor is what a receiver has acknowledged: everything before Live but for the
// holes. Its methods may be called concurrently.
type cursor struct {
	path string

	saving sync.Mutex // held while the file is written, so that an older state never replaces a newer one

	mu sync.Mutex // guards state
	state
}

// state is the cursor's file.
type state struct {
	Journal string `json:"journal"` // id of the journal that the numbers belong to
	Live    uint64 `json:"live,string"`
	Holes   []span `json:"holes"`           // ascending, apart, none empty
	Fresh   []ack  `json:"fresh,omitempty"` // acknowledged last, in that order
	// Wall time minus monotonic time of a boot, found when its clock was synchronised:
	// the times of its samples of before.
	Boot     string `json:"boot,omitempty"`
	OffsetNS int64  `json:"offset_ns,string,omitempty"`
}

// openCursor reads the file of a receiver. Without one, or with that of another
// journal, nothing has been acknowledged. A damaged file is the same, with an error
// to be said: the cost is that samples are sent again.
func openCursor(dir, receiver, journal string) (*cursor, error) {
	c := &cursor{path: filepath.Join(dir, "remote-write-"+receiver+".json")}
	fresh := state{Journal: journal, Live: 1}
	text, err := os.ReadFile(c.path)
	if err == nil {
		err = json.Unmarshal(text, &c.state)
	}
	if err == nil && !c.valid() {
		err = errors.New("its numbers contradict each other")
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		c.state, err = fresh, nil
	case err != nil:
		c.state, err = fresh, fmt.Errorf("cursor %s can't be read; everything in the journal is sent again: %w", c.path, err)
	case c.Journal != journal:
		c.state = fresh
	}
	return c, err
}

func (s *state) valid() bool {
	last := uint64(0)
	for _, h := range s.Holes {
		if h.From <= last && last != 0 || h.To <= h.From || h.To > s.Live {
			return false
		}
		last = h.To
	}
	for _, a := range s.Fresh {
		if a.To <= a.From || a.To > s.Live || a.Samples < 1 {
			return false
		}
	}
	return s.Live > 0
}

// save writes the file: new file, sync, rename.
func (c *cursor) save() error {
	c.saving.Lock()
	defer c.saving.Unlock()
	c.mu.Lock()
	text, err := json.Marshal(c.state)
	c.mu.Unlock()
	if err != nil {
		return fmt.Errorf("cursor: %w", err)
	}
	if err := replaceFile(c.path, append(text, '\n')); err != nil {
		return fmt.Errorf("save cursor: %w", err)
	}
	return nil
}

func replaceFile(path string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new*")
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer dir.Close()
	return dir.Sync()
}

// accept moves Live behind a range that was acknowledged.
func (c *cursor) accept(done span, samples int, at time.Time, empty ...span) {
	c.advance(done.To, false)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.remember(done, samples, at, empty)
}

// advance moves Live to a later number; missed says that what lies between was not
// acknowledged.
func (c *cursor) advance(to uint64, missed bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if to <= c.Live {
		return
	}
	if missed {
		if n := len(c.Holes); n > 0 && c.Holes[n-1].To == c.Live {
			c.Holes[n-1].To = to
		} else {
			c.Holes = append(c.Holes, span{c.Live, to})
		}
		c.join()
	}
	c.Live = to
}

// join makes one hole of the two that are nearest to each other while there are too
// many.
func (c *cursor) join() {
	for len(c.Holes) > holesKept {
		best := 1
		for i := 2; i < len(c.Holes); i++ {
			if c.Holes[i].From-c.Holes[i-1].To < c.Holes[best].From-c.Holes[best-1].To {
				best = i
			}
		}
		c.Holes[best-1].To = c.Holes[best].To
		c.Holes = slices.Delete(c.Holes, best, best+1)
	}
}

// filled says that a range has been settled, and when; samples of it were acknowledged,
// and some of its numbers are empty.
func (c *cursor) filled(done span, samples int, at time.Time, empty ...span) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var left []span
	for _, h := range c.Holes {
		if before := (span{h.From, min(h.To, done.From)}); before.From < before.To {
			left = append(left, before)
		}
		if behind := (span{max(h.From, done.To), h.To}); behind.From < behind.To {
			left = append(left, behind)
		}
	}
	c.Holes = left
	c.join()
	c.remember(done, samples, at, empty)
}

// remember keeps a range as acknowledged last, but for numbers in it that are empty,
// which are in order.
func (c *cursor) remember(done span, samples int, at time.Time, empty []span) {
	for _, g := range empty {
		c.rememberPart(span{done.From, min(g.From, done.To)}, samples, at)
		done.From = max(done.From, g.To)
	}
	c.rememberPart(done, samples, at)
}

func (c *cursor) rememberPart(done span, samples int, at time.Time) {
	if samples == 0 || done.To <= done.From {
		return
	}
	now := at.UnixMilli()
	old := 0
	for old < len(c.Fresh) && now-c.Fresh[old].AtMS > (freshFor+joinFor).Milliseconds() {
		old++
	}
	c.Fresh = slices.Delete(c.Fresh, 0, old)
	for i := len(c.Fresh) - 1; i >= max(0, len(c.Fresh)-2); i-- { // there are two lanes
		if a := &c.Fresh[i]; a.To == done.From && now-a.AtMS < joinFor.Milliseconds() {
			a.To, a.Samples = done.To, a.Samples+samples
			return
		}
	}
	c.Fresh = append(c.Fresh, ack{done, samples, now})
	if n := len(c.Fresh) - freshKept; n > 0 {
		c.Fresh = slices.Delete(c.Fresh, 0, n)
	}
}

// doubt makes holes of what was acknowledged last: of the newest samples, at most about
// so many. It says whether there was any.
func (c *cursor) doubt(most int) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	any := false
	for n := len(c.Fresh); n > 0 && most > 0; n = len(c.Fresh) {
		a := &c.Fresh[n-1]
		doubtful := a.span
		if a.Samples > most { // the newer part of it
			entries := uint64(float64(a.To-a.From) * float64(most) / float64(a.Samples))
			doubtful.From = a.To - max(entries, 1)
			a.To, a.Samples, most = doubtful.From, a.Samples-most, 0
		} else {
			most -= a.Samples
			a.To = a.From
		}
		if a.To <= a.From {
			c.Fresh = c.Fresh[:n-1]
		}
		c.Holes = append(c.Holes, doubtful)
		any = true
	}
	if !any {
		return false
	}
	slices.SortFunc(c.Holes, func(a, b span) int { return cmp.Compare(a.From, b.From) })
	apart := c.Holes[:0]
	for _, h := range c.Holes {
		if n := len(apart); n > 0 && h.From <= apart[n-1].To {
			apart[n-1].To = max(apart[n-1].To, h.To)
		} else if h.From < h.To {
			apart = append(apart, h)
		}
	}
	c.Holes = apart
	c.join()
	return true
}

// within forgets what lies behind the head of the journal: a journal that was put back
// from a copy gives its numbers again. It says whether there was any. What was
// acknowledged last stays in doubt: receiver and soakd may have been killed together.
func (c *cursor) within(head uint64) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.Live <= head+1 {
		return false
	}
	c.Live = head + 1
	for i := range c.Fresh {
		a := &c.Fresh[i]
		a.To = min(a.To, c.Live)
	}
	c.Fresh = slices.DeleteFunc(c.Fresh, func(a ack) bool { return a.To <= a.From })
	c.Holes = slices.DeleteFunc(c.Holes, func(h span) bool { return h.From >= c.Live })
	if n := len(c.Holes); n > 0 {
		c.Holes[n-1].To = min(c.Holes[n-1].To, c.Live)
	}
	return true
}

// oldest is the oldest hole; ok is false when there is none.
func (c *cursor) oldest() (h span, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.Holes) == 0 {
		return span{}, false
	}
	return c.Holes[0], true
}

// live is the number that the live lane goes on with.
func (c *cursor) live() uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.Live
}

// backlog is the number of entries in holes.
func (c *cursor) backlog() (n uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, h := range c.Holes {
		n += h.To - h.From
	}
	return n
}

// learn keeps a synchronised stamp of a boot of which none was kept yet.
func (c *cursor) learn(s record.Stamp) {
	if !s.Synced {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if boot := s.Boot.String(); c.Boot != boot {
		c.Boot, c.OffsetNS = boot, s.WallNS-s.BootNS
	}
}

// offset is what learn kept of a boot.
func (c *cursor) offset(boot record.BootID) (ns int64, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.OffsetNS, c.Boot != "" && c.Boot == boot.String()
}
