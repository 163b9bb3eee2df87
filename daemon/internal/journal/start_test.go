package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"soakrig/daemon/record"
)

// TestCrashesAtStart fails each step of starting, several times in a row and each time a
// step later, and then starts in peace.
func TestCrashesAtStart(t *testing.T) {
	const n = 4000
	killed := store(t, n, false)
	for _, round := range [][]int{{1, 1, 1, 1}, {1, 2, 3, 4, 5, 6, 7, 8}, {3, 2, 1}} {
		dir := copyDir(t, killed)
		failed := 0
		for _, at := range round {
			opts := small(dir)
			steps := 0
			opts.tune.fault = func(string) error {
				if steps++; steps == at {
					return errors.New("the power went")
				}
				if steps > at {
					return errors.New("crashed")
				}
				return nil
			}
			j, err := Open(opts)
			if err != nil {
				failed++
				continue
			}
			crashes.Store(j, new(atomic.Bool))
			crash(j)
		}
		o := judge(t, fmt.Sprint(round), dir, n)
		if o.refused || o.missing > 0 {
			t.Errorf("after %v: refused %v, %d missing", round, o.refused, o.missing)
		}
		if failed == 0 {
			t.Errorf("%v: no start failed", round)
		}
	}
}

// TestRecordsComeBack: records.db that is deleted is taken from its newest copy, with
// the runs in it, and an event says so.
func TestRecordsComeBack(t *testing.T) {
	dir := t.TempDir()
	j := open(t, small(dir))
	appendN(t, j, 1, 200)
	must(t, j.PutRun(RunRow{Start: record.RunStart{Run: "a", Unit: "u"}, State: "ended", FirstSeq: 1, LastSeq: 100}))
	must(t, j.records.copyOut())
	id := j.ID()
	commit(t, j)
	must(t, j.Close())
	for _, s := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(filepath.Join(dir, recordsName+s)); err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
	}
	j = open(t, small(dir))
	defer j.Close()
	if row, err := j.Run("a"); err != nil || row.Start.Unit != "u" || j.ID() != id {
		t.Errorf("%+v %v, journal %s, want %s", row, err, j.ID(), id)
	}
	appendN(t, j, 201, 1)
	if states, texts := events(t, j, 1); !slices.Contains(states, "failed") || !strings.Contains(texts, "took its place") {
		t.Errorf("events %v %s", states, texts)
	}
}

// TestFileHeldByAnother: a program that has a file open when it should be finished (a
// backup, soakd journal check) delays that, and no more.
func TestFileHeldByAnother(t *testing.T) {
	opts := smallFiles(t)
	j := open(t, opts)
	defer j.Close()
	appendN(t, j, 1, 100)
	commit(t, j)
	db, err := openDB(filepath.Join(opts.Dir, sampleName(1)), openRead)
	must(t, err)
	rows, err := db.Query("SELECT seq FROM live")
	must(t, err)
	if !rows.Next() {
		t.Fatal("no rows")
	}
	k := uint64(101)
	for ; newestFirst(j) == 1; k += 100 {
		appendN(t, j, k, 100)
		commit(t, j)
	}
	first := j.files[0]
	for first.finishing.Load() {
		waitState(t, j)
	}
	if first.finished {
		t.Fatal("finished under a reader")
	}
	must(t, errors.Join(rows.Close(), db.Close()))
	j.finishAgain()
	if _, err := os.Stat(first.path + "-wal"); !first.finished || !errors.Is(err, os.ErrNotExist) {
		t.Errorf("finished %v, log: %v", first.finished, err)
	}
	if n, gaps := readTo(t, j.NewReader(1), k-1, identity); n != int(k-1) || gaps != nil {
		t.Errorf("%d entries, gaps %v", n, gaps)
	}
}
