package journal

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"slices"

	"soakrig/daemon/record"
)

// finish seals what is left of a file that is no longer written to, and turns it
// into a plain database without a log, which any reader can open from read-only
// media. It owns w.
func (j *Journal) finish(w *writer) (err error) {
	f := w.file
	defer func() {
		if err != nil {
			w.close()
		}
	}()
	if err := j.opts.tune.fault("finish"); err != nil {
		return err
	}
	if err := w.dropUnverified(); err != nil {
		return err
	}
	packed := f.pack(j.ctx, 1<<62)
	if packed.err != nil {
		return packed.err
	}
	for _, g := range packed.lost {
		j.loss(g)
	}
	if err := inTx(w.conn, func(ctx context.Context) error { return w.insertBlocks(ctx, packed.blocks) }); err != nil {
		return err
	}
	if err := verifyIn(j.ctx, w.conn, packed.blocks); err != nil {
		return err
	}
	err = inTx(w.conn, func(ctx context.Context) error {
		_, err := w.conn.ExecContext(ctx, "DELETE FROM live")
		return err
	})
	if err != nil {
		return err
	}
	return j.closeFinished(w)
}

// closeFinished takes the log away, which no other connection may see.
func (j *Journal) closeFinished(w *writer) error {
	f := w.file
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closeRead()
	if err := w.dropLog(); err != nil {
		return err
	}
	w.close()
	f.finished = true
	f.bytes.Store(fileSize(f.path))
	return nil
}

// dropLog makes a plain database of a file that no other connection has open.
func (w *writer) dropLog() error {
	mode, err := pragma(w.conn, "journal_mode=DELETE")
	if err == nil && mode != "delete" {
		err = errors.New("the log could not be taken away: journal_mode is " + mode)
	}
	return err
}

// dropUnverified deletes blocks that a crash left beside the live rows that they
// were packed from; the live rows are what was acknowledged. A block of which any number
// is not in a live row stays.
func (w *writer) dropUnverified() error {
	ctx := context.Background()
	suspects, err := w.besideLive(ctx)
	if err != nil || len(suspects) == 0 {
		return err
	}
	var drop []sealBlock
	for _, b := range suspects {
		covered, err := w.liveCovers(ctx, b)
		if err != nil {
			return err
		}
		if covered {
			drop = append(drop, b)
		}
	}
	return inTx(w.conn, func(ctx context.Context) error { return w.deleteBlocks(ctx, drop) })
}

// besideLive gives the blocks that begin behind the first live row. One that can't be
// read is as long as nothing.
func (w *writer) besideLive(ctx context.Context) (out []sealBlock, err error) {
	rows, err := w.conn.QueryContext(ctx, "SELECT seq, d FROM blk WHERE seq >= (SELECT min(seq) FROM live) ORDER BY seq")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var seq int64
		var d sql.RawBytes
		if err := rows.Scan(&seq, &d); err != nil {
			return nil, err
		}
		b := sealBlock{first: uint64(seq)}
		if first, last, err := record.CheckBlock(d); err == nil && first == b.first {
			b.last = last
		}
		out = append(out, b)
	}
	return out, rows.Err()
}

// liveCovers tells whether live rows that can be read hold every number of a block.
func (w *writer) liveCovers(ctx context.Context, b sealBlock) (bool, error) {
	rows, err := w.conn.QueryContext(ctx, "SELECT seq, d FROM live WHERE seq >= (SELECT coalesce(max(seq), 0) FROM live WHERE seq <= ?) AND seq <= ? ORDER BY seq", int64(b.first), int64(b.last))
	if err != nil {
		return false, err
	}
	defer rows.Close()
	next := b.first
	for rows.Next() && next <= b.last {
		var seq int64
		var d sql.RawBytes
		if err := rows.Scan(&seq, &d); err != nil {
			return false, err
		}
		first, last, err := record.CheckBlock(d)
		if err != nil || first != uint64(seq) {
			continue
		}
		if first > next {
			return false, nil
		}
		next = max(next, last+1)
	}
	return next > b.last, rows.Err()
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
		err = j.saveBehind(w)
	}
	if err == nil {
		err = j.finish(w)
	} else if w != nil {
		w.close()
	}
	if err != nil && j.ctx.Err() == nil {
		j.log.Error("journal: finish file", "file", f.path, "error", err)
		if damage(err) {
			j.replaceFinished(f, err)
		}
	}
}

// finishAgain takes up what could not be finished, or replaced, when its time came.
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
		if !f.finishing.Load() && f.suspect.Swap(false) {
			j.checkFile(f, false)
		}
	}
}

// isFinished tells from a database's header whether it is one without a log. Call
// it only on a database that this process has not opened.
func isFinished(path string) bool {
	_, err := os.Stat(path + "-wal")
	h, ok := headerOf(path)
	return ok && h[18] == 1 && errors.Is(err, fs.ErrNotExist)
}
