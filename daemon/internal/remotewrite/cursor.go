package remotewrite

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"

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
	Holes   []span `json:"holes"` // ascending, apart, none empty
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

// filled says that everything before to has been settled in the oldest hole.
func (c *cursor) filled(to uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for len(c.Holes) > 0 && c.Holes[0].From < to {
		if c.Holes[0].To > to {
			c.Holes[0].From = to
			return
		}
		c.Holes = slices.Delete(c.Holes, 0, 1)
	}
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
