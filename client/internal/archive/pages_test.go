package archive

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// The pages of these tests: page i stands for perPage readings of the test run.
const (
	perPage   = 120
	pageCount = 25
)

func onTheWay() (*Run, []Reading) { return testRun("2026-05-02-1", perPage*pageCount/3) }

func pageOf(i int) []byte {
	return append(binary.LittleEndian.AppendUint32(nil, uint32(i)), bytes.Repeat([]byte{byte(i)}, 20+i)...)
}

func indexOf(t interface{ Fatalf(string, ...any) }, page []byte) int {
	i := int(binary.LittleEndian.Uint32(page))
	if !bytes.Equal(page, pageOf(i)) {
		t.Fatalf("page %d comes back changed", i)
	}
	return i
}

// through gives the readings of pages kept, then of those that ask gives, as a rig does.
func through(all []Reading, p *Pages, ask func(i int) ([]byte, error)) Readings {
	return func(yield func(*Reading, error) bool) {
		next := 0
		deliver := func(page []byte) error {
			i := int(binary.LittleEndian.Uint32(page))
			if i != next {
				return fmt.Errorf("page %d where %d is next", i, next)
			}
			next++
			for j := range perPage {
				if !yield(&all[i*perPage+j], nil) {
					return errors.New("enough")
				}
			}
			return nil
		}
		err := p.Each(deliver)
		for err == nil && next < pageCount {
			var page []byte
			if page, err = ask(next); err == nil {
				err = p.Keep(page)
			}
			if err == nil {
				err = deliver(page)
			}
		}
		if err != nil {
			yield(nil, err)
		}
	}
}

const killPages = "SOAKRIG_TEST_PAGES"

// collectByPages is the child of TestKilledInTheMiddleOfARun: it asks its parent for one
// page after the other.
func collectByPages(dir string) error {
	a := OpenFolder(dir)
	unlock, err := a.Lock()
	if err != nil {
		return err
	}
	run, all := onTheWay()
	in := bufio.NewReader(os.Stdin)
	_, err = a.Collect(run, func(p *Pages) Readings {
		return through(all, p, func(i int) ([]byte, error) {
			fmt.Println(i)
			page := make([]byte, len(pageOf(i)))
			_, err := io.ReadFull(in, page)
			return page, err
		})
	})
	return errors.Join(err, unlock())
}

// TestKilledInTheMiddleOfARun kills a collector 50 times in the middle of one run: when
// it asks for each page, and when it has half of it. Whoever comes next asks for the
// first page that is not on disk, never for one that is; in the end the file is, byte
// for byte, what one that was never killed writes.
func TestKilledInTheMiddleOfARun(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for kill := range 2 * pageCount {
		at, half := kill/2, kill%2 == 1
		if first := killedAt(t, exe, dir, at, half); first != max(at-1+kill%2, 0) {
			t.Fatalf("kill %d: page %d was asked for first, although those before %d are on disk", kill, first, max(at-1+kill%2, 0))
		}
	}
	if first := killedAt(t, exe, dir, pageCount, false); first != pageCount-1 {
		t.Errorf("the last collector began at page %d", first)
	}
	run, all := onTheWay()
	whole := filepath.Join(t.TempDir(), "whole.parquet")
	if _, err := WriteFile(whole, func(w io.Writer) error { return Write(w, run, iterate(all)) }); err != nil {
		t.Fatal(err)
	}
	same(t, OpenFolder(dir).Path(run), whole)
	nothingLeft(t, dir)
}

// killedAt runs a collector, gives it the pages before at, and kills it when it asks for
// that one, or after half of it. first is the page it asked for first.
func killedAt(t *testing.T, exe, dir string, at int, half bool) (first int) {
	t.Helper()
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), killPages+"="+dir)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	first = -1
	for lines := bufio.NewScanner(out); lines.Scan(); {
		var i int
		if _, err := fmt.Sscan(lines.Text(), &i); err != nil {
			t.Fatalf("the collector says %q", lines.Text())
		}
		if first < 0 {
			first = i
		}
		page := pageOf(i)
		if i >= at {
			if half {
				_, _ = in.Write(page[:len(page)/2])
			}
			_ = cmd.Process.Kill()
			break
		}
		if _, err := in.Write(page); err != nil {
			t.Fatal(err)
		}
	}
	if err := cmd.Wait(); (err == nil) != (at == pageCount) {
		t.Fatalf("killed at page %d of %d: %v\n%s", at, pageCount, err, errs.String())
	}
	return first
}

func same(t *testing.T, got, want string) {
	t.Helper()
	g, err := os.ReadFile(got)
	if err != nil {
		t.Fatal(err)
	}
	w, err := os.ReadFile(want)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(g, w) {
		t.Errorf("%s differs from one that was written at once", got)
	}
}

func nothingLeft(t *testing.T, dir string) {
	t.Helper()
	left, err := filepath.Glob(filepath.Join(dir, "*", ".*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left over: %v, %v", left, err)
	}
}

// kept opens the pages of a run and gives their indices.
func kept(t *testing.T, a *Folder, run *Run) (got []int) {
	t.Helper()
	p, err := a.openPages(run)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = p.f.Close() }()
	if err := p.Each(func(page []byte) error { got = append(got, indexOf(t, page)); return nil }); err != nil {
		t.Fatal(err)
	}
	// What is there can be added to.
	if err := p.Keep(pageOf(len(got))); err != nil {
		t.Fatal(err)
	}
	n := 0
	if err := p.Each(func([]byte) error { n++; return nil }); err != nil || n != len(got)+1 {
		t.Fatalf("%d pages after %d and one more, %v", n, len(got), err)
	}
	return got
}

// TestPagesCutAndDamagedAnywhere: a file that is cut at any byte, or has any byte
// changed, gives the whole pages before that place, in order, and takes more.
func TestPagesCutAndDamagedAnywhere(t *testing.T) {
	a := OpenFolder(t.TempDir())
	run, _ := onTheWay()
	p, err := a.openPages(run)
	if err != nil {
		t.Fatal(err)
	}
	ends := []int64{}
	for i := range 4 {
		if err := p.Keep(pageOf(i)); err != nil {
			t.Fatal(err)
		}
		ends = append(ends, p.end)
	}
	if err := p.f.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(p.path)
	if err != nil {
		t.Fatal(err)
	}
	before := func(at int) (n int) {
		for _, end := range ends {
			if int64(at) >= end {
				n++
			}
		}
		return n
	}
	for at := range len(whole) + 1 {
		for what, b := range map[string][]byte{"cut": whole[:at], "changed": flip(append(whole, 0), at)[:len(whole)]} {
			if err := os.WriteFile(p.path, b, 0o644); err != nil {
				t.Fatal(err)
			}
			got := kept(t, a, run)
			if len(got) != before(at) {
				t.Fatalf("%s at byte %d: pages %v, want %d", what, at, got, before(at))
			}
			for i, page := range got {
				if page != i {
					t.Fatalf("%s at byte %d: pages %v", what, at, got)
				}
			}
		}
	}
}

// TestPagesOfAnotherRun: the same name on a rig whose journal was replaced, or another
// range, begins anew; the same run goes on.
func TestPagesOfAnotherRun(t *testing.T) {
	a := OpenFolder(t.TempDir())
	run, _ := onTheWay()
	if got := kept(t, a, run); len(got) != 0 {
		t.Errorf("new: %v", got)
	}
	if got := kept(t, a, run); len(got) != 1 {
		t.Errorf("again: %v", got)
	}
	other := *run
	other.Record.JournalID = "j2"
	if got := kept(t, a, &other); len(got) != 0 {
		t.Errorf("another journal: %v", got)
	}
	other.Record.LastSeq++
	if got := kept(t, a, &other); len(got) != 0 {
		t.Errorf("another end: %v", got)
	}
}

// TestPagesThatCantBeWritten: a full disk is an error of the page and of all after it;
// what was kept before is there.
func TestPagesThatCantBeWritten(t *testing.T) {
	a := OpenFolder(t.TempDir())
	run, _ := onTheWay()
	kept(t, a, run)
	p, err := a.openPages(run)
	if err != nil {
		t.Fatal(err)
	}
	whole := p.f
	if p.f, err = os.Open(p.path); err != nil { // not for writing
		t.Fatal(err)
	}
	for range 2 {
		if err := p.Keep(pageOf(1)); err == nil || !strings.Contains(err.Error(), p.path) {
			t.Errorf("got %v", err)
		}
	}
	if err := p.Keep(make([]byte, maxRecord+1)); err == nil {
		t.Error("a page without bound was taken")
	}
	if err := errors.Join(p.f.Close(), whole.Close()); err != nil {
		t.Fatal(err)
	}
	if got := kept(t, a, run); len(got) != 1 {
		t.Errorf("kept %v", got)
	}
}

// TestCollectFailsAndGoesOn: the rig goes away after some pages; the next Collect asks
// for the rest only. Two at once, as of a rig named twice, store one file.
func TestCollectFailsAndGoesOn(t *testing.T) {
	a := OpenFolder(t.TempDir())
	run, all := onTheWay()
	away := errors.New("the rig went away")
	_, err := a.Collect(run, func(p *Pages) Readings {
		return through(all, p, func(i int) ([]byte, error) {
			if i == 7 {
				return nil, away
			}
			return pageOf(i), nil
		})
	})
	if !errors.Is(err, away) {
		t.Fatal(err)
	}
	unlock, err := a.Lock() // clears leftovers, not what came of a run
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	asked := []int{}
	outcomes := map[Outcome]int{}
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			out, err := a.Collect(run, func(p *Pages) Readings {
				return through(all, p, func(i int) ([]byte, error) {
					mu.Lock()
					defer mu.Unlock()
					asked = append(asked, i)
					return pageOf(i), nil
				})
			})
			mu.Lock()
			defer mu.Unlock()
			if outcomes[out]++; err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if outcomes[Stored] != 1 || outcomes[Kept] != 1 || len(asked) != pageCount-7 || asked[0] != 7 {
		t.Errorf("%v, asked for %v", outcomes, asked)
	}
	if err := unlock(); err != nil {
		t.Fatal(err)
	}
	nothingLeft(t, a.Dir())

	// Killed after the file was there and before its pages were removed.
	kept(t, a, run)
	if unlock, err = a.Lock(); err != nil {
		t.Fatal(err)
	}
	nothingLeft(t, a.Dir())
	if err := unlock(); err != nil {
		t.Fatal(err)
	}
}
