package remotewrite

import (
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"soakrig/daemon/record"
)

func newCursor(t testing.TB, dir, journal string) *cursor {
	t.Helper()
	c, err := openCursor(dir, "lab", journal)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// What was never acknowledged is always in a hole or still to come, whatever happened
// and however many holes had to be joined; a saved cursor reads back as it was.
func TestCursorForgetsNothing(t *testing.T) {
	dir := t.TempDir()
	rapid.Check(t, func(rt *rapid.T) {
		c := &cursor{path: filepath.Join(dir, "remote-write-lab.json"), state: state{Journal: "j", Live: 1}}
		now := time.Now()
		done, fresh := map[uint64]bool{}, map[uint64]bool{} // fresh: acknowledged in an instant that has not passed
		for range rapid.IntRange(1, 400).Draw(rt, "steps") {
			switch rapid.IntRange(0, 4).Draw(rt, "step") {
			case 0, 1:
				to, missed := c.Live+uint64(rapid.IntRange(1, 9).Draw(rt, "by")), rapid.Bool().Draw(rt, "missed")
				for n := c.Live; n < to && !missed; n++ {
					done[n], fresh[n] = true, true
				}
				if missed {
					c.advance(to, true)
				} else {
					c.accept(span{c.Live, to}, 1, now)
				}
			case 2:
				if h, ok := c.oldest(); ok {
					to := min(h.From+uint64(rapid.IntRange(1, 12).Draw(rt, "fill")), c.Live)
					for n := h.From; n < to; n++ { // what lies beyond the hole was read as a gap
						done[n], fresh[n] = true, true
					}
					c.filled(span{h.From, to}, 1, now)
				}
			case 3:
				c.advance(c.Live-min(c.Live-1, 3), true) // back: nothing happens
			case 4: // the receiver was killed, and has forgotten what it acknowledged last
				now = now.Add(time.Duration(rapid.IntRange(0, 2).Draw(rt, "later")) * freshFor)
				forget := len(c.Fresh)
				c.doubt(math.MaxInt)
				if forget < freshKept {
					maps.DeleteFunc(done, func(n uint64, _ bool) bool { return fresh[n] })
				}
				clear(fresh)
			}
			if !c.valid() || len(c.Holes) > holesKept {
				rt.Fatalf("cursor %+v", c.state)
			}
		}
		waits := map[uint64]bool{}
		for _, h := range c.Holes {
			for n := h.From; n < h.To; n++ {
				waits[n] = true
			}
		}
		for n := uint64(1); n < c.Live; n++ {
			if !done[n] && !waits[n] {
				rt.Fatalf("entry %d was forgotten: %+v", n, c.state)
			}
		}
		if err := c.save(); err != nil {
			rt.Fatal(err)
		}
		if got := newCursor(t, dir, "j"); got.Live != c.Live || len(got.Holes) != len(c.Holes) || got.backlog() != c.backlog() {
			rt.Fatalf("%+v was read as %+v", c.state, got.state)
		}
	})
	if files, err := filepath.Glob(filepath.Join(dir, "*.new*")); err != nil || len(files) > 0 {
		t.Errorf("left behind: %v %v", files, err)
	}
}

func TestCursorOfAnotherJournal(t *testing.T) {
	dir := t.TempDir()
	c := newCursor(t, dir, "one")
	c.advance(100, false)
	if err := c.save(); err != nil {
		t.Fatal(err)
	}
	if got := newCursor(t, dir, "two"); got.Live != 1 {
		t.Errorf("a replaced journal begins at %d, want 1", got.Live)
	}
}

func TestDamagedCursor(t *testing.T) {
	for name, text := range map[string]string{
		"empty": "", "cut": `{"journal":"j","li`, "zero": `{"journal":"j","live":"0"}`,
		"holes behind": `{"journal":"j","live":"5","holes":[{"from":"3","to":"9"}]}`,
		"order":        `{"journal":"j","live":"50","holes":[{"from":"30","to":"40"},{"from":"3","to":"9"}]}`,
		"empty hole":   `{"journal":"j","live":"50","holes":[{"from":"30","to":"30"}]}`,
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, "remote-write-lab.json"), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			c, err := openCursor(dir, "lab", "j")
			if err == nil || !strings.Contains(err.Error(), "sent again") || c.Live != 1 || len(c.Holes) != 0 {
				t.Errorf("%v, cursor %+v", err, c.state)
			}
		})
	}
}

func TestCursorThatCantBeSaved(t *testing.T) {
	c := newCursor(t, filepath.Join(t.TempDir(), "gone"), "j")
	if err := c.save(); err == nil || !strings.Contains(err.Error(), "save cursor") {
		t.Errorf("error %v", err)
	}
}

func TestOffsetIsLearntOncePerBoot(t *testing.T) {
	c := newCursor(t, t.TempDir(), "j")
	boot := record.BootID{1}
	c.learn(record.Stamp{Boot: boot, BootNS: 5, WallNS: 105})
	if _, ok := c.offset(boot); ok {
		t.Error("learnt from a clock that is not synchronised")
	}
	c.learn(record.Stamp{Boot: boot, BootNS: 5, WallNS: 105, Synced: true})
	c.learn(record.Stamp{Boot: boot, BootNS: 5, WallNS: 109, Synced: true})
	if ns, ok := c.offset(boot); !ok || ns != 100 {
		t.Errorf("offset %d %v, want 100: one time for one sample, however often it is sent", ns, ok)
	}
	if _, ok := c.offset(record.BootID{2}); ok {
		t.Error("the offset of another boot")
	}
}

// What was acknowledged last is sent again when the receiver may have forgotten it: all
// of two minutes when it was away, a batch of it after a restart of ours.
func TestDoubt(t *testing.T) {
	began := time.Now()
	fill := func() *cursor {
		c := newCursor(t, t.TempDir(), "j")
		for i := range uint64(10) { // a batch of 100 samples in 50 entries, every 30 s
			c.accept(span{1 + 50*i, 51 + 50*i}, 100, began.Add(time.Duration(i)*30*time.Second))
		}
		return c
	}
	c := fill()
	if !c.doubt(math.MaxInt) || len(c.Holes) != 1 || c.Holes[0] != (span{251, 501}) || c.Live != 501 {
		t.Errorf("holes %v, want 251 to 500: the newest two minutes", c.Holes)
	}
	if c.doubt(math.MaxInt) {
		t.Error("doubted twice")
	}
	c = fill()
	if !c.doubt(150) || len(c.Holes) != 1 || c.Holes[0] != (span{426, 501}) {
		t.Errorf("holes %v, want 426 to 500: 150 samples", c.Holes)
	}
	if !c.doubt(math.MaxInt) || c.Holes[0] != (span{251, 501}) || !c.valid() {
		t.Errorf("holes %v, want the rest of it too", c.Holes)
	}
	c = fill()
	if !c.doubt(100) || c.Holes[0] != (span{451, 501}) || len(c.Fresh) != 4 {
		t.Errorf("holes %v, want one range as a whole; fresh %v", c.Holes, c.Fresh)
	}
}

// The numbers that an unclean stop left empty are not sent again.
func TestDoubtLeavesEmptyNumbersOut(t *testing.T) {
	c := newCursor(t, t.TempDir(), "j")
	c.accept(span{1, 1 << 25}, 100, time.Now(), span{50, 1 << 24})
	c.doubt(math.MaxInt)
	if len(c.Holes) != 2 || c.Holes[0] != (span{1, 50}) || c.Holes[1] != (span{1 << 24, 1 << 25}) || !c.valid() {
		t.Errorf("holes %v", c.Holes)
	}
}

// A journal that was put back from a copy gives its numbers again: what they hold now
// has not been sent.
func TestCursorBehindTheHead(t *testing.T) {
	c := newCursor(t, t.TempDir(), "j")
	c.advance(100, false)
	c.advance(200, true)
	start := time.Now()
	c.filled(span{120, 140}, 20, start)
	c.filled(span{145, 170}, 25, start.Add(joinFor))
	c.accept(span{200, 300}, 5, start.Add(2*joinFor))
	if c.within(299) || !c.within(149) {
		t.Error("299 is the head of what was sent, 149 is not")
	}
	if c.Live != 150 || !slices.Equal(c.Holes, []span{{100, 120}, {140, 145}}) || !c.valid() {
		t.Errorf("cursor %+v, want live 150 and the holes 100 to 119 and 140 to 144", c.state)
	}
	// The receiver was killed with us, and has forgotten what it acknowledged last.
	if !c.doubt(math.MaxInt) || !slices.Equal(c.Holes, []span{{100, 150}}) || !c.valid() {
		t.Errorf("holes %v, want 100 to 149", c.Holes)
	}
}
