package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"soakrig/daemon/record"
)

const recordsName = "records.db"

// Every table of records.db has the same shape: a key, a JSON text and the CRC32C
// of key, zero byte and text. run has two more columns to find rows by.
const recordsSchema = `
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, d TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS calibration (key TEXT PRIMARY KEY, d TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS pin (key TEXT PRIMARY KEY, d TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS gap (key TEXT PRIMARY KEY, d TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS run (key TEXT PRIMARY KEY, d TEXT NOT NULL, crc INTEGER NOT NULL,
  first_seq INTEGER NOT NULL, unit TEXT NOT NULL);
`

// records is the small database of what is precious and rarely written. Each
// change is one durable transaction.
type records struct {
	path  string
	fault func(op string) error

	copying sync.Mutex // held while a copy is made

	mu   sync.Mutex
	db   *sql.DB   // guarded by mu
	conn *sql.Conn // guarded by mu
}

func rowSum(key, d string) int64 {
	return int64(record.Checksum([]byte(key + "\x00" + d)))
}

// open opens or creates records.db and checks its structure.
func (r *records) open(path string) error {
	if err := checkHeader(path); err != nil {
		return fmt.Errorf("open %s: %w", path, err)
	}
	db, err := openDB(path, openWrite)
	if err != nil {
		return err
	}
	conn, err := db.Conn(context.Background())
	if err == nil {
		r.path, r.db, r.conn = path, db, conn
		err = r.check()
	}
	if err != nil {
		r.close()
		db.Close()
		return fmt.Errorf("open %s: %w", path, err)
	}
	return nil
}

func (r *records) check() error {
	ctx := context.Background()
	if err := checkVersion(r.conn); err != nil {
		return err
	}
	version, err := formatOf(r.conn)
	if err != nil {
		return err
	}
	if version == 0 {
		if _, err := r.conn.ExecContext(ctx, fmt.Sprintf("BEGIN IMMEDIATE; %s PRAGMA user_version=%d; COMMIT", recordsSchema, format)); err != nil {
			return err
		}
	}
	if err := checkWith(r.conn, "integrity_check(1)"); err != nil { // it compares the indexes, too
		return err
	}
	for _, table := range recordTables { // damage may have changed a column's name
		columns := "key, d, crc"
		if table == "run" {
			columns += ", first_seq, unit"
		}
		if _, err := r.conn.ExecContext(ctx, "SELECT "+columns+" FROM "+table+" LIMIT 0"); err != nil {
			return err
		}
	}
	whole, err := checkpoint(r.conn)
	if err == nil && whole {
		err = wholePages(r.conn, r.path)
	}
	return err
}

func (r *records) close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.conn == nil {
		return nil
	}
	err := errors.Join(r.conn.Close(), r.db.Close())
	r.conn, r.db = nil, nil
	return err
}

// put stores v under a key of a table. more are further columns and values.
func (r *records) put(table, key string, v any, more ...any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("store %s %s: %w", table, key, err)
	}
	columns, marks := "", ""
	args := []any{key, string(text), rowSum(key, string(text))}
	for i := 0; i+1 < len(more); i += 2 {
		columns += ", " + more[i].(string)
		marks += ", ?"
		args = append(args, more[i+1])
	}
	return r.change(table+" "+key, "INSERT OR REPLACE INTO "+table+" (key, d, crc"+columns+") VALUES (?, ?, ?"+marks+")", args...)
}

func (r *records) change(what, query string, args ...any) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.conn == nil {
		return ErrClosed
	}
	if err := r.fault("records"); err != nil {
		return fmt.Errorf("store %s in %s: %w", what, r.path, err)
	}
	err := inTx(r.conn, func(ctx context.Context) error {
		_, err := r.conn.ExecContext(ctx, query, args...)
		return err
	})
	if err != nil {
		return fmt.Errorf("store %s in %s: %w", what, r.path, err)
	}
	// It is durable. It shall not stay in the log, where one damaged bit, or somebody who
	// deletes logs, takes back all that follows, and nobody notices.
	_ = withoutWaiting(r.conn, func() error { _, err := checkpoint(r.conn); return err })
	return nil
}

// row is a stored row whose checksum has been verified, or bad.
type row struct {
	key, text string
	bad       bool
}

func rowFrom(key, text, crc any) (v row) {
	var named, worded bool
	v.key, named = key.(string)
	v.text, worded = text.(string)
	sum, summed := crc.(int64)
	v.bad = !named || !worded || !summed || rowSum(v.key, v.text) != sum
	return v
}

func (r *records) rows(query string, args ...any) ([]row, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.conn == nil {
		return nil, ErrClosed
	}
	return rowsOf(r.conn, r.path, query, args...)
}

func rowsOf(q querier, path, query string, args ...any) ([]row, error) {
	rows, err := q.QueryContext(context.Background(), query, args...)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	defer rows.Close()
	var out []row
	for rows.Next() {
		var key, text, crc any // damage changes types, too
		if err := rows.Scan(&key, &text, &crc); err != nil {
			return nil, fmt.Errorf("read %s: %w", path, err)
		}
		out = append(out, rowFrom(key, text, crc))
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	return out, nil
}

// decodeRow reads a row's JSON; ok is false for a damaged one.
func decodeRow[T any](v row) (T, bool) {
	var out T
	ok := !v.bad && json.Unmarshal([]byte(v.text), &out) == nil
	return out, ok
}

// A checksum does not say which table a row is of, and a page that got into another one's
// place brings rows whose checksums hold: what a row says it is must be what it stands for.

func runOf(v row) (RunRow, bool) {
	r, ok := decodeRow[RunRow](v)
	return r, ok && r.Start.Run == v.key
}

func calibrationOf(v row) (record.Calibration, bool) {
	c, ok := decodeRow[record.Calibration](v)
	return c, ok && c.ID == v.key
}

func pinOf(v row) (pin, bool) {
	p, ok := decodeRow[pin](v)
	return p, ok && p.Name == v.key && p.From != 0
}

func gapOf(v row) (record.Gap, bool) {
	g, ok := decodeRow[record.Gap](v)
	return g, ok && gapKey(g) == v.key && g.To >= g.From
}

func layoutOf(v row) (record.Layout, bool) {
	l, ok := decodeRow[record.Layout](v)
	return l, ok && layoutKey(l.ID) == v.key
}

func gapKey(g record.Gap) string { return fmt.Sprintf("%020d", g.From) }

// sound tells whether a row is whole and of its table.
func (v row) sound(table string) (ok bool) {
	switch {
	case table == "run":
		_, ok = runOf(v)
	case table == "calibration":
		_, ok = calibrationOf(v)
	case table == "pin":
		_, ok = pinOf(v)
	case table == "gap":
		_, ok = gapOf(v)
	case strings.HasPrefix(v.key, layoutPrefix):
		_, ok = layoutOf(v)
	default:
		_, ok = decodeRow[string](v)
	}
	return ok
}

func parseSeq(text string) (uint64, bool) {
	n, err := strconv.ParseUint(text, 10, 64)
	return n, err == nil
}

func (r *records) damagedRow(table, key string) error {
	return fmt.Errorf("%s %q in %s: %w: it does not match its checksum", table, key, r.path, ErrDamaged)
}

func (r *records) putMeta(key string, n uint64) error {
	return r.put("meta", key, strconv.FormatUint(n, 10))
}

// meta is a stored text; ok is false when there is none or it is damaged.
func (r *records) meta(key string) (v string, ok bool) {
	rows, err := r.rows("SELECT key, d, crc FROM meta WHERE key = ?", key)
	if err != nil || len(rows) == 0 || rows[0].bad || json.Unmarshal([]byte(rows[0].text), &v) != nil {
		return "", false
	}
	return v, true
}

func (r *records) metaSeq(key string) (uint64, bool) {
	v, ok := r.meta(key)
	n, valid := parseSeq(v)
	return n, ok && valid
}

func (r *records) putGap(g record.Gap) error {
	return r.put("gap", gapKey(g), g)
}

func (r *records) gaps() (out []record.Gap, err error) {
	rows, err := r.rows("SELECT key, d, crc FROM gap ORDER BY key")
	for _, v := range rows {
		if g, ok := gapOf(v); ok {
			out = append(out, g)
		}
	}
	return out, err
}
