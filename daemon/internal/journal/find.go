package journal

import (
	"context"
	"database/sql"
	"errors"

	"soakrig/daemon/record"
)

// piece is one packed block as it lies in a file; its checksum has been verified.
type piece struct {
	first, last uint64
	d           []byte
}

const livePieces = 64 // live rows that one query fetches

// find gives the block that holds seq, or, when none does, the one that comes
// next in this file; live rows come several at a time. Damaged rows are passed
// over. Each call is one short transaction. An empty answer means that the file
// has nothing at or after seq. A sealed block is read into buf where it fits.
func (f *sampleFile) find(ctx context.Context, seq uint64, buf []byte) ([]piece, error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	db, err := f.open()
	if err != nil {
		return nil, err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer tx.Rollback() // a read-only transaction has nothing to lose
	blk, err := f.findIn(ctx, tx, "blk", seq, 1, buf)
	if err != nil {
		return nil, err
	}
	if len(blk) == 1 && blk[0].first <= seq {
		return blk, nil
	}
	live, err := f.findIn(ctx, tx, "live", seq, livePieces, nil)
	if err != nil {
		return nil, err
	}
	if len(live) == 0 || len(blk) > 0 && blk[0].first < live[0].first {
		return blk, nil
	}
	for i := 1; i < len(live); i++ {
		if live[i].first != live[i-1].last+1 { // a block may lie between
			return live[:i], nil
		}
	}
	return live, nil
}

// findIn looks for the row that covers seq, else the next ones. Where SQLite meets
// damage the rows are looked at one by one, and only those that are hit are passed over.
func (f *sampleFile) findIn(ctx context.Context, tx *sql.Tx, table string, seq uint64, limit int, buf []byte) ([]piece, error) {
	out, err := f.findRows(ctx, tx, table, seq, limit, buf)
	if err != nil && damage(err) {
		if out, oneByOne := f.findEach(ctx, tx, table, seq, limit); oneByOne == nil {
			return out, nil
		}
	}
	return out, err
}

func (f *sampleFile) findEach(ctx context.Context, tx *sql.Tx, table string, seq uint64, limit int) (out []piece, err error) {
	rows, err := tx.QueryContext(ctx, "SELECT seq FROM "+table+
		" WHERE seq >= (SELECT coalesce(max(seq), 0) FROM "+table+" WHERE seq <= ?) ORDER BY seq", int64(seq))
	if err != nil {
		return nil, err
	}
	var numbers []int64
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			rows.Close()
			return nil, err
		}
		numbers = append(numbers, n)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, err
	}
	for _, n := range numbers {
		var p piece
		err := tx.QueryRowContext(ctx, "SELECT d FROM "+table+" WHERE seq = ?", n).Scan(&p.d)
		if err != nil && !damage(err) {
			return nil, err
		}
		if err == nil {
			p.first, p.last, err = record.CheckBlock(p.d)
		}
		if err != nil || p.first != uint64(n) {
			f.damaged(table, n)
			continue
		}
		if p.last >= seq {
			if out = append(out, p); len(out) == limit {
				break
			}
		}
	}
	return out, nil
}

func (f *sampleFile) findRows(ctx context.Context, tx *sql.Tx, table string, seq uint64, limit int, buf []byte) ([]piece, error) {
	rows, err := tx.QueryContext(ctx, "SELECT seq, d FROM "+table+
		" WHERE seq >= (SELECT coalesce(max(seq), 0) FROM "+table+" WHERE seq <= ?) ORDER BY seq", int64(seq))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []piece
	for len(out) < limit && rows.Next() {
		var row int64
		var raw sql.RawBytes
		if err := rows.Scan(&row, &raw); err != nil {
			return nil, err
		}
		p := piece{}
		if p.first, p.last, err = record.CheckBlock(raw); err != nil || p.first != uint64(row) {
			f.damaged(table, row)
			continue
		}
		if p.last >= seq {
			p.d = append(buf[:0], raw...)
			buf = nil
			out = append(out, p)
		}
	}
	return out, rows.Err()
}
