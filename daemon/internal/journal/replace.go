package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// A database that takes the place of a damaged one is built under its name with
// partSuffix, and gets readySuffix when it is whole and durable. Only then is the damaged
// one set aside. So a crash or a full disk in between costs nothing: what is not ready is
// built again, and what is ready while the place is empty is put there at the next start.
const (
	partSuffix  = ".part"
	readySuffix = ".ready"
)

// takeOver puts the database that was built for path there, and sets aside what lies there.
func takeOver(path string) (aside string, err error) {
	if err := renameDB(path+partSuffix, path+readySuffix); err != nil {
		return "", fmt.Errorf("replace %s: %w", path, err)
	}
	if aside, err = setAside(path); err != nil {
		return "", err
	}
	if err := renameDB(path+readySuffix, path); err != nil {
		return "", fmt.Errorf("replace %s: %w", path, err)
	}
	return aside, nil
}

// finishReplacing goes on with what a crash interrupted. It comes before anything in the
// folder is opened.
func finishReplacing(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if name, ok := strings.CutSuffix(e.Name(), partSuffix); ok && ours(name) {
			if err := unlinkDB(filepath.Join(dir, e.Name())); err != nil {
				return err
			}
		}
		name, ok := strings.CutSuffix(e.Name(), readySuffix)
		if !ok || !ours(name) {
			continue
		}
		path := filepath.Join(dir, name)
		if _, err := os.Lstat(path); err == nil {
			err = unlinkDB(path + readySuffix)
			if err != nil {
				return err
			}
			continue
		}
		if _, err := setAside(path); err != nil { // its log may have been left
			return err
		}
		if err := renameDB(path+readySuffix, path); err != nil {
			return err
		}
	}
	return nil
}

// ours tells whether a name is one of the journal's databases.
func ours(name string) bool {
	_, ok := sampleFirst(name)
	return ok || name == recordsName
}

// setAside renames a database and its companions to a name that is not used yet,
// and returns it.
func setAside(path string) (string, error) {
	for n := 1; ; n++ {
		to := fmt.Sprintf("%s.damaged-%d", path, n)
		if used(to) {
			continue
		}
		if err := renameDB(path, to); err != nil {
			return "", fmt.Errorf("set %s aside: %w", path, err)
		}
		return to, nil
	}
}

// companions are the ends of the names of a database's files.
var companions = [...]string{"", "-wal", "-shm", "-journal"}

// used tells whether there is a database or a part of one.
func used(path string) bool {
	for _, suffix := range companions {
		if _, err := os.Lstat(path + suffix); err == nil {
			return true
		}
	}
	return false
}

// renameDB renames a database and its companions, durably.
func renameDB(path, to string) error {
	for _, suffix := range companions {
		if err := os.Rename(path+suffix, to+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return syncDir(filepath.Dir(path))
}

// unlinkDB removes a database and its companions, the database first, so that a
// crash in between leaves no database without its log.
func unlinkDB(path string) error {
	for _, suffix := range companions {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return syncDir(filepath.Dir(path))
}
