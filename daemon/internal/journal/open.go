package journal

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"soakrig/daemon/record"
)

// Open opens the journal in a folder, makes one if there is none, and puts right
// what a crash or damage left. What was lost is told by gap entries, which come
// before the first entry that is appended. Errors: ErrInUse; a folder that can't
// be written; a format newer than this build.
func Open(opts Options) (*Journal, error) {
	opts.setDefaults()
	if opts.Dir == "" {
		return nil, errors.New("open journal: no folder given")
	}
	dir, err := filepath.Abs(opts.Dir)
	if err != nil {
		return nil, fmt.Errorf("open journal: %w", err)
	}
	opts.Dir = dir
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("open journal: %w; create the folder or give soakd's user the right to", err)
	}
	if err := useFdatasync(); err != nil {
		return nil, fmt.Errorf("open journal: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return nil, err
	}
	j := &Journal{
		opts: opts, log: opts.Log, lock: lock, ring: newRing(opts.RingBytes),
		synced: make(chan struct{}), stop: make(chan struct{}), done: make(chan struct{}),
		kick: make(chan struct{}, 1), damage: make(chan error, 1),
		state: health{ok: true},
	}
	j.ctx, j.cancel = context.WithCancel(context.Background())
	j.records.fault = opts.tune.fault
	if err := j.recover(); err != nil {
		j.cancel()
		j.workers.Wait()
		if j.w != nil {
			j.w.close()
		}
		return nil, errors.Join(fmt.Errorf("open journal %s: %w", dir, err), j.records.close(), lock.Close())
	}
	go j.run()
	j.workers.Go(j.maintain)
	return j, nil
}

func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, fmt.Errorf("open journal: %w%s", err, opening(err))
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("open journal %s: %w; one soakd per folder", dir, ErrInUse)
		}
		return nil, fmt.Errorf("lock journal %s: %w", dir, err)
	}
	return f, nil
}

// opening says what helps against an error of opening a file for writing.
func opening(err error) string {
	switch {
	case errors.Is(err, unix.EROFS):
		return "; mount the file system read-write, or name another folder in journal.dir"
	case errors.Is(err, fs.ErrPermission):
		return "; give soakd's user the right to write there (chown), or name another folder in journal.dir"
	case errors.Is(err, unix.ENOSPC):
		return "; the disk is full: free space, or name another folder in journal.dir"
	}
	return ""
}

// recover brings the folder into order and decides the next number.
func (j *Journal) recover() error {
	// What follows may need room; the reserve is laid down again later.
	if err := os.Remove(j.ballastPath()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		j.log.Error("journal: give up the ballast", "error", err)
	}
	names, err := sampleFiles(j.opts.Dir)
	if err != nil {
		return err
	}
	if err := j.openRecords(len(names) == 0); err != nil {
		return err
	}
	var notes []record.Gap
	if j.id, notes, err = j.openFiles(names); err != nil {
		return err
	}
	if j.lost, err = j.records.gaps(); err != nil {
		return err
	}
	if j.pins, err = j.records.loadPins(); err != nil {
		return err
	}
	if err := j.number(notes); err != nil {
		return err
	}
	j.measure()
	return nil
}

// openRecords opens records.db, or what takes its place when it is damaged or gone.
// fresh tells that the folder has no samples either.
func (j *Journal) openRecords(fresh bool) error {
	path := filepath.Join(j.opts.Dir, recordsName)
	text := ""
	if _, err := os.Stat(path); err == nil {
		err := j.records.open(path)
		if err == nil || !damage(err) {
			return err
		}
		return j.replaceRecords(fmt.Sprintf("%s is damaged (%v) and was set aside as ", recordsName, err), asideDamaged)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	} else if !fresh {
		text = recordsName + " is gone"
	}
	return j.replaceRecords(text, asideNothing)
}

// What a records.db is that another takes the place of.
type asideKind int

const (
	asideNothing  asideKind = iota // at most a log without its database
	asideStranger                  // another journal's: none of it is ours
	asideDamaged                   // what can be read of it is newer than any copy
)

// replaceRecords puts the newest copy in place of records.db, or begins a new one. text
// says why; empty: there may have been no journal at all. The name of what was set aside
// is added to it, and how much of that was saved.
func (j *Journal) replaceRecords(text string, was asideKind) error {
	path := filepath.Join(j.opts.Dir, recordsName)
	aside, err := setAside(path) // a log that is left would be taken for the new file's
	if err != nil {
		return err
	}
	if was != asideNothing {
		text += filepath.Base(aside)
	}
	from, ok := restoreRecords(path)
	if err := j.records.open(path); err != nil {
		return err
	}
	saved := 0
	if was == asideDamaged {
		if saved, err = j.records.saveFrom(aside); err != nil {
			return err
		}
	}
	switch {
	case ok && text == "":
		text = recordsName + " is gone; the copy " + filepath.Base(from) + " took its place"
	case ok:
		text += "; the copy " + filepath.Base(from) + " took its place"
	case text != "" && saved == 0:
		text += "; there was no copy, so runs, calibrations and pins begin anew"
	}
	if saved > 0 {
		text += fmt.Sprintf("; %d of its rows were saved", saved)
	}
	if text != "" {
		j.log.Error("journal: " + text)
		j.event("failed", text)
	}
	return nil
}

// damage tells whether an error of opening means that a file's content is not what
// it was: SQLite says so, or our own fixed queries meet tables, columns or types that
// no version has written.
func damage(err error) bool {
	if err == nil {
		return false
	}
	if errors.Is(err, ErrDamaged) || troubleOf(err) == troubleCorrupt {
		return true
	}
	if code, ok := sqliteCode(err); ok {
		return code&0xff == sqliteError || code&0xff == sqliteMismatch
	}
	return strings.Contains(err.Error(), "sql: Scan error") // database/sql has no error value for it
}

// sampleFiles lists the numbers in the names of sample files, ascending.
func sampleFiles(dir string) ([]uint64, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []uint64
	for _, e := range entries {
		if n, ok := sampleFirst(e.Name()); ok && e.Type().IsRegular() {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return out, nil
}

// openFiles opens the newest file for writing and prepares the others for reading.
func (j *Journal) openFiles(names []uint64) (id string, lost []record.Gap, err error) {
	id, _ = j.records.meta("journal")
	for _, first := range names {
		f := &sampleFile{path: filepath.Join(j.opts.Dir, sampleName(first)), first: first}
		f.bytes.Store(fileSize(f.path))
		f.finished = isFinished(f.path)
		j.files = append(j.files, f)
	}
	if id, err = j.settleID(id); err != nil {
		return "", nil, err
	}
	if err := j.dropStrangers(id); err != nil {
		return "", nil, err
	}
	for len(j.files) > 0 && j.w == nil {
		f := j.files[len(j.files)-1]
		w, theirs, gaps, err := j.openNewest(f, id)
		if err != nil {
			return "", nil, err
		}
		lost = append(lost, gaps...)
		if w == nil {
			j.files = j.files[:len(j.files)-1]
			continue
		}
		j.w, id = w, theirs
		j.files[len(j.files)-1] = w.file
	}
	if id == "" {
		var raw [16]byte
		rand.Read(raw[:])
		id = hex.EncodeToString(raw[:])
	}
	if err := j.records.put("meta", "journal", id); err != nil {
		return "", nil, err
	}
	return id, lost, nil
}

// openNewest opens f for writing. One of which nothing can be saved is set aside: then
// w is nil.
func (j *Journal) openNewest(f *sampleFile, id string) (w *writer, theirs string, lost []record.Gap, err error) {
	w, err = openWriter(f)
	if err == nil {
		if err = quickCheck(w.conn); err == nil {
			err = w.checkpoint()
		}
		if err == nil {
			err = wholePages(f.path)
		}
		if err == nil {
			theirs, err = w.meta("journal")
		}
		if err == nil {
			err = w.dropUnverified()
		}
		if err == nil {
			err = w.count()
		}
		if err != nil {
			w.close()
		}
	}
	if err != nil {
		if !damage(err) {
			return nil, "", nil, err
		}
		w, lost, err = j.salvage(f, id, err)
		return w, id, lost, err
	}
	if theirs == "" { // a crash came between creation and the first commit
		theirs = id
	}
	return w, theirs, nil, nil
}

// count restores what the writer knows about its file.
func (w *writer) count() error {
	if err := w.conn.QueryRowContext(context.Background(), "SELECT count(*) FROM live").Scan(&w.live); err != nil {
		return err
	}
	for _, table := range []string{"blk", "live"} {
		p, err := w.file.edge(w.conn, table, "ASC")
		if err != nil {
			return err
		}
		var r record.BlockReader
		if p.d != nil && r.Reset(p.d) == nil && r.Scan() {
			w.begun, w.hasBegun = r.Stamp(), true
			break
		}
	}
	return nil
}

// number decides from what number on entries are given, and makes that durable.
func (j *Journal) number(notes []record.Gap) error {
	last, err := j.lastStored()
	if err != nil {
		return err
	}
	ceiling, clean := j.ceiling(last)
	fresh := last == 0 && ceiling == 0
	j.durable.Store(last)
	j.head, j.next = last, max(last, ceiling)+1
	j.stored = j.next - 1
	if len(j.files) > 0 && last != 0 {
		j.oldest = j.files[0].first
	}
	if !fresh && j.next > last+1 {
		notes = append(notes, j.jump(last, clean)...)
	}
	if j.w == nil {
		if j.w, err = createFile(j.opts.Dir, j.id, j.next, j.next-1+j.opts.tune.reserve); err != nil {
			return err
		}
		j.files = append(j.files, j.w.file)
	}
	if err := j.unclean(j.next - 1 + j.opts.tune.reserve); err != nil {
		return err
	}
	for _, g := range notes {
		j.loss(g)
	}
	for _, f := range slices.Clone(j.files[:len(j.files)-1]) { // the workers may replace files
		if !f.finished {
			j.workers.Go(func() { j.finishLeft(f) })
		}
	}
	return nil
}

// jump tells what the numbers between the last entry and the next one were. What a
// journal that was closed held up to its end was stored, and is gone.
func (j *Journal) jump(last uint64, clean bool) []record.Gap {
	stored := record.Gap{From: last + 1, To: j.next - 1, Cause: CauseDamaged, Text: "stored before the journal was closed, and gone now"}
	streamed := record.Gap{From: last + 1, To: j.next - 1, Cause: CauseUncleanStop, Text: "numbers that may have been streamed before the journal stopped without being closed"}
	end, closed := j.records.metaSeq("clean")
	switch {
	case clean:
		return []record.Gap{stored}
	case !closed || end <= last:
		return []record.Gap{streamed}
	}
	stored.To = min(end, stored.To)
	streamed.From = stored.To + 1
	if streamed.From > streamed.To {
		return []record.Gap{stored}
	}
	return []record.Gap{stored, streamed}
}

// lastStored is the highest number on disk that can be read.
func (j *Journal) lastStored() (uint64, error) {
	for i := len(j.files) - 1; i >= 0; i-- {
		var q querier
		var err error
		if f := j.files[i]; i == len(j.files)-1 && j.w != nil {
			q = j.w.conn
		} else {
			f.mu.RLock()
			q, err = f.open()
			f.mu.RUnlock()
		}
		last := uint64(0)
		if err == nil {
			_, last, err = j.files[i].bounds(q)
		}
		if err != nil && !damage(err) {
			return 0, err
		}
		if last != 0 {
			return last, nil
		}
	}
	return 0, nil
}

// ceiling is the highest number that may have been given. clean tells that it is
// the last number of a journal that was closed.
func (j *Journal) ceiling(last uint64) (n uint64, clean bool) {
	r1, ok1 := j.records.metaSeq("reserved")
	c1, isClean := j.records.metaSeq("clean")
	known := ok1 || isClean
	n = max(r1, c1)
	if j.w != nil {
		r2, ok2 := j.w.metaSeq("reserved")
		c2, isClean2 := j.w.metaSeq("clean")
		if isClean && isClean2 && c1 == c2 {
			return c1, true
		}
		n = max(n, r2, c2)
		known = known || ok2 || isClean2
	}
	if !known && (last != 0 || len(j.files) > 0) {
		// Neither promise can be read: go past anything that could have been.
		n = max(last, j.files[len(j.files)-1].first) + 2*j.opts.tune.reserve
	}
	return n, false
}

// unclean takes back the mark of a clean end and promises numbers.
func (j *Journal) unclean(reserved uint64) error {
	if err := j.records.putMeta("reserved", reserved); err != nil {
		return err
	}
	if err := j.records.change("meta", "DELETE FROM meta WHERE key = 'clean'"); err != nil {
		return err
	}
	err := inTx(j.w.conn, func(ctx context.Context) error {
		if _, err := j.w.conn.ExecContext(ctx, "DELETE FROM meta WHERE key = 'clean'"); err != nil {
			return err
		}
		return j.w.putMeta(ctx, "reserved", formatSeq(reserved))
	})
	if err != nil {
		return fmt.Errorf("%s: %w", j.w.file.path, err)
	}
	j.reserved = reserved
	return nil
}

// finishLeft finishes a file that an earlier process had no time to finish, or that
// could not be finished while another program held it.
func (j *Journal) finishLeft(f *sampleFile) {
	if !f.finishing.CompareAndSwap(false, true) {
		return
	}
	defer f.finishing.Store(false)
	w, err := openWriter(f)
	if err == nil {
		err = j.finish(w)
	}
	if err != nil && j.ctx.Err() == nil {
		j.log.Error("journal: finish file", "file", f.path, "error", err)
		if damage(err) {
			j.replaceFinished(f, err)
		}
	}
}

// finishAgain takes up what could not be finished when its time came.
func (j *Journal) finishAgain() {
	j.filesMu.Lock()
	left := slices.Clone(j.files[:len(j.files)-1])
	j.filesMu.Unlock()
	for _, f := range left {
		f.mu.RLock()
		again := !f.finished && !f.gone
		f.mu.RUnlock()
		if again && j.ctx.Err() == nil {
			j.finishLeft(f)
		}
	}
}

// isFinished tells from a database's header whether it is one without a log. Call
// it only on a database that this process has not opened.
func isFinished(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	var header [20]byte
	if _, err := f.ReadAt(header[:], 0); err != nil {
		return false
	}
	_, err = os.Stat(path + "-wal")
	return strings.HasPrefix(string(header[:]), "SQLite format 3\x00") && header[18] == 1 && errors.Is(err, fs.ErrNotExist)
}
