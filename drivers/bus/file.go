package bus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"
)

// FileOptions says which file of the kernel stands for a device.
type FileOptions struct {
	// Path of the file. It may hold the wildcards of path/filepath.Match, for numbers
	// that change from boot to boot; it must then match one file when it is read.
	Path string
	// Bus names what the kernel's driver talks through; reads of one bus come one
	// after the other. Empty: the path's directory.
	Bus string
	For string // who uses the file (a channel), for error messages; may be empty
}

// File is a small file of the kernel (sysfs) that a driver reads again and again.
// Reading one can take as long as the device's conversion and can't be interrupted;
// the host's worker does it, so that ctx and the watchdog hold for the caller.
// Several users may open the same file: reading changes nothing.
type File interface {
	// Read reads the file from its beginning and returns how much of it is in p.
	Read(ctx context.Context, p []byte) (int, error)
	Close() error // more than once is fine
	String() string
}

// File returns a file; it need not exist yet.
func (h *Host) File(o FileOptions) (File, error) {
	if o.Path == "" {
		return nil, errors.New("file: no path given")
	}
	if _, err := filepath.Match(o.Path, ""); err != nil {
		return nil, fmt.Errorf("file %s: %w", o.Path, err)
	}
	if o.Bus == "" {
		o.Bus = filepath.Dir(o.Path)
	}
	own, err := h.ownerOf("file " + o.Bus)
	if err != nil {
		return nil, err
	}
	return &file{opts: o, owner: own}, nil
}

type file struct {
	opts   FileOptions
	owner  *owner
	closed atomic.Bool
}

func (f *file) String() string { return f.opts.Path }

func (f *file) Read(ctx context.Context, p []byte) (int, error) {
	if f.closed.Load() {
		return 0, fmt.Errorf("%s: %w", f, ErrClosed)
	}
	o := f.owner
	if err := o.acquire(ctx); err != nil {
		return 0, fmt.Errorf("%s: wait for the bus: %w", f, err)
	}
	n := 0
	if err := o.do(ctx, fileRead{f, &n}, nil, p); err != nil {
		return 0, fmt.Errorf("read %s: %w", f, err)
	}
	return n, nil
}

// fileRead is one reading of a file.
type fileRead struct {
	file *file
	n    *int
}

// exchange runs in the owner's worker.
func (j fileRead) exchange(_, r []byte) error {
	path, err := j.file.find()
	if err != nil {
		return err
	}
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrPermission) {
		if who := permission(path); who != "" {
			return fmt.Errorf("%w; %s", err, who)
		}
	}
	if err != nil {
		return err
	}
	n, err := io.ReadFull(f, r)
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		err = nil // the file is shorter than the buffer, as it should be
	}
	*j.n = n
	return errors.Join(err, f.Close())
}

// find resolves wildcards.
func (f *file) find() (string, error) {
	found, err := filepath.Glob(f.opts.Path)
	if err != nil {
		return "", err
	}
	switch len(found) {
	case 0:
		return "", &os.PathError{Op: "find", Path: f.opts.Path, Err: os.ErrNotExist}
	case 1:
		return found[0], nil
	}
	return "", fmt.Errorf("%d files match, the first two are %s and %s: name one of them", len(found), found[0], found[1])
}

func (f *file) Close() error {
	f.closed.Store(true)
	return nil
}
