package journal

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"soakrig/daemon/record"
)

// salvage sets a damaged file aside and saves into a new one of the same name
// whatever still matches its checksum. lost are the numbers between the first and
// the last that were saved which were not.
func (j *Journal) salvage(f *sampleFile, id string, why error) (*writer, []record.Gap, error) {
	f.shut()
	aside, err := setAside(f.path)
	if err != nil {
		return nil, nil, err
	}
	pieces, theirs := readDamaged(aside)
	if id == "" {
		id = theirs
	}
	text := fmt.Sprintf("%s is damaged (%v) and was set aside as %s; ", filepath.Base(f.path), why, filepath.Base(aside))
	if len(pieces) == 0 {
		j.event("failed", text+"nothing in it can be read")
		return nil, nil, nil
	}
	w, err := createFile(j.opts.Dir, id, f.first, pieces[len(pieces)-1].last)
	if err != nil {
		return nil, nil, err
	}
	var lost []record.Gap
	next := f.first
	var blocks []sealBlock
	for _, p := range pieces {
		if p.first > next && !j.isLost(next, p.first-1) {
			lost = append(lost, record.Gap{From: next, To: p.first - 1, Cause: CauseDamaged, Text: "could not be read from " + filepath.Base(aside)})
		}
		next = p.last + 1
		blocks = append(blocks, sealBlock{first: p.first, last: p.last, d: p.d})
	}
	err = inTx(w.conn, func(ctx context.Context) error { return w.insertBlocks(ctx, blocks) })
	if err != nil {
		w.close()
		return nil, nil, err
	}
	j.event("failed", text+fmt.Sprintf("%d blocks up to entry %d were saved", len(pieces), next-1))
	return w, lost, w.count()
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

// readDamaged reads what can be read of a damaged file: each table from its start
// and from its end up to where SQLite meets the damage.
func readDamaged(path string) (pieces []piece, id string) {
	db, err := openDB(path, openSalvage)
	if err != nil {
		return nil, ""
	}
	defer db.Close()
	id, _ = metaOf(db, "journal")
	found := make(map[uint64]piece)
	for _, table := range []string{"blk", "live"} {
		for _, order := range []string{"ASC", "DESC"} {
			readRows(db, table, order, found)
		}
	}
	for _, p := range found {
		pieces = append(pieces, p)
	}
	slices.SortFunc(pieces, func(a, b piece) int {
		return cmp.Compare(a.first, b.first)
	})
	kept := pieces[:0]
	for _, p := range pieces {
		if n := len(kept); n == 0 || p.first > kept[n-1].last {
			kept = append(kept, p)
		}
	}
	return kept, id
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
	old.file.shut()
	old.abandon()
	w, lost, err := j.salvage(old.file, j.id, why)
	j.mu.Lock()
	reserved := j.reserved
	j.mu.Unlock()
	if err == nil && w == nil {
		saved := j.stored + 1
		w, err = createFile(j.opts.Dir, j.id, saved, reserved)
		if saved > old.file.first {
			lost = append(lost, record.Gap{From: old.file.first, To: saved - 1, Cause: CauseDamaged, Text: "could not be read from " + filepath.Base(old.file.path)})
		}
	} else if err == nil {
		_, last, berr := w.file.bounds(w.conn)
		if berr == nil && last < j.stored {
			lost = append(lost, record.Gap{From: last + 1, To: j.stored, Cause: CauseDamaged, Text: "could not be read from " + filepath.Base(old.file.path)})
		}
		err = inTx(w.conn, func(ctx context.Context) error {
			return w.putMeta(ctx, "reserved", formatSeq(reserved))
		})
	}
	if err != nil {
		j.mu.Lock()
		j.state.final, j.state.ok = true, false
		j.state.text = "the active file is damaged and a new one can't be begun; start soakd again: " + err.Error()
		j.mu.Unlock()
		j.log.Error("journal: replace damaged file", "error", err)
		j.wakeDurable()
		return
	}
	j.w = w
	j.filesMu.Lock()
	j.files[len(j.files)-1] = w.file
	j.filesMu.Unlock()
	for _, g := range lost {
		j.loss(g)
	}
	j.say(&record.SourceEvent{Source: "journal", State: "recovered", Text: "goes on in " + filepath.Base(w.file.path)})
	j.Commit()
}

// replaceFinished does the same for a file that is no longer written to.
func (j *Journal) replaceFinished(f *sampleFile, why error) {
	next := j.after(f)
	w, lost, err := j.salvage(f, j.id, why)
	if err != nil {
		j.log.Error("journal: replace damaged file", "file", f.path, "error", err)
		return
	}
	to := f.first - 1
	var fresh *sampleFile
	if w != nil {
		fresh = w.file
		if _, last, err := fresh.bounds(w.conn); err == nil {
			to = last
		}
		if err := j.finish(w); err != nil {
			j.log.Error("journal: finish file", "file", fresh.path, "error", err)
		}
	}
	j.filesMu.Lock()
	if i := slices.Index(j.files, f); i >= 0 && fresh != nil {
		j.files[i] = fresh
	} else if i >= 0 {
		j.files = slices.Delete(j.files, i, i+1)
	}
	j.filesMu.Unlock()
	if next > to+1 && !j.isLost(to+1, next-1) {
		lost = append(lost, record.Gap{From: to + 1, To: next - 1, Cause: CauseDamaged, Text: "could not be read from " + filepath.Base(f.path)})
	}
	for _, g := range lost {
		j.loss(g)
	}
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

// checkFiles checks the structure of every file and the checksum of every block.
// What is damaged is set aside and said.
func (j *Journal) checkFiles() {
	j.filesMu.Lock()
	files := slices.Clone(j.files)
	j.filesMu.Unlock()
	for i, f := range files {
		if j.ctx.Err() != nil {
			return
		}
		err := f.check(j.ctx)
		if err == nil || !damage(err) {
			continue
		}
		if errors.Is(err, errRows) {
			j.badRows(f)
			continue
		}
		if i == len(files)-1 {
			select {
			case j.damage <- fmt.Errorf("check %s: %w", f.path, err):
			default:
			}
			continue
		}
		j.replaceFinished(f, err)
	}
}

var errRows = errors.New("rows do not match their checksum")

// check runs SQLite's check and reads every row.
func (f *sampleFile) check(ctx context.Context) error {
	f.mu.RLock()
	defer f.mu.RUnlock()
	db, err := f.open()
	if err != nil {
		return err
	}
	if err := quickCheck(db); err != nil {
		return err
	}
	before := f.damagedRows()
	for _, table := range []string{"blk", "live"} {
		if err := f.checkRows(ctx, db, table); err != nil {
			return err
		}
	}
	if f.damagedRows() > before {
		return fmt.Errorf("%w: %w", errRows, ErrDamaged)
	}
	return nil
}

func (f *sampleFile) checkRows(ctx context.Context, db querier, table string) error {
	last := int64(0)
	for {
		rows, err := db.QueryContext(ctx, "SELECT seq, d FROM "+table+" WHERE seq > ? ORDER BY seq LIMIT 64", last)
		if err != nil {
			return err
		}
		n := 0
		for rows.Next() {
			var row int64
			var d []byte
			if err := rows.Scan(&row, &d); err != nil {
				rows.Close()
				return err
			}
			n, last = n+1, row
			if first, _, err := record.CheckBlock(d); err != nil || first != uint64(row) {
				f.damaged(table, row)
			}
		}
		if err := rows.Err(); err != nil {
			return err
		}
		rows.Close()
		if n == 0 {
			return nil
		}
	}
}

// badRows says which numbers the damaged rows of a sound file cost.
func (j *Journal) badRows(f *sampleFile) {
	end := j.durable.Load()
	if next := j.after(f); next > f.first {
		end = next - 1
	}
	for seq := f.first; seq <= end; {
		p, err := f.find(j.ctx, seq, nil)
		if err != nil {
			return
		}
		to := end
		if len(p) > 0 {
			to = p[0].first - 1
		}
		if to >= seq && !j.isLost(seq, to) {
			j.loss(record.Gap{From: seq, To: to, Cause: CauseDamaged, Text: "rows of " + filepath.Base(f.path) + " do not match their checksum"})
		}
		if len(p) == 0 {
			return
		}
		seq = p[len(p)-1].last + 1
	}
}
