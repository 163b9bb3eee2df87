package cli

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"soakrig/client/internal/archive"
)

// free tells, before any work is done for them, whether files may be written: they are
// not there, or force is given. Names that are empty, "-" or no plain files are left to
// writeFile.
func free(force bool, paths ...string) error {
	for _, p := range paths {
		if p == "" || p == "-" {
			continue
		}
		info, err := os.Lstat(p)
		switch {
		case err == nil && info.IsDir():
			return usagef("%s is a folder: want the name of a file in it", p)
		case err == nil && !force && info.Mode().Type()&^fs.ModeSymlink == 0:
			return taken(p)
		}
	}
	return nil
}

func taken(path string) error {
	return fmt.Errorf("%s is there already: choose another name with -f, or --force", path)
}

// writeFile writes a file whole or not at all and tells its name on standard error. A
// device or pipe is written to, never replaced.
func (s *session) writeFile(path string, force bool, write func(io.Writer) error) error {
	if path == "-" {
		return write(s.Stdout)
	}
	if err := free(force, path); err != nil {
		return err
	}
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return writeInto(path, write)
	}
	began := time.Now()
	var err error
	if force {
		err = archive.ReplaceFile(path, write)
	} else {
		_, err = archive.WriteFile(path, write)
	}
	if errors.Is(err, fs.ErrExist) {
		return taken(path)
	}
	if err != nil {
		return err
	}
	s.progress("wrote %s (%s)", path, time.Since(began).Round(time.Millisecond))
	return nil
}

// writeInto writes to what is no plain file.
func writeInto(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return fmt.Errorf("write: %w", err)
	}
	if err := errors.Join(write(f), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}
