package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
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

	mu   sync.Mutex
	db   *sql.DB   // guarded by mu
	conn *sql.Conn // guarded by mu
}

func rowSum(key, d string) int64 {
	return int64(record.Checksum([]byte(key + "\x00" + d)))
}

// open opens or creates records.db and checks its structure.
func (r *records) open(path string) error {
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
	var version int
	if err := r.conn.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if version > format {
		return fmt.Errorf("format %d is newer than this soakd, which knows %d; start the newer soakd", version, format)
	}
	if version == 0 {
		if _, err := r.conn.ExecContext(ctx, fmt.Sprintf("BEGIN IMMEDIATE; %s PRAGMA user_version=%d; COMMIT", recordsSchema, format)); err != nil {
			return err
		}
	}
	if err := quickCheck(r.conn); err != nil {
		return err
	}
	if whole, err := checkpoint(r.conn); err != nil || !whole {
		return err
	}
	return wholePages(r.path)
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
	return nil
}

// row is a stored row whose checksum has been verified, or bad.
type row struct {
	key, text string
	bad       bool
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
		var v row
		var crc int64
		if err := rows.Scan(&v.key, &v.text, &crc); err != nil {
			return nil, fmt.Errorf("read %s: %w", path, err)
		}
		v.bad = rowSum(v.key, v.text) != crc
		out = append(out, v)
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
	return r.put("gap", fmt.Sprintf("%020d", g.From), g)
}

func (r *records) gaps() (out []record.Gap, err error) {
	rows, err := r.rows("SELECT key, d, crc FROM gap ORDER BY key")
	for _, v := range rows {
		if g, ok := decodeRow[record.Gap](v); ok {
			out = append(out, g)
		}
	}
	return out, err
}

// RunRow is a run as the journal keeps it.
type RunRow struct {
	Start     record.RunStart `json:"start"`
	State     string          `json:"state"` // word of the run manager; StateDamaged: the row can't be read
	StartedAt record.Stamp    `json:"started_at"`
	EndedAt   record.Stamp    `json:"ended_at"` // zero: still open
	FirstSeq  uint64          `json:"first_seq,string"`
	LastSeq   uint64          `json:"last_seq,string"` // zero: still open
	Result    *record.Result  `json:"result,omitempty"`
}

// StateDamaged is the state of a run in a list whose row does not match its
// checksum. Only Start.Run holds.
const StateDamaged = "damaged"

// PutRun stores a run, in place of one with the same id, and returns once that is
// durable.
func (j *Journal) PutRun(r RunRow) error {
	if r.Start.Run == "" {
		return errors.New("store run: it has no id")
	}
	return j.records.put("run", r.Start.Run, r, "first_seq", int64(r.FirstSeq), "unit", r.Start.Unit)
}

// Run is a stored run. Errors: ErrNoRun, ErrDamaged.
func (j *Journal) Run(id string) (RunRow, error) {
	rows, err := j.records.rows("SELECT key, d, crc FROM run WHERE key = ?", id)
	if err != nil {
		return RunRow{}, err
	}
	if len(rows) == 0 {
		return RunRow{}, fmt.Errorf("run %q: %w", id, ErrNoRun)
	}
	var r RunRow
	if rows[0].bad || json.Unmarshal([]byte(rows[0].text), &r) != nil {
		return RunRow{}, j.records.damagedRow("run", id)
	}
	return r, nil
}

// RunFilter chooses runs. The zero value chooses all.
type RunFilter struct {
	Unit   string // empty: any
	Before string // only runs older than this one; empty: from the newest. ErrNoRun if there is no such run
	Limit  int    // most runs; zero: no limit
}

// Runs lists stored runs, newest first. A damaged one is listed with StateDamaged.
func (j *Journal) Runs(f RunFilter) ([]RunRow, error) {
	query, args := "SELECT key, d, crc FROM run WHERE 1", []any{}
	if f.Unit != "" {
		query += " AND unit = ?"
		args = append(args, f.Unit)
	}
	if f.Before != "" {
		before, err := j.Run(f.Before)
		if err != nil {
			return nil, err
		}
		query += " AND (first_seq, key) < (?, ?)"
		args = append(args, int64(before.FirstSeq), f.Before)
	}
	query += " ORDER BY first_seq DESC, key DESC"
	if f.Limit > 0 {
		query += " LIMIT " + strconv.Itoa(f.Limit)
	}
	rows, err := j.records.rows(query, args...)
	if err != nil {
		return nil, err
	}
	out := make([]RunRow, len(rows))
	for i, v := range rows {
		if v.bad || json.Unmarshal([]byte(v.text), &out[i]) != nil {
			out[i] = RunRow{Start: record.RunStart{Run: v.key}, State: StateDamaged}
		}
	}
	return out, nil
}

// PutCalibration stores a calibration, in place of one with the same ID, and
// returns once that is durable.
func (j *Journal) PutCalibration(c record.Calibration) error {
	if c.ID == "" {
		return errors.New("store calibration: it has no id")
	}
	return j.records.put("calibration", c.ID, c)
}

// Calibrations lists stored calibrations by ID. A damaged one is an error that
// wraps ErrDamaged; the others are given beside it.
func (j *Journal) Calibrations() ([]record.Calibration, error) {
	rows, err := j.records.rows("SELECT key, d, crc FROM calibration ORDER BY key")
	if err != nil {
		return nil, err
	}
	var out []record.Calibration
	for _, v := range rows {
		var c record.Calibration
		if v.bad || json.Unmarshal([]byte(v.text), &c) != nil {
			err = errors.Join(err, j.records.damagedRow("calibration", v.key))
			continue
		}
		out = append(out, c)
	}
	return out, err
}

// saveFrom takes every row that matches its checksum from a damaged records.db, in
// place of one of the same key, and says how many.
func (r *records) saveFrom(path string) (saved int, err error) {
	db, err := openDB(path, openSalvage)
	if err != nil {
		return 0, nil // nothing of it can be read
	}
	defer db.Close()
	r.mu.Lock()
	defer r.mu.Unlock()
	err = inTx(r.conn, func(ctx context.Context) error {
		for _, table := range []string{"meta", "calibration", "pin", "gap", "run"} {
			rows := map[string][]any{}
			for _, order := range []string{"ASC", "DESC"} {
				readable(ctx, db, table, order, rows)
			}
			for _, values := range rows {
				query := "INSERT OR REPLACE INTO " + table + " VALUES (?" + strings.Repeat(", ?", len(values)-1) + ")"
				if _, err := r.conn.ExecContext(ctx, query, values...); err != nil {
					return err
				}
			}
			saved += len(rows)
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("save rows of %s in %s: %w", path, r.path, err)
	}
	return saved, nil
}

// readable collects the sound rows of a damaged table, up to where SQLite meets the
// damage.
func readable(ctx context.Context, db *sql.DB, table, order string, found map[string][]any) {
	width := 3
	if table == "run" {
		width = 5
	}
	rows, err := db.QueryContext(ctx, "SELECT * FROM "+table+" ORDER BY key "+order)
	if err != nil {
		return
	}
	defer rows.Close()
	for rows.Next() {
		values := make([]any, width)
		into := make([]any, width)
		for i := range values {
			into[i] = &values[i]
		}
		if rows.Scan(into...) != nil {
			return
		}
		key, named := values[0].(string)
		text, worded := values[1].(string)
		sum, summed := values[2].(int64)
		if named && worded && summed && rowSum(key, text) == sum && !slices.Contains(values, nil) {
			found[key] = values
		}
	}
}

// copies of records.db, newest first.
const recordCopies = 3

func copyName(path string, n int) string { return path + ".copy-" + strconv.Itoa(n) }

// copyOut makes a copy of records.db beside it and keeps the newest three.
func (r *records) copyOut() error {
	fresh := r.path + ".copy-new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	r.mu.Lock()
	if r.conn == nil {
		r.mu.Unlock()
		return ErrClosed
	}
	_, err := r.conn.ExecContext(context.Background(), "VACUUM INTO ?", fresh)
	r.mu.Unlock()
	if err != nil {
		return fmt.Errorf("copy %s: %w", r.path, err)
	}
	if err := syncFile(fresh); err != nil {
		return err
	}
	for n := recordCopies; n > 1; n-- {
		if err := os.Rename(copyName(r.path, n-1), copyName(r.path, n)); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	if err := os.Rename(fresh, copyName(r.path, 1)); err != nil {
		return err
	}
	return syncDir(filepath.Dir(r.path))
}

// syncFile makes a finished file durable. It must not be a database that is open.
func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// restore puts the newest copy that passes its check in place of records.db.
// ok is false when there is none.
func restoreRecords(path string) (from string, ok bool) {
	for n := 1; n <= recordCopies; n++ {
		from := copyName(path, n)
		if _, err := os.Stat(from); err != nil {
			continue
		}
		db, err := openDB(from, openImmutable)
		if err != nil {
			continue
		}
		err = quickCheck(db)
		if err == nil {
			_, err = db.Exec("VACUUM INTO ?", path)
		}
		db.Close()
		if err == nil && syncFile(path) == nil && syncDir(filepath.Dir(path)) == nil {
			return from, true
		}
		os.Remove(path)
	}
	return "", false
}
