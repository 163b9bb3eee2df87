package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// asKilled is a journal's folder as it lies when its process is killed. crash closes what
// is open, and SQLite then brings the log into the file.
func asKilled(t testing.TB, j *Journal) string {
	t.Helper()
	dir := copyDir(t, j.opts.Dir)
	crash(j)
	return dir
}

// manyFiles makes files of some hundred entries.
func manyFiles(t testing.TB) Options {
	opts := smallFiles(t)
	opts.tune.rotateBytes = 24 << 10
	return opts
}

// whole fails the test unless the entries 1 to n of a folder are all there.
func whole(t *testing.T, what, dir string, n uint64) {
	t.Helper()
	if o := judge(t, what, dir, n); o.refused || o.missing > 0 {
		t.Errorf("%s: refused %v, %d of %d missing", what, o.refused, o.missing, n)
	}
}

// TestGoesOnInAFinishedFile: where the newest file is gone, the finished one before it is
// written to again. Readers and the seal must see what its new log holds.
func TestGoesOnInAFinishedFile(t *testing.T) {
	dir := storeOf(t, manyFiles(t), 3000, true)
	must(t, os.Remove(newest(t, dir, "")))
	opts := small(dir)
	j := open(t, opts)
	opts.tune.rotateBytes = 1
	first, _ := appendN(t, j, 1, 100)
	commit(t, j)
	for k := uint64(101); k <= 5100; k += 100 { // what was stored has left memory
		appendN(t, j, k, 100)
		commit(t, j)
	}
	serial := func(seq uint64) (uint64, bool) { return seq - first + 1, seq >= first && seq < first+5100 }
	if n, gaps := readTo(t, j.NewReader(first), first+99, serial); n != 100 || gaps != nil {
		t.Errorf("%d entries from disk, gaps %v", n, gaps)
	}
	for range 5 { // sealed and finished
		appendN(t, j, 1, 100)
		commit(t, j)
	}
	j.workersIdle()
	must(t, j.Close())
	j = open(t, small(dir))
	defer j.Close()
	if n, gaps := readTo(t, j.NewReader(first), first+5099, serial); n != 5100 || gaps != nil {
		t.Errorf("after a restart %d entries, gaps %v", n, gaps)
	}
}

// TestLogsDeleted: without the logs of both databases nothing but what had been brought
// into them is left, but no number that they held is given again, and a gap tells of them.
func TestLogsDeleted(t *testing.T) {
	dir := store(t, 300, true)
	j := open(t, small(dir))
	for k := uint64(301); k <= 800; k += 100 {
		appendN(t, j, k, 100)
		commit(t, j)
	}
	dir = asKilled(t, j)
	logs, err := filepath.Glob(filepath.Join(dir, "*-wal"))
	must(t, err)
	for _, p := range logs {
		must(t, os.Remove(p))
	}
	j = open(t, small(dir))
	defer j.Close()
	first, _ := appendN(t, j, 1000, 1)
	n, gaps := readTo(t, j.NewReader(1), 800, identity)
	if first <= 800 || n < 300 || len(gaps) != 1 || n+int(800-gaps[0].From+1) != 800 {
		t.Errorf("next number %d, %d entries, gaps %v", first, n, gaps)
	}
}

// TestLogIsDamaged: what had been committed behind a damaged frame of the log is saved.
func TestLogIsDamaged(t *testing.T) {
	k := open(t, small(t.TempDir()))
	for n := uint64(1); n <= 600; n += 100 {
		appendN(t, k, n, 100)
		commit(t, k)
	}
	killed := asKilled(t, k)
	log, err := os.Stat(newest(t, killed, "-wal"))
	must(t, err)
	for at := int64(logHeader + 3*frameBytes); at < log.Size()-5*frameBytes; at += 4 * frameBytes {
		for _, within := range []int64{0, 4, 9, 17, frameHeader, 3000} {
			dir := copyDir(t, killed)
			edit(t, newest(t, dir, "-wal"), func(p []byte) []byte { p[at+within] ^= 0x10; return p })
			if o := judge(t, fmt.Sprintf("bit at %d", at+within), dir, 600); o.refused || o.missing > 100 {
				t.Errorf("bit at %d of %d: refused %v, %d missing", at+within, log.Size(), o.refused, o.missing)
			}
		}
	}
	if found := behindDamage(newest(t, killed, "")); found != nil {
		t.Errorf("%d blocks behind the damage of a log that is whole", len(found))
	}
}

// TestStrangersThatAreDamaged: damage does not make another rig's data ours.
func TestStrangersThatAreDamaged(t *testing.T) {
	const n = 3000
	clean := storeOf(t, manyFiles(t), n, true)
	other := otherStore(t, n, true)
	spoil := func(t *testing.T, path string) {
		edit(t, path, func(p []byte) []byte { return p[:len(p)-700] })
	}
	t.Run("newest", func(t *testing.T) {
		dir := copyDir(t, clean)
		put(t, newest(t, dir, ""), newest(t, other, ""))
		spoil(t, newest(t, dir, ""))
		judge(t, "a damaged newest file of another rig", dir, n)
	})
	t.Run("finished", func(t *testing.T) {
		dir := copyDir(t, clean)
		put(t, files(t, dir)[0], files(t, other)[0])
		edit(t, files(t, dir)[0], func(p []byte) []byte { clear(p[6*pageSize : 7*pageSize]); return p })
		judge(t, "a damaged finished file of another rig", dir, n)
	})
	withRuns := func(t *testing.T, from, run string) string {
		dir := copyDir(t, from)
		j := open(t, small(dir))
		must(t, errors.Join(j.PutRun(RunRow{Start: record.RunStart{Run: run}, FirstSeq: 1}), j.records.copyOut(), j.Close()))
		return dir
	}
	runs := func(t *testing.T, dir string) (out []string) {
		j := open(t, small(dir))
		defer j.Close()
		rows, err := j.Runs(RunFilter{})
		must(t, err)
		for _, r := range rows {
			out = append(out, r.Start.Run)
		}
		return out
	}
	mine, theirs := withRuns(t, clean, "mine"), withRuns(t, other, "theirs")
	t.Run("records", func(t *testing.T) {
		dir := copyDir(t, mine)
		put(t, filepath.Join(dir, recordsName), filepath.Join(theirs, recordsName))
		spoil(t, filepath.Join(dir, recordsName))
		if got := runs(t, dir); !slices.Equal(got, []string{"mine"}) {
			t.Errorf("runs %v", got)
		}
	})
	t.Run("copy", func(t *testing.T) {
		for name, do := range map[string]func(string){
			"gone":    func(p string) { must(t, os.Remove(p)) },
			"damaged": func(p string) { spoil(t, p) },
		} {
			dir := copyDir(t, mine)
			put(t, copyName(filepath.Join(dir, recordsName), 1), copyName(filepath.Join(theirs, recordsName), 1))
			do(filepath.Join(dir, recordsName))
			if got := runs(t, dir); slices.Contains(got, "theirs") || name == "damaged" && !slices.Equal(got, []string{"mine"}) {
				t.Errorf("records %s and a copy of another rig: runs %v", name, got)
			}
		}
	})
}

// TestReplacingIsInterrupted stops the replacement of damaged databases at each step.
func TestReplacingIsInterrupted(t *testing.T) {
	dir := storeOf(t, manyFiles(t), 2000, true)
	j := open(t, small(dir))
	must(t, errors.Join(j.PutRun(RunRow{Start: record.RunStart{Run: "r"}, FirstSeq: 1}), j.Close()))
	check := func(t *testing.T, dir string) {
		t.Helper()
		whole(t, "interrupted", dir, 2000)
		j := open(t, small(dir))
		defer j.Close()
		if _, err := j.Run("r"); err != nil {
			t.Error(err)
		}
		for _, end := range []string{partSuffix, readySuffix} {
			if left, _ := filepath.Glob(filepath.Join(dir, "*"+end+"*")); left != nil {
				t.Errorf("left: %v", left)
			}
		}
	}
	for _, name := range []string{recordsName, filepath.Base(files(t, dir)[0])} {
		t.Run(name+" half built", func(t *testing.T) {
			dir := copyDir(t, dir)
			must(t, os.WriteFile(filepath.Join(dir, name+partSuffix), []byte("half"), 0o640))
			check(t, dir)
		})
		t.Run(name+" ready", func(t *testing.T) {
			dir := copyDir(t, dir)
			put(t, filepath.Join(dir, name+readySuffix), filepath.Join(dir, name))
			check(t, dir)
		})
		t.Run(name+" ready and the old one set aside", func(t *testing.T) {
			dir := copyDir(t, dir)
			must(t, os.Rename(filepath.Join(dir, name), filepath.Join(dir, name+readySuffix)))
			must(t, os.WriteFile(filepath.Join(dir, name+".damaged-1"), nil, 0o640))
			must(t, os.WriteFile(filepath.Join(dir, name+"-wal"), []byte("a log that was left"), 0o640))
			check(t, dir)
		})
	}
}

// TestHeadersThatLie: single bits of a header that SQLite, or the journal, takes for a
// database of a later version must not keep soakd from starting.
func TestHeadersThatLie(t *testing.T) {
	dir := storeOf(t, manyFiles(t), 1500, true)
	for _, name := range []string{recordsName, filepath.Base(files(t, dir)[0]), filepath.Base(newest(t, dir, ""))} {
		for at := 16; at < 100; at++ {
			if at >= 24 && at < 44 || at >= 72 && at < 92 { // counters and what is reserved
				continue
			}
			if *damages == 1 && at >= 24 && at%4 != 3 { // the short form: the lowest byte of each word
				continue
			}
			d := copyDir(t, dir)
			edit(t, filepath.Join(d, name), func(p []byte) []byte { p[at] ^= 1 << (at % 7); return p })
			whole(t, fmt.Sprintf("%s byte %d", name, at), d, 1500)
			os.RemoveAll(d)
		}
	}
}

// TestHeldAtStart: a program that reads a file when soakd starts does not keep it from
// starting.
func TestHeldAtStart(t *testing.T) {
	dir := store(t, 500, false)
	for _, name := range []string{recordsName, filepath.Base(newest(t, dir, ""))} {
		db, err := openDB(filepath.Join(dir, name), openRead)
		must(t, err)
		tx, err := db.Begin()
		must(t, err)
		var n int
		must(t, tx.QueryRow("SELECT count(*) FROM meta").Scan(&n))
		whole(t, name+" is held", dir, 500)
		must(t, errors.Join(tx.Rollback(), db.Close()))
	}
}

// TestRecordsThatLie are changes of records.db in which every checksum holds, or that no
// check of SQLite finds.
func TestRecordsThatLie(t *testing.T) {
	build := func(t *testing.T) string {
		j := open(t, small(t.TempDir()))
		putRecords(t, j)
		must(t, errors.Join(j.records.copyOut(), j.Close()))
		return j.opts.Dir
	}
	from := build(t)
	for _, c := range []struct{ name, text, said string }{
		{"rows of another table", "INSERT INTO pin SELECT key, d, crc FROM calibration; INSERT INTO calibration SELECT key, d, crc FROM pin WHERE key = 'run a'", "is damaged"},
		{"a pin that changed", "UPDATE pin SET d = replace(d, '300', '301')", "taken from records.db.copy-1"},
		{"a run that changed", "UPDATE run SET d = replace(d, '91.5', '81.5')", "is damaged and is not used"},
		{"types that changed", "UPDATE pin SET crc = 'x'; UPDATE run SET crc = x'00' WHERE key = '2026-06-01-2'", "is damaged"},
		{"a layout that changed", "UPDATE meta SET d = replace(d, ':7', ':8') WHERE key LIKE 'layout%'", "taken from"},
		{"columns that runs are found by", "UPDATE run SET unit = 'other', first_seq = 3", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := copyDir(t, from)
			sqlOn(t, filepath.Join(dir, recordsName), c.text)
			j := open(t, small(dir))
			defer j.Close()
			appendN(t, j, 1, 1)
			if _, silent := judgeRecords(t, c.name, j); silent {
				t.Error("silent")
			}
			if _, texts := events(t, j, 1); !strings.Contains(texts, c.said) {
				t.Errorf("said %q, want %q", texts, c.said)
			}
			if got, err := j.Runs(RunFilter{Unit: "carrier-a", Limit: 1}); err != nil || len(got) != 1 || c.said == "" && got[0].FirstSeq != 900 {
				t.Errorf("runs of the unit: %v %v", got, err)
			}
			if len(j.pins) != 2 {
				t.Errorf("pins %v", j.pins)
			}
		})
	}
}

// TestUnreadableSectors: a sector that can't be read is damage, not a reason to stay down.
func TestUnreadableSectors(t *testing.T) {
	for _, code := range []int{sqliteIOErrRead, sqliteIOErrShort, sqliteIOErrData, sqliteIOErrSystem} {
		if !damage(fmt.Errorf("read: %w", codeError(code))) {
			t.Errorf("code %d is no damage", code)
		}
	}
	for _, code := range []int{sqliteFull, sqliteBusy, sqliteReadonly, sqliteCantOpen, sqliteIOErrFsync, sqliteIOErr | 3<<8} {
		if damage(codeError(code)) {
			t.Errorf("code %d is damage: the file would be replaced", code)
		}
	}
}

// TestRecordsAreAFolder and other things that are no records.db.
func TestRecordsAreNoFile(t *testing.T) {
	from := store(t, 300, true)
	for name, do := range map[string]func(path string){
		"a folder":      func(p string) { must(t, errors.Join(os.Remove(p), os.Mkdir(p, 0o750))) },
		"a broken link": func(p string) { must(t, errors.Join(os.Remove(p), os.Symlink("nowhere", p))) },
		"empty":         func(p string) { must(t, os.Truncate(p, 0)) },
	} {
		dir := copyDir(t, from)
		do(filepath.Join(dir, recordsName))
		whole(t, name, dir, 300)
		j := open(t, small(dir))
		if _, texts := events(t, j, 1); !strings.Contains(texts, recordsName) {
			t.Errorf("%s: nothing was said: %s", name, texts)
		}
		must(t, j.Close())
	}
}
