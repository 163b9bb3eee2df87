package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"soakrig/daemon/record"
)

// format is the number of the file format, PRAGMA user_version of every file.
const format = 1

// readIdle is how long an unused read connection stays open.
const readIdle = 10 * time.Second

const samplesSchema = `
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, d TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS live (seq INTEGER PRIMARY KEY, d BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS blk (seq INTEGER PRIMARY KEY, n INTEGER NOT NULL,
  t0 INTEGER NOT NULL, t1 INTEGER NOT NULL, crc INTEGER NOT NULL, d BLOB NOT NULL);
`

// sampleFile is one samples-<first>.db. The newest has a writer, which the commit
// goroutine owns; any goroutine may read.
type sampleFile struct {
	path   string
	first  uint64
	bytes  atomic.Int64 // as last measured; 0: not yet
	newest atomic.Int64 // wall time of the last entry of a finished file, noTime: unknown; 0: not looked up

	// mu is held for reading by every query and for writing by whoever changes
	// how the file is opened, finishes, retires or sets it aside.
	mu       sync.RWMutex
	read     *sql.DB // guarded by mu; nil: open on demand
	finished bool    // guarded by mu: sealed, no log beside it
	gone     bool    // guarded by mu

	finishing atomic.Bool // somebody seals it and takes its log away

	badMu sync.Mutex
	bad   map[string]bool // rows that failed their checksum; guarded by badMu
}

// writer is the one connection that changes a sample file.
type writer struct {
	file       *sampleFile
	db         *sql.DB
	conn       *sql.Conn
	insertLive *sql.Stmt
	insertBlk  *sql.Stmt
	deleteLive *sql.Stmt
	begin      *sql.Stmt
	commit     *sql.Stmt
	live       int  // rows in live
	liveCount  int  // entries in live
	full       bool // a new file is due
	rejected   int  // seals in a row that read back wrong; each doubles the wait
	begun      record.Stamp
	hasBegun   bool
}

// createFile makes the file whose first entry will be first.
func createFile(dir, id string, first, reserved uint64) (*writer, error) {
	f := &sampleFile{path: filepath.Join(dir, sampleName(first)), first: first}
	w, err := openWriter(f)
	if err != nil {
		return nil, err
	}
	err = inTx(w.conn, func(ctx context.Context) error {
		return w.putMeta(ctx, "journal", id, "first", strconv.FormatUint(first, 10), "reserved", strconv.FormatUint(reserved, 10))
	})
	if err == nil {
		err = syncDir(dir)
	}
	if err != nil {
		w.close()
		return nil, fmt.Errorf("create %s: %w", f.path, err)
	}
	return w, nil
}

// openWriter opens f for changes, creating what is missing.
func openWriter(f *sampleFile) (*writer, error) {
	db, err := openDB(f.path, openWrite)
	if err != nil {
		return nil, err
	}
	w := &writer{file: f, db: db}
	if err := w.prepare(); err != nil {
		w.close()
		return nil, fmt.Errorf("open %s: %w", f.path, err)
	}
	return w, nil
}

func (w *writer) prepare() (err error) {
	ctx := context.Background()
	if w.conn, err = w.db.Conn(ctx); err != nil {
		return err
	}
	var version int
	if err = w.conn.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if version > format {
		return fmt.Errorf("format %d is newer than this soakd, which knows %d; start the newer soakd", version, format)
	}
	if version == 0 {
		if _, err = w.conn.ExecContext(ctx, fmt.Sprintf("BEGIN IMMEDIATE; %s PRAGMA user_version=%d; COMMIT", samplesSchema, format)); err != nil {
			return err
		}
	}
	for _, p := range []struct {
		to   **sql.Stmt
		text string
	}{
		{&w.begin, "BEGIN IMMEDIATE"},
		{&w.commit, "COMMIT"},
		{&w.insertLive, "INSERT INTO live (seq, d) VALUES (?, ?)"},
		{&w.insertBlk, "INSERT INTO blk (seq, n, t0, t1, crc, d) VALUES (?, ?, ?, ?, ?, ?)"},
		{&w.deleteLive, "DELETE FROM live WHERE seq <= ?"},
	} {
		if *p.to, err = w.conn.PrepareContext(ctx, p.text); err != nil {
			return err
		}
	}
	return nil
}

// inTx runs f in one transaction. It is inTx with its statements prepared.
func (w *writer) inTx(f func(ctx context.Context) error) error {
	ctx := context.Background()
	if _, err := w.begin.ExecContext(ctx); err != nil {
		return err
	}
	err := f(ctx)
	if err == nil {
		_, err = w.commit.ExecContext(ctx)
	}
	if err != nil {
		rollback(ctx, w.conn)
	}
	return err
}

func (w *writer) close() {
	for _, s := range []*sql.Stmt{w.begin, w.commit, w.insertLive, w.insertBlk, w.deleteLive} {
		if s != nil {
			s.Close()
		}
	}
	if w.conn != nil {
		w.conn.Close()
	}
	w.db.Close()
}

// checkpoint brings the log into the file, synced.
func (w *writer) checkpoint() error {
	whole, err := checkpoint(w.conn)
	if err == nil && !whole {
		err = fmt.Errorf("checkpoint %s: another program holds the file", w.file.path)
	}
	return err
}

// size is the size of the file with what its log adds to it.
func (w *writer) size() (int64, error) {
	var pages, free int64
	ctx := context.Background()
	err := w.conn.QueryRowContext(ctx, "PRAGMA page_count").Scan(&pages)
	if err == nil {
		err = w.conn.QueryRowContext(ctx, "PRAGMA freelist_count").Scan(&free)
	}
	return (pages - free) * pageSize, err
}

// abandon closes the file without merging its log into it, for a log that can no
// longer be trusted to reach the disk: merging and dropping it could drop what was
// acknowledged. The file must have been shut, since the last connection to close
// decides.
func (w *writer) abandon() {
	if w.conn != nil {
		_ = keepLog(w.conn)
	}
	w.close()
}

func (w *writer) putMeta(ctx context.Context, pairs ...string) error {
	for i := 0; i+1 < len(pairs); i += 2 {
		key, d := pairs[i], pairs[i+1]
		if _, err := w.conn.ExecContext(ctx, "INSERT OR REPLACE INTO meta (key, d, crc) VALUES (?, ?, ?)", key, d, rowSum(key, d)); err != nil {
			return err
		}
	}
	return nil
}

// meta is a stored text; empty when there is none.
func (w *writer) meta(key string) (string, error) { return metaOf(w.conn, key) }

func metaOf(q querier, key string) (string, error) {
	var d string
	var crc int64
	err := q.QueryRowContext(context.Background(), "SELECT d, crc FROM meta WHERE key = ?", key).Scan(&d, &crc)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return "", nil
	case err == nil && rowSum(key, d) != crc:
		return "", fmt.Errorf("meta %q: %w: it does not match its checksum", key, ErrDamaged)
	}
	return d, err
}

func (w *writer) metaSeq(key string) (uint64, bool) {
	d, err := w.meta(key)
	n, valid := parseSeq(d)
	return n, err == nil && valid
}

// open gives the read side, opened on demand. mu is held for reading and is
// exchanged for writing where that is needed.
func (f *sampleFile) open() (*sql.DB, error) {
	if f.read != nil {
		return f.read, nil
	}
	f.mu.RUnlock()
	f.mu.Lock()
	var err error
	if f.read == nil && !f.gone {
		mode := openRead
		if f.finished {
			mode = openImmutable
		}
		f.read, err = openDB(f.path, mode)
	}
	f.mu.Unlock()
	f.mu.RLock()
	if err == nil && (f.gone || f.read == nil) {
		err = errGone
	}
	return f.read, err
}

// shut ends all reading of the file for good.
func (f *sampleFile) shut() {
	f.mu.Lock()
	f.closeRead()
	f.gone = true
	f.mu.Unlock()
}

var errGone = errors.New("file was retired")

// closeRead drops the read connections; mu is held for writing.
func (f *sampleFile) closeRead() {
	if f.read != nil {
		f.read.Close()
		f.read = nil
	}
}

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

// damaged remembers a row that does not match its checksum.
func (f *sampleFile) damaged(table string, row int64) {
	f.badMu.Lock()
	defer f.badMu.Unlock()
	if f.bad == nil {
		f.bad = make(map[string]bool)
	}
	f.bad[table+"/"+strconv.FormatInt(row, 10)] = true
}

func (f *sampleFile) damagedRows() int {
	f.badMu.Lock()
	defer f.badMu.Unlock()
	return len(f.bad)
}

// querier is a database or one connection of it.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// bounds are the numbers of the first and last entries in the file that can be
// read; 0, 0 when there are none.
func (f *sampleFile) bounds(db querier) (first, last uint64, err error) {
	for _, table := range []string{"blk", "live"} {
		lo, err := f.edge(db, table, "ASC")
		if err != nil {
			return 0, 0, err
		}
		hi, err := f.edge(db, table, "DESC")
		if err != nil {
			return 0, 0, err
		}
		if lo.d == nil || hi.d == nil {
			continue
		}
		if first == 0 || lo.first < first {
			first = lo.first
		}
		last = max(last, hi.last)
	}
	return first, last, nil
}

// edge is the first or last row that can be read; its d is nil when there is none.
func (f *sampleFile) edge(db querier, table, order string) (piece, error) {
	rows, err := db.QueryContext(context.Background(), "SELECT seq, d FROM "+table+" ORDER BY seq "+order)
	if err != nil {
		return piece{}, err
	}
	defer rows.Close()
	for rows.Next() {
		var row int64
		var p piece
		if err := rows.Scan(&row, &p.d); err != nil {
			return piece{}, err
		}
		if p.first, p.last, err = record.CheckBlock(p.d); err == nil && p.first == uint64(row) {
			return p, nil
		}
		f.damaged(table, row)
	}
	return piece{}, rows.Err()
}

// keepLog tells SQLite to leave the write-ahead log in place when the connection
// closes.
func keepLog(conn *sql.Conn) error {
	return conn.Raw(func(c any) error {
		k, ok := c.(interface {
			FileControlPersistWAL(string, int) (int, error)
		})
		if !ok {
			return errors.New("driver can't keep the log")
		}
		_, err := k.FileControlPersistWAL("main", 1)
		return err
	})
}
