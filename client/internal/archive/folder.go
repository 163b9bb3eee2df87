package archive

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"
)

// Folder is an archive: <dir>/<rig>/<unit>_<setup>_<run>.parquet and
// <dir>/SHA256SUMS, which sha256sum -c reads. One process writes at a time, holding
// <dir>/.lock; any number may read.
type Folder struct {
	dir  string
	busy sync.Map   // path -> *sync.Mutex
	mu   sync.Mutex // SHA256SUMS is being changed
}

const (
	sumsName  = "SHA256SUMS"
	ending    = ".parquet"
	tempStart = ".incomplete-"
)

// OpenFolder names a folder; it need not exist before the first Put.
func OpenFolder(dir string) *Folder { return &Folder{dir: dir} }

// Dir is the folder's path.
func (a *Folder) Dir() string { return a.dir }

// Path is where a run stands or would stand.
func (a *Folder) Path(run *Run) string {
	rig := safe(run.Record.Rig)
	if rig == "" {
		rig = "recordings"
	}
	return filepath.Join(a.dir, rig, run.Name()+ending)
}

// Outcome says what Put did.
type Outcome string

// The outcomes.
const (
	Stored Outcome = "stored"
	Kept   Outcome = "kept" // it was there and is whole
)

// Has tells whether the run is there: a file that opens, is of this run and journal,
// and has the checksum that SHA256SUMS holds for it. A file in its place that is
// damaged or of another run is an error; it is never replaced.
func (a *Folder) Has(run *Run) (bool, error) {
	path := a.Path(run)
	f, err := Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("%w; it is not replaced: move it away, then collect again", err)
	}
	defer func() { _ = f.Close() }()
	if f.ID() != run.ID() {
		return false, fmt.Errorf("%s holds another run (%s, wanted %s): it is not replaced; collect into another folder", path, f.ID(), run.ID())
	}
	sums, err := a.sums()
	if err != nil {
		return false, err
	}
	want, ok := sums[a.relative(path)]
	got, err := fileSum(path)
	if err != nil {
		return false, err
	}
	if !ok { // stored, and cut off before the sum was: the digest inside vouches for the rows
		for _, err := range f.Readings() {
			if err != nil {
				return false, err
			}
		}
		return true, a.addSum(path, got)
	}
	if got != want {
		return false, fmt.Errorf("%s is damaged: its SHA-256 is %.12s…, %s says %.12s…; it is not replaced: move it away, then collect again", path, got, sumsName, want)
	}
	return true, nil
}

// Put stores a run unless it is there already. The file appears under its name only
// when it is whole and on disk. What an interrupted Put left is removed. It may be
// called concurrently; the runs of one path wait for each other.
func (a *Folder) Put(run *Run, readings Readings) (Outcome, error) {
	return a.put(run, func() (Readings, func() error, error) { return readings, func() error { return nil }, nil })
}

func (a *Folder) put(run *Run, open func() (Readings, func() error, error)) (Outcome, error) {
	if run.Record.State != "ended" {
		return "", fmt.Errorf("run %s has not ended: only ended runs are archived", run.Record.Start.Run)
	}
	path := a.Path(run)
	defer a.hold(path)()
	there, err := a.Has(run)
	if err != nil {
		return "", err
	}
	if there {
		return Kept, nil
	}
	readings, closer, err := open()
	if err != nil {
		return "", err
	}
	sum, err := WriteFile(path, func(w io.Writer) error { return Write(w, run, readings) })
	if err = errors.Join(err, closer()); err != nil {
		return "", err
	}
	return Stored, errors.Join(a.addSum(path, sum), a.done(run))
}

// hold waits until no other Put works on a path; the caller calls release.
func (a *Folder) hold(path string) (release func()) {
	one, _ := a.busy.LoadOrStore(path, &sync.Mutex{})
	one.(*sync.Mutex).Lock()
	return one.(*sync.Mutex).Unlock
}

// WriteFile writes a file whole or not at all: under a temporary name in the same
// folder, synced, then given its name. A file of that name is an error that wraps
// fs.ErrExist. sum is the SHA-256 of what was written.
func WriteFile(path string, write func(io.Writer) error) (sum string, err error) {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("make folder: %w", err)
	}
	if _, err := os.Lstat(path); err == nil {
		return "", fmt.Errorf("write %s: %w: nothing is overwritten; move it away or choose another name", path, fs.ErrExist)
	}
	f, err := os.CreateTemp(dir, tempStart+"*")
	if err != nil {
		return "", fmt.Errorf("write %s: %w", path, err)
	}
	defer func() { _ = os.Remove(f.Name()) }()
	h := sha256.New()
	err = write(io.MultiWriter(f, h))
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return "", fmt.Errorf("write %s: %w", path, err)
	}
	// A link fails where a rename would overwrite.
	if err := os.Link(f.Name(), path); err != nil {
		return "", fmt.Errorf("write %s: %w", path, err)
	}
	if err := syncDir(dir); err != nil {
		return "", fmt.Errorf("write %s: %w", path, err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// ReplaceFile writes a file over its older self, whole or not at all: temporary name,
// sync, rename.
func ReplaceFile(path string, write func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), tempStart+"*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	defer func() { _ = os.Remove(f.Name()) }()
	err = write(f)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}

func (a *Folder) relative(path string) string {
	rel, err := filepath.Rel(a.dir, path)
	if err != nil {
		return path
	}
	return filepath.ToSlash(rel)
}

// sums reads SHA256SUMS; a folder without one has none.
func (a *Folder) sums() (map[string]string, error) {
	text, err := os.ReadFile(filepath.Join(a.dir, sumsName))
	if errors.Is(err, fs.ErrNotExist) {
		return map[string]string{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read checksums: %w", err)
	}
	sums := map[string]string{}
	for i, line := range strings.Split(strings.TrimSuffix(string(text), "\n"), "\n") {
		sum, name, ok := strings.Cut(line, "  ")
		if line != "" && (!ok || len(sum) != 64) {
			return nil, fmt.Errorf("%s:%d: want a SHA-256, two spaces and a name, as sha256sum writes; take the line out, the next soak collect has the sum of a whole file again", filepath.Join(a.dir, sumsName), i+1)
		}
		sums[name] = sum
	}
	return sums, nil
}

func (a *Folder) addSum(path, sum string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	sums, err := a.sums()
	if err != nil {
		return err
	}
	delete(sums, "")
	sums[a.relative(path)] = sum
	names := make([]string, 0, len(sums))
	for n := range sums {
		names = append(names, n)
	}
	sort.Strings(names)
	var b strings.Builder
	for _, n := range names {
		b.WriteString(sums[n] + "  " + n + "\n")
	}
	return ReplaceFile(filepath.Join(a.dir, sumsName), func(w io.Writer) error {
		_, err := io.WriteString(w, b.String())
		return err
	})
}

func fileSum(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("check %s: %w", path, err)
	}
	defer func() { _ = f.Close() }()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", fmt.Errorf("check %s: %w", path, err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// Lock keeps other writers out until unlock is called. Leftovers of an interrupted
// writer are removed.
func (a *Folder) Lock() (unlock func() error, err error) {
	if info, err := os.Stat(a.dir); err == nil && !info.IsDir() {
		return nil, fmt.Errorf("archive %s: it is a file, want a folder", a.dir)
	}
	if err := os.MkdirAll(a.dir, 0o755); err != nil {
		return nil, fmt.Errorf("make archive folder: %w", err)
	}
	f, err := lockFile(filepath.Join(a.dir, ".lock"))
	if err != nil {
		return nil, fmt.Errorf("archive %s: %w", a.dir, err)
	}
	left, err := filepath.Glob(filepath.Join(a.dir, "*", tempStart+"*"))
	top, err2 := filepath.Glob(filepath.Join(a.dir, tempStart+"*"))
	pages, err3 := filepath.Glob(filepath.Join(a.dir, "*", pagesStart+"*"+pagesEnding))
	for _, p := range pages { // of a run whose file is there, the pages are left over
		name := strings.TrimSuffix(strings.TrimPrefix(filepath.Base(p), pagesStart), pagesEnding)
		if _, err := os.Lstat(filepath.Join(filepath.Dir(p), name+ending)); err == nil {
			left = append(left, p)
		}
	}
	for _, p := range append(left, top...) {
		err = errors.Join(err, os.Remove(p))
	}
	if err = errors.Join(err, err2, err3); err != nil {
		return nil, errors.Join(fmt.Errorf("clear leftovers: %w", err), f.Close())
	}
	return f.Close, nil
}

// Entry is a run file of a folder, or why it can't be read. Its Run has record and
// result only: a table of a thousand runs needs no more. Open gives the rest.
type Entry struct {
	Path string
	Run  Run
	Rows int64
	Err  error
}

// List reads the run records of every run file below dirs and files, newest run
// first. Files that are no run files are entries with Err.
func List(paths []string) ([]Entry, error) {
	var files []string
	for _, p := range paths {
		info, err := os.Stat(p)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("archive %s: %w; soak collect %s makes it", p, fs.ErrNotExist, p)
		}
		if err != nil {
			return nil, fmt.Errorf("archive: %w", err)
		}
		if !info.IsDir() {
			files = append(files, p)
			continue
		}
		err = filepath.WalkDir(p, func(path string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() && strings.HasSuffix(path, ending) && !strings.HasPrefix(d.Name(), tempStart) {
				files = append(files, path)
			}
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("archive: %w", err)
		}
	}
	entries := make([]Entry, len(files))
	var next sync.Mutex
	var wg sync.WaitGroup
	at := 0
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for {
				next.Lock()
				i := at
				at++
				next.Unlock()
				if i >= len(files) {
					return
				}
				entries[i] = entry(files[i])
			}
		})
	}
	wg.Wait()
	slices.SortStableFunc(entries, func(a, b Entry) int {
		if a.Run.Record.StartedWallNS != b.Run.Record.StartedWallNS {
			if a.Run.Record.StartedWallNS > b.Run.Record.StartedWallNS {
				return -1
			}
			return 1
		}
		return strings.Compare(a.Path, b.Path)
	})
	return entries, nil
}

func entry(path string) Entry {
	e := Entry{Path: path}
	f, err := open(path, keyRun, keyResult)
	if err != nil {
		e.Err = err
		return e
	}
	e.Run, e.Rows = f.Run, f.Rows()
	e.Err = f.Close()
	return e
}

// There tells whether a file stands in the run's place, without looking into it.
func (a *Folder) There(run *Run) bool {
	_, err := os.Lstat(a.Path(run))
	return err == nil
}
