package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// files are the sample files of a folder, ascending.
func files(t testing.TB, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "samples-*.db"))
	if err != nil || len(names) == 0 {
		t.Fatal("no files", err)
	}
	return names
}

func put(t testing.TB, to, from string) {
	t.Helper()
	p, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, p, 0o640); err != nil {
		t.Fatal(err)
	}
}

// gone removes a file that may not be there.
func gone(t testing.TB, path string) {
	t.Helper()
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// sqlOn runs statements on a database that nothing else has open.
func sqlOn(t testing.TB, path, text string) {
	t.Helper()
	db, err := openDB(path, openWrite)
	must(t, err)
	_, err = db.Exec(text)
	must(t, errors.Join(err, db.Close()))
}

// otherStore is a journal of another rig: the same numbers, other values.
func otherStore(t testing.TB, n uint64, clean bool) string {
	t.Helper()
	opts := smallFiles(t)
	j := open(t, opts)
	for k := uint64(1); k <= n; k += 100 {
		appendN(t, j, k+500_000, 100)
		commit(t, j)
	}
	j.workersIdle()
	if clean {
		must(t, j.Close())
	} else {
		crash(j)
	}
	return opts.Dir
}

// TestHands are what people do to a journal's folder with copies, renames and deletions.
// No entry may hold another's value, no number may be used again, and what is missing
// must lie in a gap. missing is the most that may be.
func TestHands(t *testing.T) {
	const n = 6700
	smaller := func() Options { // seals that wait for a busy machine make files larger
		opts := smallFiles(t)
		opts.tune.rotateBytes = 24 << 10
		return opts
	}
	clean, killed := storeOf(t, smaller(), n, true), storeOf(t, smaller(), n, false)
	early := copyOfHalf(t, n)
	other, otherKilled := otherStore(t, n, true), otherStore(t, n, false)
	if len(files(t, clean)) < 4 || len(files(t, killed)) < 4 {
		t.Fatal("too few files")
	}
	for _, c := range []struct {
		name    string
		from    string
		do      func(t *testing.T, dir string)
		missing int
	}{
		{"sealed file copied under a higher name", clean, func(t *testing.T, d string) {
			put(t, filepath.Join(d, sampleName(5_000_000)), files(t, d)[0])
		}, 0},
		{"sealed file copied under a name between", clean, func(t *testing.T, d string) {
			put(t, filepath.Join(d, sampleName(n/2+7)), files(t, d)[0])
		}, 0},
		{"sealed file copied under a lower name", clean, func(t *testing.T, d string) {
			put(t, filepath.Join(d, sampleName(2)), files(t, d)[2])
		}, 0},
		{"sealed file renamed", clean, func(t *testing.T, d string) {
			must(t, os.Rename(files(t, d)[1], filepath.Join(d, sampleName(4_000_000))))
		}, 0},
		{"newest file renamed", killed, func(t *testing.T, d string) {
			name := newest(t, d, "")
			for _, s := range []string{"", "-wal", "-shm"} {
				must(t, os.Rename(name+s, filepath.Join(d, sampleName(8_000_000)+s)))
			}
		}, 0},
		{"two files exchanged", clean, func(t *testing.T, d string) {
			f := files(t, d)
			must(t, errors.Join(os.Rename(f[0], f[0]+"x"), os.Rename(f[1], f[0]), os.Rename(f[0]+"x", f[1])))
		}, 0},
		{"sealed file of another rig", clean, func(t *testing.T, d string) {
			put(t, files(t, d)[0], filepath.Join(other, sampleName(1)))
		}, n / 2},
		{"newest file of another rig", clean, func(t *testing.T, d string) {
			put(t, newest(t, d, ""), newest(t, other, ""))
		}, n / 2},
		{"file of another rig beside ours", clean, func(t *testing.T, d string) {
			put(t, filepath.Join(d, sampleName(3)), filepath.Join(other, sampleName(1)))
		}, 0},
		{"file of another rig beside ours and no records", clean, func(t *testing.T, d string) {
			put(t, filepath.Join(d, sampleName(3)), filepath.Join(other, sampleName(1)))
			must(t, os.Remove(filepath.Join(d, recordsName)))
		}, 0},
		{"records of another rig", clean, func(t *testing.T, d string) {
			put(t, filepath.Join(d, recordsName), filepath.Join(other, recordsName))
		}, 0},
		{"sealed file without content", clean, func(t *testing.T, d string) { must(t, os.Truncate(files(t, d)[1], 0)) }, n / 2},
		{"newest file without content", clean, func(t *testing.T, d string) { must(t, os.Truncate(newest(t, d, ""), 0)) }, n / 2},
		{"newest file without content beside its log", killed, func(t *testing.T, d string) { must(t, os.Truncate(newest(t, d, ""), 0)) }, n / 2},
		{"records without content", clean, func(t *testing.T, d string) { must(t, os.Truncate(filepath.Join(d, recordsName), 0)) }, 0},
		{"records deleted", clean, func(t *testing.T, d string) { must(t, os.Remove(filepath.Join(d, recordsName))) }, 0},
		{"records deleted, their log left", killed, func(t *testing.T, d string) { must(t, os.Remove(filepath.Join(d, recordsName))) }, 0},
		{"log of the records deleted", killed, func(t *testing.T, d string) { gone(t, filepath.Join(d, recordsName+"-wal")) }, 0},
		{"log of the newest file deleted", killed, func(t *testing.T, d string) { must(t, os.Remove(newest(t, d, "-wal"))) }, n / 2},
		{"sealed file deleted", clean, func(t *testing.T, d string) { must(t, os.Remove(files(t, d)[1])) }, n / 2},
		{"newest file deleted", clean, func(t *testing.T, d string) { must(t, os.Remove(newest(t, d, ""))) }, n / 2},
		{"newest file deleted, its log left", killed, func(t *testing.T, d string) { must(t, os.Remove(newest(t, d, ""))) }, n / 2},
		{"newest file and records deleted", clean, func(t *testing.T, d string) {
			must(t, errors.Join(os.Remove(newest(t, d, "")), os.Remove(filepath.Join(d, recordsName))))
		}, n / 2},
		{"shared memory is garbage", killed, func(t *testing.T, d string) {
			must(t, os.WriteFile(newest(t, d, "-shm"), []byte(strings.Repeat("garbage ", 4096)), 0o640))
		}, 0},
		{"old copy of a file restored", clean, func(t *testing.T, d string) {
			put(t, newest(t, d, ""), newest(t, clean, "")) // itself: no harm
			put(t, filepath.Join(d, filepath.Base(newest(t, early, ""))), newest(t, early, ""))
		}, n / 2},
		{"old records restored", killed, func(t *testing.T, d string) {
			gone(t, filepath.Join(d, recordsName+"-wal"))
			put(t, filepath.Join(d, recordsName), filepath.Join(early, recordsName))
		}, 0},
		{"old log of the newest file restored", killed, func(t *testing.T, d string) {
			if p := newest(t, early, ""); filepath.Base(p) == filepath.Base(newest(t, d, "")) {
				put(t, newest(t, d, "-wal"), p+"-wal")
			}
		}, n / 2},
		{"log of another rig", killed, func(t *testing.T, d string) {
			put(t, newest(t, d, "-wal"), newest(t, otherKilled, "-wal"))
		}, n / 2},
		{"folder in place of a file", clean, func(t *testing.T, d string) {
			name := files(t, d)[1]
			must(t, errors.Join(os.Remove(name), os.Mkdir(name, 0o750)))
		}, n / 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := copyDir(t, c.from)
			c.do(t, dir)
			rep, err := Inspect(dir)
			if err != nil {
				t.Errorf("inspect: %v", err)
			}
			o := judge(t, c.name, dir, n)
			if o.refused || o.missing > c.missing {
				t.Errorf("refused %v, %d of %d entries are missing, at most %d", o.refused, o.missing, n, c.missing)
			}
			if again := judge(t, c.name+", again", dir, n); again.refused || again.missing > o.missing {
				t.Errorf("at the next start %d are missing, before %d, refused %v", again.missing, o.missing, again.refused)
			}
			t.Logf("%d missing; inspect called it healthy: %v", o.missing, rep.Healthy)
		})
	}
}

// copyOfHalf is a copy of a folder made while it was in use, half way to n entries.
func copyOfHalf(t testing.TB, n uint64) string {
	t.Helper()
	return storeOf(t, smallFiles(t), n/2, false)
}

// smallFiles makes files of some 1,500 entries.
func smallFiles(t testing.TB) Options {
	opts := small(t.TempDir())
	opts.tune.rotateBytes = 48 << 10
	return opts
}

// TestRowsMoved are blocks whose own checksum holds in places where they don't belong.
func TestRowsMoved(t *testing.T) {
	const n = 3000
	opts := smallFiles(t)
	opts.tune.rotateBytes = 96 << 10 // room for several blocks in each
	clean := storeOf(t, opts, n, true)
	for _, c := range []struct {
		name, text string
		missing    bool
	}{
		{"two blocks exchanged", "UPDATE blk SET d = (SELECT d FROM blk b WHERE b.seq <> blk.seq ORDER BY b.seq LIMIT 1) WHERE seq IN (SELECT seq FROM blk ORDER BY seq LIMIT 2)", true},
		{"a block under another number", "UPDATE blk SET seq = seq + 1 WHERE seq = (SELECT max(seq) FROM blk)", true},
		{"a block twice", "INSERT INTO blk SELECT seq + 5, n, t0, t1, crc, d FROM blk LIMIT 1", false},
		{"a block as a live row too", "INSERT OR IGNORE INTO live SELECT seq, d FROM blk ORDER BY seq LIMIT 1", false},
		{"wrong helpers", "UPDATE blk SET n = 7, t0 = -1, t1 = 9, crc = 0", false},
		{"an empty block", "UPDATE blk SET d = x'' WHERE seq = (SELECT min(seq) FROM blk)", true},
		{"a huge block", "UPDATE blk SET d = zeroblob(5000000) WHERE seq = (SELECT min(seq) FROM blk)", true},
		{"text for a block", "UPDATE blk SET d = 'no block' WHERE seq = (SELECT min(seq) FROM blk)", true},
		{"a negative number", "INSERT INTO blk SELECT -5, n, t0, t1, crc, d FROM blk LIMIT 1", false},
		{"a number beyond all", "INSERT INTO blk SELECT 9223372036854775807, n, t0, t1, crc, d FROM blk LIMIT 1", false},
		{"no blocks", "DELETE FROM blk", true},
		{"no table", "DROP TABLE blk", true},
		{"no meta", "DELETE FROM meta", false},
		{"another table", "CREATE TABLE notes (text); INSERT INTO notes VALUES ('hello')", false},
	} {
		for _, which := range []string{"oldest", "newest"} {
			t.Run(c.name+" in the "+which, func(t *testing.T) {
				dir := copyDir(t, clean)
				f := withBlocks(t, dir)
				path := f[0]
				if which == "newest" {
					path = f[len(f)-1]
				}
				sqlOn(t, path, c.text)
				o := judge(t, c.name, dir, n)
				if o.refused || o.missing > 0 && !c.missing {
					t.Errorf("refused %v, %d missing", o.refused, o.missing)
				}
			})
		}
	}
}

// withBlocks are the sample files that hold several blocks, ascending.
func withBlocks(t testing.TB, dir string) (out []string) {
	t.Helper()
	for _, path := range files(t, dir) {
		db, err := openDB(path, openImmutable)
		must(t, err)
		var n int
		must(t, errors.Join(db.QueryRow("SELECT count(*) FROM blk").Scan(&n), db.Close()))
		if n >= 2 {
			out = append(out, path)
		}
	}
	if len(out) == 0 {
		t.Fatal("no file has two blocks")
	}
	return out
}

// TestCutInsideAPage: SQLite counts a page that is there in part, its check finds nothing
// wrong with it, and reading what lies on it fails. Readers get a gap, and the files that
// are whole; where the rows lie in a file decides what is lost of that one.
func TestCutInsideAPage(t *testing.T) {
	for _, n := range []uint64{100, 800, 900, 2000, 3000} { // one row; one block; a block and rows; more
		clean := storeOf(t, smallFiles(t), n, true)
		for _, name := range []string{filepath.Base(newest(t, clean, "")), recordsName} {
			info, err := os.Stat(filepath.Join(clean, name))
			must(t, err)
			most := 0 // of records.db nothing that was measured
			if first, ok := sampleFirst(name); ok {
				most = int(n - first + 1)
			}
			for back := int64(1); back < min(2*pageSize, info.Size()); back += 511 {
				dir := copyDir(t, clean)
				must(t, os.Truncate(filepath.Join(dir, name), info.Size()-back))
				what := fmt.Sprintf("%s of %d entries cut by %d", name, n, back)
				if o := judge(t, what, dir, n); o.refused || o.missing > most {
					t.Errorf("%s: refused %v, %d missing, at most %d", what, o.refused, o.missing, most)
				}
			}
		}
	}
}

// TestCutAnywhere cuts a sealed file at every step of bytes, and looks at both its sides
// of every page.
func TestCutAnywhere(t *testing.T) {
	const n = 2000
	clean := store(t, n, true)
	p, err := os.ReadFile(files(t, clean)[0])
	must(t, err)
	step := max(1, 9973 / *damages)
	var cuts []int
	for at := 0; at < len(p); at += step {
		cuts = append(cuts, at)
	}
	for at := pageSize; at <= len(p) && *damages > 1; at += pageSize {
		cuts = append(cuts, at-1, at, at+1)
	}
	missing := 0
	for _, at := range cuts {
		dir := copyDir(t, clean)
		must(t, os.Truncate(files(t, dir)[0], int64(min(at, len(p)))))
		o := judge(t, fmt.Sprintf("cut at %d", at), dir, n)
		if o.refused {
			t.Errorf("cut at %d of %d: refused", at, len(p))
		}
		missing += o.missing
		os.RemoveAll(dir)
	}
	t.Logf("%d cuts: 0 wrong, %d entries in gaps", len(cuts), missing)
}

// TestExtremes are the largest entries, the earliest and latest times, and numbers near
// the end of their range, through memory, seal, restart and disk.
func TestExtremes(t *testing.T) {
	for _, first := range []uint64{1, 1 << 40, 1<<61 - 3} {
		t.Run(fmt.Sprint(first), func(t *testing.T) {
			opts := small(t.TempDir())
			opts.RingBytes = 8 << 20
			opts.tune.rotateBytes = 1 << 20
			w, err := createFile(opts.Dir, "0123", first, first-1+opts.tune.reserve)
			must(t, err)
			must(t, inTx(w.conn, func(ctx context.Context) error { return w.putMeta(ctx, "clean", formatSeq(first-1)) }))
			w.close()
			j := open(t, opts)
			var want []record.Entry
			add := func(at record.Stamp, b record.Body) {
				seq, err := j.Append(at, b)
				must(t, err)
				want = append(want, record.Entry{Seq: seq, At: at, Body: b})
			}
			big := strings.Repeat("x", 1_000_000)
			for i, at := range []record.Stamp{
				{}, {BootNS: -1 << 63, WallNS: 1<<63 - 1}, {BootNS: 1<<63 - 1, WallNS: -1 << 63, Synced: true},
				{Boot: record.BootID{255}, WallNS: 253402300799999999}, {BootNS: 1}, {WallNS: -1},
			} {
				add(at, &record.Mark{Text: big[:i*200_000], Author: "a"})
				add(at, &record.Sample{Layout: 1<<32 - 1, Source: 1<<16 - 1, Raw: []record.Raw{
					{Has: record.HasCode | record.HasCold | record.HasChip, AgeUS: 1<<31 - 1, Code: -1 << 63, Cold: 1<<63 - 1, Chip: -1},
					{Has: record.HasCode, AgeUS: -1 << 31, Code: 1<<63 - 1},
				}})
				add(at, &record.Sample{Layout: 1, Raw: make([]record.Raw, record.MaxRaws)})
				add(at, &record.ClockStep{StepNS: -1 << 63})
				commit(t, j)
			}
			if _, err := j.Append(record.Stamp{}, &record.Mark{Text: strings.Repeat("x", record.MaxBodyBytes)}); err == nil {
				t.Error("an entry beyond the largest was taken")
			}
			for range 40 {
				appendN(t, j, 1, 10)
				commit(t, j)
			}
			j.workersIdle()
			must(t, j.Close())
			j = open(t, opts)
			defer j.Close()
			r := j.NewReader(want[0].Seq)
			for _, w := range want {
				e, err := r.Next(t.Context())
				if err != nil || e.Seq != w.Seq || e.At != w.At || !sameBody(e.Body, w.Body) {
					t.Fatalf("entry %d: %v %+v", w.Seq, err, e.At)
				}
			}
		})
	}
}

func newestFirst(j *Journal) uint64 {
	j.filesMu.Lock()
	defer j.filesMu.Unlock()
	return j.files[len(j.files)-1].first
}
