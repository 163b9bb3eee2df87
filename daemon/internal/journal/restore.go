package journal

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// openRecords opens records.db, or what takes its place when it is damaged or gone.
// fresh tells that the folder has no samples either; id is what most files of samples
// say the journal is, empty when none does.
func (j *Journal) openRecords(fresh bool, id string) error {
	path := filepath.Join(j.opts.Dir, recordsName)
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist) && fresh:
		return j.replaceRecords("", asideNothing, id)
	case errors.Is(err, fs.ErrNotExist):
		return j.replaceRecords(recordsName+" is gone", asideNothing, id)
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		err = fmt.Errorf("it is no file: %w", ErrDamaged)
	case fileSize(path) == 0 && !(fresh && len(recordsCopies(path)) == 0):
		err = fmt.Errorf("it is empty: %w", ErrDamaged)
	default:
		err = j.records.open(path)
	}
	if err == nil || !damage(err) {
		return err
	}
	return j.replaceRecords(fmt.Sprintf("%s is damaged (%v) and was set aside as ", recordsName, err), asideDamaged, id)
}

// What a records.db is that another takes the place of.
type asideKind int

const (
	asideNothing  asideKind = iota // at most a log without its database
	asideStranger                  // another journal's: none of it is ours
	asideDamaged                   // what can be read of it is newer than any copy
)

// replaceRecords puts the newest copy of the journal id in place of records.db, or begins
// a new one. text says why; empty: there may have been no journal at all. The name of what
// was set aside is added to it, and how much of that was saved.
func (j *Journal) replaceRecords(text string, was asideKind, id string) error {
	path := filepath.Join(j.opts.Dir, recordsName)
	var theirs string
	var rows map[string]map[string][]any
	if was == asideDamaged {
		theirs, rows = readRecords(path)
		if id != "" && theirs != "" && theirs != id {
			rows = nil
		}
	}
	r := records{fault: j.opts.tune.fault}
	from, err := r.restore(path, cmp.Or(id, theirs))
	if err != nil {
		return err
	}
	saved, err := r.save(rows)
	if err = errors.Join(err, r.close()); err != nil {
		return err
	}
	// What a copy promised about numbers has been passed since.
	j.staleNumbers = rows["meta"]["reserved"] == nil && rows["meta"]["clean"] == nil
	aside, err := takeOver(path)
	if err != nil {
		return err
	}
	if err := j.records.open(path); err != nil {
		return err
	}
	if was != asideNothing {
		text += filepath.Base(aside)
	}
	switch {
	case from != "" && text == "":
		text = recordsName + " is gone; the copy " + from + " took its place"
	case from != "":
		text += "; the copy " + from + " took its place"
	case text != "" && saved == 0:
		text += "; there was no copy, so runs, calibrations and pins begin anew"
	}
	if saved > 0 {
		text += fmt.Sprintf("; %d of its rows were saved", saved)
	}
	if text != "" {
		j.log.Error("journal: " + text)
		j.event("failed", text)
	}
	return nil
}

// restore builds what takes the place of path from the newest copy that is sound and of
// the journal id, or anew, and opens it. from is the copy's name, empty when there is none.
func (r *records) restore(path, id string) (from string, err error) {
	part := path + partSuffix
	for _, from := range append(recordsCopies(path), "") {
		if err := unlinkDB(part); err != nil {
			return "", err
		}
		if from != "" && !copyInto(part, from, id) {
			continue
		}
		if err = r.open(part); err == nil {
			return strings.TrimPrefix(from, filepath.Dir(path)+"/"), nil
		}
	}
	return "", err
}

// copyInto makes a database of a copy of records.db, if that is sound and of the journal id.
func copyInto(to, from, id string) bool {
	db, err := openDB(from, openImmutable)
	if err != nil {
		return false
	}
	defer db.Close()
	if quickCheck(db) != nil {
		return false
	}
	if theirs := recordsID(db, from); id != "" && theirs != "" && theirs != id {
		return false
	}
	_, err = db.Exec("VACUUM INTO ?", to)
	return err == nil && syncFile(to) == nil
}

// recordsID is the journal that a records.db is of; empty: it does not say, or not soundly.
func recordsID(q querier, path string) string {
	rows, err := rowsOf(q, path, "SELECT key, d, crc FROM meta WHERE key = 'journal'")
	if err != nil || len(rows) == 0 {
		return ""
	}
	id, _ := decodeRow[string](rows[0])
	return id
}

// recordTables are the tables of records.db.
var recordTables = [...]string{"meta", "calibration", "pin", "gap", "run"}

// readRecords gives the journal that a damaged records.db is of, and every row that
// matches its checksum, by table and key. It changes nothing.
func readRecords(path string) (id string, tables map[string]map[string][]any) {
	tables = map[string]map[string][]any{}
	_ = salvaging(path, func(q querier) error {
		id = recordsID(q, path)
		for _, table := range recordTables {
			rows := map[string][]any{}
			for _, order := range []string{"rowid ASC", "rowid DESC", "key ASC", "key DESC"} { // along the table, and along its index
				readable(q, table, order, rows)
			}
			tables[table] = rows
		}
		return nil
	})
	return id, tables
}

// save stores rows in place of those of the same key, and says how many.
func (r *records) save(tables map[string]map[string][]any) (saved int, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	err = inTx(r.conn, func(ctx context.Context) error {
		for table, rows := range tables {
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
	if err == nil {
		_, err = checkpoint(r.conn)
	}
	if err != nil {
		return 0, fmt.Errorf("save rows in %s: %w", r.path, err)
	}
	return saved, nil
}

// readable collects the sound rows of a damaged table, up to where SQLite meets the
// damage.
func readable(q querier, table, order string, found map[string][]any) {
	width := 3
	if table == "run" {
		width = 5
	}
	rows, err := q.QueryContext(context.Background(), "SELECT * FROM "+table+" ORDER BY "+order)
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
		whole := named && worded && summed && rowSum(key, text) == sum && !slices.Contains(values, nil)
		if whole && (row{key: key, text: text}).sound(table) {
			found[key] = values
		}
	}
}

// salvaging gives f a damaged database to read from and changes nothing in its folder
// that a later attempt would miss.
func salvaging(path string, f func(q querier) error) error {
	if info, err := os.Lstat(path); err != nil || !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no file: %w", path, ErrDamaged)
	}
	db, err := openDB(path, openSalvage)
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	conn, err := db.Conn(context.Background())
	if err != nil {
		return err
	}
	defer conn.Close()
	if err := keepLog(conn); err != nil {
		return err
	}
	if _, err := conn.ExecContext(context.Background(), "BEGIN"); err != nil { // one state of it for all
		return err
	}
	defer rollback(context.Background(), conn)
	return f(conn)
}

// mendRows puts the copy's row in place of a damaged one where a row of its key never
// changes what it says, and tells of every damaged row that there is.
func (j *Journal) mendRows() error {
	for _, table := range recordTables {
		rows, err := j.records.rows("SELECT key, d, crc FROM " + table)
		if err != nil {
			return err
		}
		for _, v := range rows {
			if v.sound(table) {
				continue
			}
			text := fmt.Sprintf("%s %q in %s is damaged", table, v.key, recordsName)
			if from := j.mendRow(table, v.key); from != "" {
				text += "; it was taken from " + from
			} else {
				text += " and is not used"
			}
			j.log.Error("journal: " + text)
			j.event("failed", text)
		}
	}
	return j.records.mendColumns()
}

// mendColumns sets the columns that runs are found by to what the runs say.
func (r *records) mendColumns() error {
	wrong := map[string]RunRow{}
	r.mu.Lock()
	rows, err := r.conn.QueryContext(context.Background(), "SELECT key, d, crc, first_seq, unit FROM run")
	for err == nil && rows.Next() {
		var values [5]any
		if err = rows.Scan(&values[0], &values[1], &values[2], &values[3], &values[4]); err != nil {
			break
		}
		v := rowFrom(values[0], values[1], values[2])
		if run, ok := runOf(v); ok && (values[3] != int64(run.FirstSeq) || values[4] != run.Start.Unit) {
			wrong[v.key] = run
		}
	}
	if rows != nil {
		err = errors.Join(err, rows.Err(), rows.Close())
	}
	r.mu.Unlock()
	for key, run := range wrong {
		err = errors.Join(err, r.change("run "+key, "UPDATE run SET first_seq = ?, unit = ? WHERE key = ?", int64(run.FirstSeq), run.Start.Unit, key))
	}
	return err
}

// mendRow takes a row from the newest copy that has it, and gives the copy's name. A run
// or a calibration of yesterday may say what is no longer true: those stay damaged.
func (j *Journal) mendRow(table, key string) (from string) {
	if table != "pin" && table != "gap" && !(table == "meta" && strings.HasPrefix(key, layoutPrefix)) {
		return ""
	}
	id, _ := j.records.meta("journal")
	for _, path := range recordsCopies(j.records.path) {
		theirs, tables := readCopy(path)
		values := tables[table][key]
		if theirs != id || values == nil {
			continue
		}
		if _, err := j.records.save(map[string]map[string][]any{table: {key: values}}); err == nil {
			return filepath.Base(path)
		}
	}
	return ""
}

// readCopy is readRecords for a copy, which nobody writes to.
func readCopy(path string) (id string, tables map[string]map[string][]any) {
	tables = map[string]map[string][]any{}
	db, err := openDB(path, openImmutable)
	if err != nil {
		return "", tables
	}
	defer db.Close()
	for _, table := range recordTables {
		tables[table] = map[string][]any{}
		readable(db, table, "rowid ASC", tables[table])
	}
	return recordsID(db, path), tables
}

// copies of records.db, newest first.
const recordCopies = 3

func copyName(path string, n int) string { return fmt.Sprintf("%s.copy-%d", path, n) }

// recordsCopies are the copies that there are, newest first.
func recordsCopies(path string) (out []string) {
	for n := 1; n <= recordCopies; n++ {
		if info, err := os.Lstat(copyName(path, n)); err == nil && info.Mode().IsRegular() {
			out = append(out, copyName(path, n))
		}
	}
	return out
}

// copyOut makes a copy of records.db beside it and keeps the newest three.
func (r *records) copyOut() error {
	r.copying.Lock()
	defer r.copying.Unlock()
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
