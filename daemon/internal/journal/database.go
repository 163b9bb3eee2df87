package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"modernc.org/sqlite"
)

// How a database file is opened.
type openMode int

const (
	openWrite     openMode = iota // the one writer
	openRead                      // beside the writer
	openImmutable                 // a finished file
	openSalvage                   // a damaged file: go on where SQLite would refuse the whole
)

// pageSize is not smaller than a block of the file system, so that a block that is
// garbage after a power cut takes no neighbour with it.
const pageSize = 4096

// busyMS is how long a statement waits for another program that holds a database.
const busyMS = 5000

// cacheKiB is what each connection may keep of a file in memory. Rows are appended and
// read in order: nothing is read twice, and SQLite's usual 2 MiB for each connection
// would only fill up.
const cacheKiB = 256

// dsn is a file: URI, since SQLite drops psow from a plain path. psow=0 makes
// SQLite pad each commit to a whole sector, so that a sector that is garbage after
// a power cut takes no earlier commit with it.
func dsn(path string, mode openMode) string {
	q := url.Values{}
	q.Set("psow", "0")
	q.Set("_busy_timeout", strconv.Itoa(busyMS))
	q.Set("_error_rc", "1")
	switch mode {
	case openWrite:
		q.Add("_pragma", fmt.Sprintf("page_size(%d)", pageSize))
		q.Add("_pragma", "wal_autocheckpoint(0)") // see writer.checkpoint and records.change
		q.Set("_journal_mode", "WAL")
		q.Set("_synchronous", "FULL")
	case openRead:
		q.Set("mode", "rw")
		q.Set("_query_only", "1")
	case openSalvage:
		q.Set("mode", "rw")
		q.Add("_pragma", "writable_schema(1)")
		q.Set("_query_only", "1")
	case openImmutable:
		q.Set("mode", "ro")
		q.Set("immutable", "1")
	}
	if mode != openSalvage { // it looks at the schema, which there must wait for writable_schema
		q.Add("_pragma", fmt.Sprintf("cache_size(-%d)", cacheKiB))
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	return u.String()
}

// openDB opens path. Connections are made when they are needed.
func openDB(path string, mode openMode) (*sql.DB, error) {
	db, err := sql.Open("sqlite", dsn(path, mode))
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	if mode == openWrite {
		db.SetMaxOpenConns(1)
	} else {
		db.SetMaxOpenConns(4)
		db.SetMaxIdleConns(2)
		db.SetConnMaxIdleTime(readIdle)
	}
	return db, nil
}

// quickCheck runs SQLite's own check of a file's structure.
func quickCheck(db querier) error { return checkWith(db, "quick_check(1)") }

func checkWith(db querier, check string) error {
	rows, err := db.QueryContext(context.Background(), "PRAGMA "+check)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return err
		}
		if s != "ok" {
			return fmt.Errorf("%s: %s: %w", check, s, ErrDamaged)
		}
	}
	return rows.Err()
}

// checkpoint brings a log into its database, synced. whole is false when another program
// holds the database.
func checkpoint(db querier) (whole bool, err error) { return checkpointTo(db, "TRUNCATE") }

func checkpointTo(db querier, mode string) (whole bool, err error) {
	var busy, frames, moved int
	err = db.QueryRowContext(context.Background(), "PRAGMA wal_checkpoint("+mode+")").Scan(&busy, &frames, &moved)
	return busy == 0, err
}

// wholePages tells of a file that ends inside a page: SQLite counts that page, finds
// nothing wrong with it, and fails when something on it is read. Call it when all of the
// log is in the file.
func wholePages(db querier, path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	var size int64
	if err := db.QueryRowContext(context.Background(), "PRAGMA page_size").Scan(&size); err != nil {
		return err
	}
	if part := info.Size() % size; part != 0 {
		return fmt.Errorf("%s ends %d bytes into a page: %w", filepath.Base(path), part, ErrDamaged)
	}
	return nil
}

// withoutWaiting runs f without waiting for other programs that hold the database.
func withoutWaiting(conn *sql.Conn, f func() error) error {
	ctx := context.Background()
	if _, err := conn.ExecContext(ctx, "PRAGMA busy_timeout=0"); err != nil {
		return err
	}
	err := f()
	_, after := conn.ExecContext(ctx, fmt.Sprintf("PRAGMA busy_timeout=%d", busyMS))
	return errors.Join(err, after)
}

// formatOf is the format of a database, 0 for a new one. A newer soakd writes its number in
// two places; in one place alone it is a damaged one, which shall not keep soakd from
// starting.
func formatOf(db querier) (int, error) {
	var version, application int
	if err := db.QueryRowContext(context.Background(), "PRAGMA user_version").Scan(&version); err != nil {
		return 0, err
	}
	if err := db.QueryRowContext(context.Background(), "PRAGMA application_id").Scan(&application); err != nil {
		return 0, err
	}
	switch {
	case version > format && version == application:
		return version, newerError(version)
	case version > format || version < 0:
		return version, fmt.Errorf("its format number is %d: %w", version, ErrDamaged)
	}
	return version, nil
}

// newerThanThis is a newerError for a database of a newer soakd, which is left as it is.
func newerThanThis(path string) error {
	db, err := openDB(path, openImmutable)
	if err != nil {
		return nil // met where it is opened
	}
	defer db.Close()
	_, err = formatOf(db)
	if newer := newerError(0); errors.As(err, &newer) {
		return fmt.Errorf("open %s: %w", path, err)
	}
	return nil
}

// newerError is the number of a format that this build does not know.
type newerError int

func (e newerError) Error() string {
	return fmt.Sprintf("format %d is newer than this soakd, which knows %d; start the newer soakd", int(e), format)
}

// header is what SQLite reads first of a database.
type header [24]byte

// headerOf reads a database's header; ok is false when there is none. Call it only on a
// database that this process has not open, or has open immutable: closing a file lets go of
// SQLite's locks.
func headerOf(path string) (h header, ok bool) {
	f, err := os.Open(path)
	if err != nil {
		return h, false
	}
	defer f.Close()
	_, err = f.ReadAt(h[:], 0)
	return h, err == nil && strings.HasPrefix(string(h[:]), "SQLite format 3\x00")
}

// checkHeader looks for damage of a header that SQLite does not call damage: a version of a
// later SQLite, which it opens for reading only, and bytes at the end of every page that
// are not for rows, by which it reads every row wrong.
func checkHeader(path string) error {
	h, ok := headerOf(path)
	if ok && (h[18] != 1 && h[18] != 2 || h[19] != 1 && h[19] != 2 || string(h[20:]) != "\x00\x40\x20\x20") {
		return fmt.Errorf("its header is % x: %w", h[16:], ErrDamaged)
	}
	return nil
}

func pragma(db querier, text string) (string, error) {
	var v string
	err := db.QueryRowContext(context.Background(), "PRAGMA "+text).Scan(&v)
	return v, err
}

// useFdatasync makes SQLite commit with fdatasync: one flush where fsync costs two.
func useFdatasync() error {
	_, err := sqlite.Fdatasync(true)
	if errors.Is(err, sqlite.ErrFdatasyncUnavailable) {
		return nil // a system whose fsync is all there is; slower, as safe
	}
	return err
}

// oldestSQLite is the first version without the fault that could damage a WAL when
// two connections checkpoint at once.
const oldestSQLite = "3.51.3"

func checkVersion(db querier) error {
	var v string
	if err := db.QueryRowContext(context.Background(), "SELECT sqlite_version()").Scan(&v); err != nil {
		return err
	}
	if versionLess(v, oldestSQLite) {
		return fmt.Errorf("SQLite %s has a fault that damages write-ahead logs; build with %s or newer", v, oldestSQLite)
	}
	return nil
}

func versionLess(a, b string) bool {
	var x, y [3]int
	fmt.Sscanf(a, "%d.%d.%d", &x[0], &x[1], &x[2])
	fmt.Sscanf(b, "%d.%d.%d", &y[0], &y[1], &y[2])
	for i := range x {
		if x[i] != y[i] {
			return x[i] < y[i]
		}
	}
	return false
}

// inTx runs f in one transaction of a writer's connection.
func inTx(conn *sql.Conn, f func(ctx context.Context) error) error {
	ctx := context.Background()
	if _, err := conn.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := f(ctx)
	if err == nil {
		_, err = conn.ExecContext(ctx, "COMMIT")
	}
	if err != nil {
		rollback(ctx, conn)
	}
	return err
}

// rollback ends a failed transaction. After some errors SQLite has rolled back by
// itself; then this fails with "no transaction" and says nothing new.
func rollback(ctx context.Context, conn *sql.Conn) { _, _ = conn.ExecContext(ctx, "ROLLBACK") }

// syncDir makes creations, renames and removals in a folder durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	return err
}

func fileSize(path string) int64 {
	n := int64(0)
	for _, suffix := range []string{"", "-wal"} {
		if info, err := os.Stat(path + suffix); err == nil {
			n += info.Size()
		}
	}
	return n
}

func sampleName(first uint64) string { return fmt.Sprintf("samples-%020d.db", first) }

func sampleFirst(name string) (uint64, bool) {
	digits, ok := strings.CutPrefix(name, "samples-")
	if !ok {
		return 0, false
	}
	digits, ok = strings.CutSuffix(digits, ".db")
	if !ok || len(digits) != 20 {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 62)
	return n, err == nil && n > 0
}
