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
	behind []piece      // blocks behind damage in its log, until it is opened for writing
	bytes  atomic.Int64 // as last measured; 0: not yet
	newest atomic.Int64 // wall time of the last entry of a finished file, noTime: unknown; 0: not looked up

	// mu is held for reading by every query and for writing by whoever changes
	// how the file is opened, finishes, retires or sets it aside.
	mu       sync.RWMutex
	read     *sql.DB // guarded by mu; nil: open on demand
	finished bool    // guarded by mu: sealed, no log beside it
	gone     bool    // guarded by mu

	finishing atomic.Bool // somebody seals it and takes its log away, or replaces it
	suspect   atomic.Bool // damage was met while somebody did

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
	unnamed    bool // the log may begin with the next commit, and shall say whose it is
	rejected   int  // seals in a row that read back wrong; each doubles the wait
	begun      record.Stamp
	hasBegun   bool
}

// createFile makes the file whose first entry will be first.
func createFile(dir, id string, first, reserved uint64) (*writer, error) {
	return createAt(filepath.Join(dir, sampleName(first)), id, first, reserved)
}

func createAt(path, id string, first, reserved uint64) (*writer, error) {
	return openNew(&sampleFile{path: path, first: first}, id, reserved)
}

// openNew makes f's database and opens it for writing.
func openNew(f *sampleFile, id string, reserved uint64) (*writer, error) {
	w, err := openWriter(f)
	if err != nil {
		return nil, err
	}
	err = inTx(w.conn, func(ctx context.Context) error {
		return w.putMeta(ctx, "journal", id, "first", formatSeq(f.first), "reserved", formatSeq(reserved))
	})
	if err == nil { // a file says what it is, whatever becomes of its log
		_, err = w.checkpoint()
	}
	if err == nil {
		err = syncDir(filepath.Dir(f.path))
	}
	if err != nil {
		w.close()
		return nil, fmt.Errorf("create %s: %w", f.path, err)
	}
	return w, nil
}

// openWriter opens f for changes, creating what is missing.
func openWriter(f *sampleFile) (*writer, error) {
	if err := checkHeader(f.path); err != nil {
		return nil, fmt.Errorf("open %s: %w", f.path, err)
	}
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
	version, err := formatOf(w.conn)
	if err != nil {
		return err
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

// checkpoint brings the log into the file, synced. whole is false when another program
// holds the file: then some of it stays in the log, where it is as safe.
func (w *writer) checkpoint() (whole bool, err error) { return w.bringIn("TRUNCATE") }

func (w *writer) bringIn(mode string) (whole bool, err error) {
	w.unnamed = true // the next commit may be the first of its log
	err = withoutWaiting(w.conn, func() (err error) { whole, err = checkpointTo(w.conn, mode); return err })
	return whole, err
}

// logPages is the length of the log from which on it is brought into the file. SQLite's own
// 1000 would write the pages that change most once more often: 3 % more to the device.
const logPages = 2000

// shorten brings the log into the file when it is long, and lets it begin anew.
func (w *writer) shorten() error {
	var busy, pages, moved int
	err := w.conn.QueryRowContext(context.Background(), "PRAGMA wal_checkpoint(NOOP)").Scan(&busy, &pages, &moved)
	if err == nil && pages >= logPages {
		_, err = w.bringIn("RESTART")
	}
	return err
}

// name writes the journal's id into a log that begins: a log that was put beside another
// file makes that one say that it is not what its name and place say.
func (w *writer) name(ctx context.Context) error {
	for _, key := range []string{"journal", "first"} {
		d, err := w.meta(key)
		if err == nil && d != "" {
			err = w.putMeta(ctx, key, d)
		}
		if err != nil {
			return err
		}
	}
	return nil
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
			mode, err = openImmutable, checkHeader(f.path)
		}
		if err == nil {
			f.read, err = openDB(f.path, mode)
		}
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

// lastOf is the number of the last entry in the file that can be read, 0 when there is none.
func (f *sampleFile) lastOf() (last uint64, err error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	db, err := f.open()
	if err == nil {
		_, last, err = f.bounds(db)
	}
	return last, err
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
