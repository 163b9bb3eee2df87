package journal

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"soakrig/daemon/record"
)

// salvage builds, beside a damaged file, a finished one of whatever still matches its
// checksum, and puts it in the damaged one's place, also in the list. When nothing can be
// saved fresh is nil, and instead stands in the list; nil: nothing does. lost are the numbers between the first and
// the last that were saved which were not. After an error everything is as it was.
func (j *Journal) salvage(f *sampleFile, why error, instead *sampleFile) (fresh *sampleFile, lost []record.Gap, err error) {
	j.saving.Lock() // the check and who finishes a file may meet the same damage
	defer j.saving.Unlock()
	j.filesMu.Lock()
	listed := slices.Contains(j.files, f)
	j.filesMu.Unlock()
	if !listed || j.ctx.Err() != nil {
		return nil, nil, errGone
	}
	old := readDamaged(f.path)
	text := ""
	if j.id == "" {
		j.id = old.id
	}
	switch {
	case old.id != "" && old.id != j.id:
		old.pieces, text = nil, "it is of another journal, "+old.id
	case old.first != 0 && old.first != f.first:
		old.pieces, text = nil, "it is a copy of "+sampleName(old.first)
	case len(old.pieces) == 0 && len(f.behind) == 0:
		text = "nothing in it can be read"
	}
	pieces := ascending(old.pieces)
	if text == "" {
		pieces = ascending(old.pieces, f.behind)
		text = fmt.Sprintf("%d blocks up to entry %d were saved", len(pieces), pieces[len(pieces)-1].last)
		if err := old.rebuild(f, j.id, pieces); err != nil {
			return nil, nil, err
		}
		fresh = &sampleFile{path: f.path, first: f.first, finished: true}
	}
	aside, err := j.exchange(f, fresh, instead)
	if err == nil && aside == "" {
		err = errGone
	}
	if err != nil {
		return nil, nil, err
	}
	text = fmt.Sprintf("%s is damaged (%v) and was set aside as %s; %s", filepath.Base(f.path), why, filepath.Base(aside), text)
	j.log.Error("journal: " + text)
	j.event("failed", text)
	next := f.first
	for _, p := range pieces {
		if p.first > next && !j.isLost(next, p.first-1) {
			lost = append(lost, record.Gap{From: next, To: p.first - 1, Cause: CauseDamaged, Text: "could not be read from " + filepath.Base(aside)})
		}
		next = p.last + 1
	}
	return fresh, lost, nil
}

// exchange sets f's database aside, puts what was built for it in its place, if fresh is
// there, and changes the list: instead comes in where fresh is nil. Who looks for the file waits meanwhile. aside is empty when
// f is no longer in the list.
func (j *Journal) exchange(f, fresh, instead *sampleFile) (aside string, err error) {
	j.filesMu.Lock()
	defer j.filesMu.Unlock()
	i := slices.Index(j.files, f)
	if i < 0 {
		return "", unlinkDB(f.path + partSuffix)
	}
	f.shut()
	again := &sampleFile{path: f.path, first: f.first, finished: f.finished}
	if fresh == nil {
		if aside, err = setAside(f.path); err == nil && instead != nil {
			j.files[i] = instead
			return aside, nil
		} else if err == nil {
			j.files = slices.Delete(j.files, i, i+1)
			return aside, nil
		}
	} else if aside, err = takeOver(f.path); err == nil {
		fresh.bytes.Store(fileSize(fresh.path))
		j.files[i] = fresh
		return aside, nil
	}
	j.files[i] = again // nobody reads from f any more
	return "", err
}

// rebuild writes pieces into a finished database for f's place.
func (d *damagedFile) rebuild(f *sampleFile, id string, pieces []piece) error {
	part := f.path + partSuffix
	if err := unlinkDB(part); err != nil {
		return err
	}
	w, err := createAt(part, id, f.first, max(d.reserved, pieces[len(pieces)-1].last))
	if err != nil {
		return err
	}
	defer w.close()
	blocks := make([]sealBlock, len(pieces))
	for i, p := range pieces {
		blocks[i] = sealBlock{first: p.first, last: p.last, d: p.d}
	}
	err = inTx(w.conn, func(ctx context.Context) error {
		if d.clean != "" {
			if err := w.putMeta(ctx, "clean", d.clean); err != nil {
				return err
			}
		}
		return w.insertBlocks(ctx, blocks)
	})
	if err != nil {
		return err
	}
	return w.dropLog()
}

func (j *Journal) isLost(from, to uint64) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, g := range j.lost {
		if g.From <= from && to <= g.To {
			return true
		}
	}
	return false
}

// damagedFile is what can be read of a damaged file.
type damagedFile struct {
	id       string // journal, empty: unknown
	first    uint64 // 0: unknown
	reserved uint64 // 0: unknown
	clean    string // empty: not closed in order, or unknown
	pieces   []piece
}

// readDamaged reads what can be read of a damaged file: each table from its start and from
// its end up to where SQLite meets the damage, and then every block that lies anywhere in it.
// It changes nothing.
func readDamaged(path string) (d damagedFile) {
	found := make(map[uint64]piece)
	_ = salvaging(path, func(q querier) error {
		d.id, d.first = originIn(q)
		text, _ := metaOf(q, "reserved")
		d.reserved, _ = parseSeq(text)
		d.clean, _ = metaOf(q, "clean")
		for _, table := range []string{"blk", "live"} {
			for _, order := range []string{"ASC", "DESC"} {
				readRows(q, table, order, found)
			}
		}
		return nil
	})
	carved := make(map[uint64]piece)
	carve(path, func(p piece) {
		if old, ok := carved[p.first]; !ok || old.last < p.last {
			carved[p.first] = p
		}
	})
	for first, p := range carved {
		if _, ok := found[first]; !ok {
			found[first] = p
		}
	}
	for _, p := range found {
		d.pieces = append(d.pieces, p)
	}
	return d
}

// ascending sorts pieces by number and drops those of which others hold everything. Where
// the rest overlap, both are right; the one that begins last before a number holds it.
func ascending(pieces ...[]piece) (kept []piece) {
	all := slices.Concat(pieces...)
	slices.SortFunc(all, func(a, b piece) int {
		return cmp.Or(cmp.Compare(a.first, b.first), cmp.Compare(b.last, a.last))
	})
	for _, p := range all {
		if n := len(kept); n == 0 || p.last > kept[n-1].last {
			kept = append(kept, p)
		}
	}
	return kept
}

// saveBehind stores what damage in its log kept SQLite from finding, and says so.
func (j *Journal) saveBehind(w *writer) error {
	behind := ascending(w.file.behind)
	if len(behind) == 0 {
		return nil
	}
	w.file.behind = nil
	there, err := held(w.conn)
	if err != nil {
		return err
	}
	saved := uint64(0)
	err = inTx(w.conn, func(ctx context.Context) error {
		for _, p := range behind {
			if covered(there, p) {
				continue
			}
			if _, err := w.conn.ExecContext(ctx, "INSERT OR IGNORE INTO live (seq, d) VALUES (?, ?)", int64(p.first), p.d); err != nil {
				return err
			}
			saved += p.last - p.first + 1
		}
		return nil
	})
	if err != nil {
		return err
	}
	text := fmt.Sprintf("the log of %s is damaged; up to %d entries behind the damage were saved", filepath.Base(w.file.path), saved)
	j.log.Error("journal: " + text)
	j.event("failed", text)
	return w.count()
}

// held gives the numbers of every block in a file that matches its checksum, ascending and
// without their bytes.
func held(db querier) ([]piece, error) {
	var out []piece
	for _, table := range []string{"blk", "live"} {
		rows, err := db.QueryContext(context.Background(), "SELECT seq, d FROM "+table)
		if err != nil {
			return nil, err
		}
		for rows.Next() {
			var row int64
			var d sql.RawBytes
			if err := rows.Scan(&row, &d); err != nil {
				return nil, errors.Join(err, rows.Close())
			}
			if first, last, err := record.CheckBlock(d); err == nil && first == uint64(row) {
				out = append(out, piece{first: first, last: last})
			}
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			return nil, err
		}
	}
	return ascending(out), nil
}

// covered tells whether pieces, which ascend, hold every number of p.
func covered(pieces []piece, p piece) bool {
	next := p.first
	for _, h := range pieces {
		if h.first <= next && h.last >= next {
			next = h.last + 1
		}
	}
	return next > p.last
}

func readRows(db querier, table, order string, found map[uint64]piece) {
	rows, err := db.QueryContext(context.Background(), "SELECT seq, d FROM "+table+" ORDER BY seq "+order)
	if err != nil {
		return
	}
	defer rows.Close()
	for rows.Next() {
		var row int64
		var p piece
		if rows.Scan(&row, &p.d) != nil {
			return
		}
		if p.first, p.last, err = record.CheckBlock(p.d); err != nil || p.first != uint64(row) {
			continue
		}
		if old, ok := found[p.first]; !ok || old.last < p.last {
			found[p.first] = p
		}
	}
}

// replaceActive goes on in a new file after the active one was found damaged. The
// commit goroutine calls it.
func (j *Journal) replaceActive(why error) {
	old := j.w
	j.seal = nil
	old.abandon()
	j.mu.Lock()
	reserved := j.reserved
	j.mu.Unlock()
	next := &sampleFile{path: filepath.Join(j.opts.Dir, sampleName(j.stored+1)), first: j.stored + 1}
	fresh, lost, err := j.salvage(old.file, why, next)
	last := old.file.first - 1
	if err == nil && fresh != nil {
		if last, err = fresh.lastOf(); err == nil {
			j.w, err = openAgain(fresh, reserved)
		}
	} else if err == nil {
		j.w, err = openNew(next, j.id, reserved)
	}
	if err != nil {
		j.stuck(err)
		return
	}
	if last < j.stored {
		lost = append(lost, record.Gap{From: last + 1, To: j.stored, Cause: CauseDamaged, Text: "could not be read from " + filepath.Base(old.file.path)})
	}
	for _, g := range lost {
		j.loss(g)
	}
	j.say(&record.SourceEvent{Source: "journal", State: "recovered", Text: "goes on in " + filepath.Base(j.w.file.path)})
	j.Commit()
}

// openAgain makes a finished file the active one.
func openAgain(f *sampleFile, reserved uint64) (*writer, error) {
	f.mu.Lock()
	f.closeRead()
	f.finished = false
	f.mu.Unlock()
	w, err := openWriter(f)
	if err != nil {
		return nil, err
	}
	err = inTx(w.conn, func(ctx context.Context) error { return w.putMeta(ctx, "reserved", formatSeq(reserved)) })
	if err == nil {
		err = w.count()
	}
	if err != nil {
		w.close()
		return nil, err
	}
	return w, nil
}

// stuck says that nothing more can be stored before a restart.
func (j *Journal) stuck(err error) {
	j.mu.Lock()
	j.state.final, j.state.ok = true, false
	j.state.text = "the active file is damaged and a new one can't be begun; start soakd again: " + err.Error()
	j.mu.Unlock()
	j.log.Error("journal: replace damaged file", "error", err)
	j.wakeDurable()
}

// replaceFinished does the same for a file that is no longer written to.
func (j *Journal) replaceFinished(f *sampleFile, why error) (replaced bool) {
	next := j.after(f)
	fresh, lost, err := j.salvage(f, why, nil)
	if err != nil {
		if errors.Is(err, errGone) { // another has replaced it, or it was retired
			return j.ctx.Err() == nil
		}
		j.log.Error("journal: replace damaged file", "file", f.path, "error", err)
		return false
	}
	to := f.first - 1
	if fresh != nil {
		if last, err := fresh.lastOf(); err == nil {
			to = max(to, last)
		}
	}
	if next > to+1 && !j.isLost(to+1, next-1) {
		lost = append(lost, record.Gap{From: to + 1, To: next - 1, Cause: CauseDamaged, Text: "could not be read from " + filepath.Base(f.path)})
	}
	for _, g := range lost {
		j.loss(g)
	}
	return true
}

// replaceNow replaces a finished file that a reader found damaged before the check did, so
// that the reader gets what can be saved of it. Where somebody else is at it, it waits.
func (j *Journal) replaceNow(ctx context.Context, f *sampleFile, why error) bool {
	for !f.finishing.CompareAndSwap(false, true) {
		select {
		case <-ctx.Done():
			return false
		case <-j.stop:
			return false
		case <-time.After(10 * time.Millisecond):
		}
	}
	defer f.finishing.Store(false)
	return j.replaceFinished(f, why)
}

// after is the first number of the file behind f.
func (j *Journal) after(f *sampleFile) uint64 {
	j.filesMu.Lock()
	defer j.filesMu.Unlock()
	if i := slices.Index(j.files, f); i >= 0 && i+1 < len(j.files) {
		return j.files[i+1].first
	}
	return f.first
}
