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
		return nil, errors.Join(fmt.Errorf("open journal %s: %w%s", dir, err, opening(err)), j.records.close(), lock.Close())
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
	if code, ok := sqliteCode(err); ok {
		switch code & 0xff {
		case sqliteFull, sqliteIOErr, sqliteCantOpen:
			return "; see whether the disk is full, read-only or failing (df, the kernel log), and whether soakd's user may write there"
		case sqliteReadonly:
			return "; mount the file system read-write, and give soakd's user the right to write there"
		case sqliteBusy, sqliteLocked:
			return "; another program holds the file: end it"
		}
	}
	return ""
}

// recover brings the folder into order and decides the next number.
func (j *Journal) recover() error {
	if err := newerThanThis(filepath.Join(j.opts.Dir, recordsName)); err != nil {
		return err
	}
	// What follows may need room; the reserve is laid down again later.
	if err := os.Remove(j.ballastPath()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		j.log.Error("journal: give up the ballast", "error", err)
	}
	if err := finishReplacing(j.opts.Dir); err != nil {
		return err
	}
	if err := j.listFiles(); err != nil {
		return err
	}
	votes, most := j.vote()
	if err := j.openRecords(len(j.files) == 0, most); err != nil {
		return err
	}
	id, _ := j.records.meta("journal")
	if id, err := j.settleID(id, votes, most); err != nil {
		return err
	} else if err := j.dropStrangers(id); err != nil {
		return err
	} else {
		j.id = id
	}
	if err := j.readRecords(); damage(err) {
		if err := errors.Join(j.records.close(), j.replaceRecords(fmt.Sprintf("%s is damaged (%v) and was set aside as ", recordsName, err), asideDamaged, j.id)); err != nil {
			return err
		}
		if err := j.readRecords(); err != nil {
			return err
		}
	} else if err != nil {
		return err
	}
	notes, err := j.openFiles()
	if err != nil {
		return err
	}
	if err := j.number(notes); err != nil {
		return err
	}
	j.measure()
	return nil
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

// readRecords mends what it can in records.db and reads what the journal needs of it.
func (j *Journal) readRecords() (err error) {
	if err := j.mendRows(); err != nil {
		return err
	}
	if j.lost, err = j.records.gaps(); err != nil {
		return err
	}
	j.pins, err = j.records.loadPins()
	return err
}

// listFiles finds the files of samples, and looks at their logs while nothing is open.
func (j *Journal) listFiles() error {
	names, err := sampleFiles(j.opts.Dir)
	if err != nil {
		return err
	}
	for _, first := range names {
		f := &sampleFile{path: filepath.Join(j.opts.Dir, sampleName(first)), first: first}
		f.bytes.Store(fileSize(f.path))
		if f.finished = isFinished(f.path); !f.finished {
			f.behind = behindDamage(f.path)
		}
		j.files = append(j.files, f)
	}
	return nil
}

// openFiles opens the newest file for writing.
func (j *Journal) openFiles() (lost []record.Gap, err error) {
	for len(j.files) > 0 && j.w == nil {
		w, gaps, err := j.openNewest(j.files[len(j.files)-1])
		if err != nil {
			return nil, err
		}
		lost = append(lost, gaps...)
		j.w = w
	}
	if j.id == "" {
		var raw [16]byte
		rand.Read(raw[:])
		j.id = hex.EncodeToString(raw[:])
	}
	return lost, j.records.put("meta", "journal", j.id)
}

// openNewest opens f, the last of the list, for writing. What is damaged is replaced by
// what can be saved of it, or taken off the list: then w is nil.
func (j *Journal) openNewest(f *sampleFile) (w *writer, lost []record.Gap, err error) {
	f.mu.Lock() // a finished one gets a log again, which readers must see
	f.closeRead()
	f.finished = false
	f.mu.Unlock()
	w, err = openWriter(f)
	if err == nil {
		if err = w.inspect(); err == nil {
			err = j.saveBehind(w)
		}
		if err == nil {
			return w, nil, nil
		}
		w.abandon()
	}
	if !damage(err) {
		return nil, nil, err
	}
	fresh, lost, err := j.salvage(f, err, nil)
	if err != nil || fresh == nil {
		return nil, lost, err
	}
	if w, err = openWriter(fresh); err == nil {
		err = w.count()
	}
	return w, lost, err
}

// inspect looks for damage in a file that has been opened, and drops what a crash left.
func (w *writer) inspect() error {
	if err := quickCheck(w.conn); err != nil {
		return err
	}
	whole, err := w.checkpoint()
	if err == nil && whole {
		err = wholePages(w.conn, w.file.path)
	}
	if err == nil {
		_, err = w.meta("journal")
	}
	if err == nil {
		err = w.dropUnverified()
	}
	if err == nil {
		err = w.count()
	}
	return err
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
