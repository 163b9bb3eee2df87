package journal

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sys/unix"

	"soakrig/daemon/record"
)

// A file system is low when less than lowShare of it and less than lowBytes are
// free: then the oldest files go. It is nearly full below fullShare and fullBytes:
// then no run should be started. The bytes keep a large disk from being called
// low while it has room for years.
const (
	lowShare  = 0.10
	lowBytes  = 2 << 30
	fullShare = 0.05
	fullBytes = 1 << 30
)

// disk is the room of a file system.
type disk struct{ total, free int64 }

func (d disk) below(share float64, bytes int64) bool {
	return float64(d.free) < share*float64(d.total) && d.free < bytes
}

func statDisk(dir string) (disk, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return disk{}, err
	}
	return disk{total: int64(s.Blocks) * int64(s.Bsize), free: int64(s.Bavail) * int64(s.Bsize)}, nil
}

// census is what the last look at the disk found.
type census struct {
	disk   disk
	bytes  int64 // sample files and records
	files  int
	pinned int64
}

// maintain looks at the disk from time to time: room, retention, checks, copies.
func (j *Journal) maintain() {
	tick := time.NewTicker(j.opts.tune.maintain)
	check := time.NewTicker(j.opts.tune.checkEvery)
	copies := time.NewTicker(j.opts.tune.copyEvery)
	defer tick.Stop()
	defer check.Stop()
	defer copies.Stop()
	j.checkFiles()
	if j.copyDue() {
		j.copyRecords()
	}
	for {
		select {
		case <-j.ctx.Done():
			return
		case <-tick.C:
			j.measure()
			j.finishAgain()
			j.retain()
			j.restoreBallast()
		case <-check.C:
			j.checkFiles()
		case <-copies.C:
			j.copyRecords()
		}
	}
}

// copyDue tells whether the newest copy of records.db is old, or of a time to come: soakd
// may never run as long as the copies are apart.
func (j *Journal) copyDue() bool {
	info, err := os.Stat(copyName(j.records.path, 1))
	return err != nil || time.Since(info.ModTime()).Abs() > j.opts.tune.copyEvery
}

func (j *Journal) copyRecords() {
	if err := j.records.copyOut(); err != nil && j.ctx.Err() == nil {
		j.log.Error("journal: copy records", "error", err)
	}
}

// measure counts bytes and room, for State and for what is retired.
func (j *Journal) measure() {
	d, err := j.opts.tune.disk(j.opts.Dir)
	if err != nil {
		j.log.Error("journal: look at the disk", "error", err)
	}
	c := census{disk: d, bytes: fileSize(filepath.Join(j.opts.Dir, recordsName))}
	j.filesMu.Lock()
	for i, f := range j.files {
		n := fileSize(f.path)
		f.bytes.Store(n)
		c.bytes += n
		c.files++
		if j.pinnedFile(i) != "" {
			c.pinned += n
		}
	}
	j.filesMu.Unlock()
	j.mu.Lock()
	j.count = c
	j.mu.Unlock()
}

// pinnedFile names a pin that needs the i-th file. filesMu is held.
func (j *Journal) pinnedFile(i int) string {
	first, last := j.files[i].first, uint64(1<<63)
	if i+1 < len(j.files) {
		last = j.files[i+1].first - 1
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, p := range j.pins {
		if p.From <= last && (p.To == 0 || p.To >= first) {
			return p.Name
		}
	}
	return ""
}

// retain retires the oldest files beyond age, size or room. The active file always
// stays. Pinned files stay, unless the disk is nearly full and pins hold more than
// their cap.
func (j *Journal) retain() {
	for {
		f, why, pinned := j.retirable()
		if f == nil {
			return
		}
		if err := j.retire(f, why, pinned); err != nil {
			j.log.Error("journal: retire file", "file", f.path, "error", err)
			return
		}
		j.measure()
	}
}

// retirable is the file to retire next, nil: none. pinned tells that a pin needs it, and
// that there is no room for that any more.
func (j *Journal) retirable() (f *sampleFile, why string, pinned bool) {
	j.mu.Lock()
	c, now := j.count, j.last
	j.mu.Unlock()
	nearlyFull := false
	switch {
	case c.disk.total > 0 && c.disk.below(lowShare, lowBytes):
		why = "the disk is low"
		nearlyFull = c.disk.below(fullShare, fullBytes)
	case j.opts.MaxBytes > 0 && c.bytes > j.opts.MaxBytes:
		why = "the journal reached its size"
	}
	j.filesMu.Lock()
	defer j.filesMu.Unlock()
	aged := j.agedOut(now)
	for i, f := range j.files[:len(j.files)-1] {
		pin := j.pinnedFile(i)
		if pin != "" && nearlyFull && c.pinned > j.pinCap(c) {
			return f, fmt.Sprintf("the disk is nearly full and pins hold more than %d bytes; it was pinned by %q", j.pinCap(c), pin), true
		}
		if pin != "" {
			continue
		}
		if why != "" {
			return f, why, false
		}
		if i >= aged {
			break
		}
		return f, "its entries reached their age", false
	}
	return nil, "", false
}

// agedOut is how many of the oldest files hold only entries beyond their age. Numbers
// are the order of time: a file is as old as the next synchronised entry behind it at
// most. What an unsynchronised clock claims counts for nothing, since a board that wakes
// in the past would call this morning's samples old. filesMu is held.
func (j *Journal) agedOut(now record.Stamp) (n int) {
	if j.opts.Keep <= 0 || !now.Synced {
		return 0
	}
	for i, f := range j.files[:len(j.files)-1] {
		if at, ok := f.lastSynced(); ok && at < now.WallNS-int64(j.opts.Keep) {
			n = i + 1
		}
	}
	return n
}

// noTime says that a finished file ends with entries whose wall time means nothing.
const noTime = math.MinInt64

// lastSynced is the wall time of the last entry of a finished file, if that was
// synchronised.
func (f *sampleFile) lastSynced() (wallNS int64, ok bool) {
	if at := f.newest.Load(); at != 0 {
		return at, at != noTime
	}
	f.mu.RLock()
	defer f.mu.RUnlock()
	db, err := f.open()
	if err != nil || !f.finished {
		return 0, false
	}
	p, err := f.edge(db, "blk", "DESC")
	if err != nil {
		return 0, false
	}
	var r record.BlockReader
	var last record.Stamp
	if p.d != nil && r.Reset(p.d) == nil {
		for r.Scan() {
			last = r.Stamp()
		}
	}
	if r.Err() != nil || !last.Synced || last.WallNS == 0 {
		last.WallNS = noTime
	}
	f.newest.Store(last.WallNS)
	return last.WallNS, last.WallNS != noTime
}

// retire unlinks a file. Readers inside it get a gap. One that has been pinned since it
// was chosen stays.
func (j *Journal) retire(f *sampleFile, why string, pinned bool) error {
	j.filesMu.Lock()
	i := slices.Index(j.files, f)
	if i < 0 || i == len(j.files)-1 || !pinned && j.pinnedFile(i) != "" {
		j.filesMu.Unlock()
		return nil
	}
	next := j.files[i+1].first
	j.files = slices.Delete(j.files, i, i+1)
	oldest := j.files[0].first
	j.filesMu.Unlock()
	f.shut()
	j.mu.Lock()
	j.oldest = oldest
	j.mu.Unlock()
	if i > 0 || j.pinnedRange(f.first, next-1) {
		j.loss(record.Gap{From: f.first, To: next - 1, Cause: CauseRetention, Text: why})
	}
	j.log.Info("journal: retired file", "file", f.path, "why", why)
	return unlinkDB(f.path)
}

func (j *Journal) pinnedRange(from, to uint64) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return slices.ContainsFunc(j.pins, func(p pin) bool { return p.From <= to && (p.To == 0 || p.To >= from) })
}

// pin keeps a range of numbers from being retired.
type pin struct {
	Name string `json:"name"`
	From uint64 `json:"from,string"`
	To   uint64 `json:"to,string"` // zero: open
}

func (r *records) loadPins() ([]pin, error) {
	rows, err := r.rows("SELECT key, d, crc FROM pin ORDER BY key")
	var out []pin
	for _, v := range rows {
		if p, ok := pinOf(v); ok {
			out = append(out, p)
		}
	}
	return out, err
}

func (j *Journal) pinCap(c census) int64 {
	switch {
	case j.opts.PinBytes > 0:
		return j.opts.PinBytes
	case j.opts.MaxBytes > 0:
		return j.opts.MaxBytes / 2
	}
	return c.disk.total / 2
}

// Pin keeps the entries from..to from being retired; to 0 means whatever follows.
// A pin of the same name is replaced. It is durable on return. Errors: ErrPinCap
// when the files that it needs would make pins hold too much.
func (j *Journal) Pin(name string, from, to uint64) error {
	if name == "" || to != 0 && to < from {
		return fmt.Errorf("pin %q of entries %d to %d: give a name and an ascending range", name, from, to)
	}
	p := pin{Name: name, From: from, To: to}
	j.mu.Lock()
	before := slices.Clone(j.pins)
	had := slices.IndexFunc(before, func(q pin) bool { return q.Name == name })
	j.pins = slices.DeleteFunc(j.pins, func(q pin) bool { return q.Name == name })
	j.pins = append(j.pins, p)
	j.mu.Unlock()
	j.measure()
	j.mu.Lock()
	c := j.count
	j.mu.Unlock()
	undo := func(err error) error {
		j.mu.Lock()
		j.pins = before
		j.mu.Unlock()
		return err
	}
	// A pin that only ends an open one asks for no more room.
	narrows := had >= 0 && before[had].To == 0 && before[had].From <= from
	if limit := j.pinCap(c); limit > 0 && c.pinned > limit && !narrows {
		return undo(fmt.Errorf("pin %q: %w: %d bytes, at most %d; unpin other runs or raise journal.max_size", name, ErrPinCap, c.pinned, limit))
	}
	if err := j.records.put("pin", name, p); err != nil {
		return undo(err)
	}
	return nil
}

// Unpin lets go of a pin. A pin that does not exist is no error.
func (j *Journal) Unpin(name string) error {
	if err := j.records.change("pin "+name, "DELETE FROM pin WHERE key = ?", name); err != nil {
		return err
	}
	j.mu.Lock()
	j.pins = slices.DeleteFunc(j.pins, func(p pin) bool { return p.Name == name })
	j.mu.Unlock()
	return nil
}

func (j *Journal) ballastPath() string { return filepath.Join(j.opts.Dir, "ballast") }

// dropBallast gives up the reserve, so that what waits can be committed and the
// oldest files retired.
func (j *Journal) dropBallast() {
	if err := os.Remove(j.ballastPath()); err == nil {
		j.log.Warn("journal: gave up the ballast")
		j.Commit()
	} else if !errors.Is(err, os.ErrNotExist) {
		j.log.Error("journal: give up the ballast", "error", err)
	}
}

// restoreBallast lays the reserve down again when there is ample room.
func (j *Journal) restoreBallast() {
	size := j.opts.Ballast
	j.mu.Lock()
	d := j.count.disk
	j.mu.Unlock()
	if size <= 0 || d.free < 4*size || d.below(lowShare, lowBytes) {
		return
	}
	if info, err := os.Stat(j.ballastPath()); err == nil && info.Size() == size {
		return
	}
	f, err := os.OpenFile(j.ballastPath(), os.O_CREATE|os.O_RDWR, 0o640)
	if err == nil {
		err = errors.Join(unix.Fallocate(int(f.Fd()), 0, 0, size), f.Close())
	}
	if err != nil {
		os.Remove(j.ballastPath())
		j.log.Warn("journal: lay down the ballast", "error", err)
	}
}
