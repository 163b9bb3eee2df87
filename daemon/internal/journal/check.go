package journal

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"soakrig/daemon/record"
)

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
		j.checkFile(f, i == len(files)-1)
	}
}

func (j *Journal) checkFile(f *sampleFile, active bool) {
	err := f.check(j.ctx)
	switch {
	case err == nil || !damage(err):
	case errors.Is(err, errRows):
		j.badRows(f)
	case active:
		select {
		case j.damage <- fmt.Errorf("check %s: %w", f.path, err):
		default:
		}
	case f.finishing.CompareAndSwap(false, true):
		j.replaceFinished(f, err)
		f.finishing.Store(false)
	default:
		f.suspect.Store(true)
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
