package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"soakrig/daemon/record"
)

// Errors that callers tell apart.
var (
	// ErrClosed: the journal or the reader has been closed.
	ErrClosed = errors.New("journal is closed")
	// ErrNoSequence: the disk has refused commits for so long that the numbers it
	// had promised are used up; nothing more can be numbered without the risk of
	// using a number twice.
	ErrNoSequence = errors.New("journal has no durable sequence numbers left: the disk has not taken a commit for too long; repair it and start soakd again")
	// ErrNotDurable: a sync failed, and nothing more becomes durable until soakd
	// is started again.
	ErrNotDurable = errors.New("journal is not durable")
	// ErrNoRun: there is no run with this id.
	ErrNoRun = errors.New("no such run")
	// ErrPinCap: the pin would hold more bytes than pins may hold together.
	ErrPinCap = errors.New("pinned bytes would exceed their cap")
	// ErrInUse: another process holds the journal.
	ErrInUse = errors.New("journal is in use by another process")
	// ErrDamaged: a stored record does not match its checksum.
	ErrDamaged = errors.New("damaged")
)

// Causes of gaps.
const (
	CauseUncleanStop = "unclean_stop" // may have been streamed before a crash or power cut
	CauseDamaged     = "damaged"      // the file or block that held them can't be read
	CauseRetention   = "retention"    // retired by age or size
	CauseNotStored   = "not_stored"   // streamed while the disk took no commits, and gone from memory before it did
)

// GapError tells a reader which numbers it does not get. The reader goes on behind
// them.
type GapError struct{ Gap record.Gap }

func (e *GapError) Error() string {
	return fmt.Sprintf("entries %d to %d are missing (%s): %s", e.Gap.From, e.Gap.To, e.Gap.Cause, e.Gap.Text)
}

// SQLite result codes that decide what happens next; primary code in the low byte.
const (
	sqliteError        = 1 // the statement does not fit the schema
	sqliteBusy         = 5
	sqliteLocked       = 6
	sqliteReadonly     = 8
	sqliteIOErr        = 10
	sqliteCorrupt      = 11
	sqliteFull         = 13
	sqliteCantOpen     = 14
	sqliteMismatch     = 20 // a value of a type that the column can't hold
	sqliteNotADB       = 26
	sqliteIOErrRead    = sqliteIOErr | 1<<8 // a sector can't be read
	sqliteIOErrShort   = sqliteIOErr | 2<<8 // the file ends too early
	sqliteIOErrData    = sqliteIOErr | 32<<8
	sqliteIOErrSystem  = sqliteIOErr | 33<<8 // the file system is damaged there
	sqliteIOErrFsync   = sqliteIOErr | 4<<8
	sqliteIOErrDirSync = sqliteIOErr | 5<<8
)

// trouble is how a failed commit is met.
type trouble int

const (
	troubleOther   trouble = iota // try again
	troubleFull                   // disk full, or an I/O error that may be that: drop the ballast, try again
	troubleSync                   // final
	troubleCorrupt                // set the file aside
)

func sqliteCode(err error) (int, bool) {
	var c interface{ Code() int }
	if errors.As(err, &c) {
		return c.Code(), true
	}
	return 0, false
}

func troubleOf(err error) trouble {
	if errors.Is(err, ErrDamaged) {
		return troubleCorrupt
	}
	code, ok := sqliteCode(err)
	if !ok {
		return troubleOther
	}
	switch code {
	case sqliteIOErrFsync, sqliteIOErrDirSync:
		return troubleSync
	case sqliteIOErrShort:
		return troubleCorrupt
	}
	switch code & 0xff {
	case sqliteFull, sqliteIOErr:
		return troubleFull
	case sqliteCorrupt, sqliteNotADB:
		return troubleCorrupt
	}
	return troubleOther
}

// damage tells whether an error of opening means that a file's content is not what
// it was, or can't be read any more: SQLite says so, or our own fixed queries meet tables, columns or types that
// no version has written.
func damage(err error) bool {
	if err == nil {
		return false
	}
	if troubleOf(err) == troubleCorrupt {
		return true
	}
	if code, ok := sqliteCode(err); ok {
		switch code {
		case sqliteIOErrRead, sqliteIOErrData, sqliteIOErrSystem:
			return true
		}
		return code&0xff == sqliteError || code&0xff == sqliteMismatch
	}
	return strings.Contains(err.Error(), "sql: Scan error") // database/sql has no error value for it
}

// explain words a commit error for people.
func explain(err error) string {
	code, ok := sqliteCode(err)
	if !ok {
		return err.Error()
	}
	switch {
	case code == sqliteIOErrFsync || code == sqliteIOErrDirSync:
		return "the disk failed to sync; check the card or disk and start soakd again: " + err.Error()
	case code&0xff == sqliteFull:
		return "the disk is full; free space or lower journal.max_size: " + err.Error()
	case code&0xff == sqliteIOErr:
		return "the disk returned an input/output error; it may be full or failing: " + err.Error()
	case code&0xff == sqliteReadonly:
		return explainReadOnly(err)
	case code&0xff == sqliteBusy || code&0xff == sqliteLocked:
		return "another program holds the journal's file locked: " + err.Error()
	}
	return err.Error()
}

func explainReadOnly(err error) string {
	return "the file system is read-only; check the kernel log and mount it read-write: " + err.Error()
}

// readOnly tells whether a folder's file system refuses to be written to. SQLite calls
// that an input/output error, and what statfs says is not true of a file system that
// made itself read-only after an error: a file is made and removed.
func readOnly(dir string) bool {
	path := filepath.Join(dir, "probe")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY, 0o640)
	if err == nil {
		f.Close()
		err = os.Remove(path)
	}
	return errors.Is(err, unix.EROFS)
}
