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
	q.Set("_busy_timeout", "5000")
	q.Set("_error_rc", "1")
	switch mode {
	case openWrite:
		q.Add("_pragma", fmt.Sprintf("page_size(%d)", pageSize))
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
func quickCheck(db querier) error {
	rows, err := db.QueryContext(context.Background(), "PRAGMA quick_check(1)")
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
			return fmt.Errorf("quick_check: %s: %w", s, ErrDamaged)
		}
	}
	return rows.Err()
}

// checkpoint brings a log into its database, synced. whole is false when another program
// holds the database.
func checkpoint(db querier) (whole bool, err error) {
	var busy, frames, moved int
	err = db.QueryRowContext(context.Background(), "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &moved)
	return busy == 0, err
}

// wholePages tells of a file that ends inside a page: SQLite counts that page, finds
// nothing wrong with it, and fails when something on it is read. Call it when all of the
// log is in the file.
func wholePages(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if part := info.Size() % pageSize; part != 0 {
		return fmt.Errorf("%s ends %d bytes into a page: %w", filepath.Base(path), part, ErrDamaged)
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

// setAside renames a database and its companions to a name that is not used yet,
// and returns it.
func setAside(path string) (string, error) {
	for n := 1; ; n++ {
		to := fmt.Sprintf("%s.damaged-%d", path, n)
		if _, err := os.Lstat(to); err == nil {
			continue
		}
		if err := renameDB(path, to); err != nil {
			return "", fmt.Errorf("set %s aside: %w", path, err)
		}
		return to, nil
	}
}

// renameDB renames a database and its companions, durably.
func renameDB(path, to string) error {
	for _, suffix := range []string{"", "-wal", "-shm", "-journal"} {
		if err := os.Rename(path+suffix, to+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return syncDir(filepath.Dir(path))
}

// unlinkDB removes a database and its companions, the database first, so that a
// crash in between leaves no database without its log.
func unlinkDB(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	for _, suffix := range []string{"-wal", "-shm", "-journal"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return syncDir(filepath.Dir(path))
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
