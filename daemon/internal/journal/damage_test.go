package journal

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// store makes a closed journal of n entries; clean false leaves the last commits in
// the log, as a killed process does.
func store(t testing.TB, n uint64, clean bool) string {
	t.Helper()
	return storeOf(t, small(t.TempDir()), n, clean)
}

func storeOf(t testing.TB, opts Options, n uint64, clean bool) string {
	t.Helper()
	j := open(t, opts)
	for k := uint64(1); k <= n; k += 100 {
		appendN(t, j, k, 100)
		commit(t, j)
		sealedUp(t, j)
	}
	j.workersIdle()
	if clean {
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	} else {
		crash(j)
	}
	return opts.Dir
}

// sealedUp waits for the seal that is due, so that how a store's rows lie in its files
// does not depend on how busy the machine is.
func sealedUp(t testing.TB, j *Journal) {
	t.Helper()
	for {
		j.filesMu.Lock()
		f := j.files[len(j.files)-1]
		j.filesMu.Unlock()
		f.mu.RLock()
		db, err := f.open()
		var live int
		if err == nil {
			err = db.QueryRow("SELECT count(*) FROM live").Scan(&live)
		}
		f.mu.RUnlock()
		must(t, err)
		if live < j.opts.tune.sealRows {
			return
		}
		j.Commit()
		waitState(t, j)
	}
}

func copyDir(t testing.TB, from string) string {
	t.Helper()
	for {
		to := t.TempDir()
		err := os.CopyFS(to, os.DirFS(from))
		if err == nil {
			return to
		}
		if !errors.Is(err, os.ErrNotExist) { // a copy of the records came to its end meanwhile
			t.Fatal(err)
		}
	}
}

// outcome is what a damaged store comes to.
type outcome struct {
	missing int // acknowledged entries that are gone, each inside a reported gap
	refused bool
}

// judge opens a store of n entries and compares every entry with what was stored.
// It fails the test for a wrong value and for an entry that is missing silently.
func judge(t *testing.T, what, dir string, n uint64) (o outcome) {
	t.Helper()
	j, err := Open(small(dir))
	if err != nil {
		t.Logf("%s: refused: %v", what, err)
		return outcome{refused: true}
	}
	defer j.Close()
	first, err := j.Append(entryFor(n + 1))
	if err != nil {
		t.Fatalf("%s: append: %v", what, err)
	}
	if first <= n {
		t.Fatalf("%s: number %d was used before", what, first)
	}
	r := j.NewReader(1)
	for r.Seq() <= n {
		at := r.Seq()
		e, err := r.Next(t.Context())
		if gap := (*GapError)(nil); errors.As(err, &gap) {
			o.missing += int(min(gap.Gap.To, n) - at + 1)
			continue
		}
		if err != nil {
			t.Fatalf("%s: entry %d: %v", what, at, err)
		}
		wantAt, body := entryFor(e.Seq)
		if e.Seq != at || e.At != wantAt || !sameBody(e.Body, body) {
			t.Fatalf("%s: WRONG VALUE in entry %d: %+v %+v", what, e.Seq, e.At, e.Body)
		}
	}
	return o
}

func newest(t testing.TB, dir, suffix string) string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "samples-*.db"))
	if err != nil || len(names) == 0 {
		t.Fatal("no files", err)
	}
	return names[len(names)-1] + suffix
}

func edit(t testing.TB, path string, f func(p []byte) []byte) {
	t.Helper()
	p, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, f(p), 0o640); err != nil {
		t.Fatal(err)
	}
}

func seeded(t testing.TB) *rand.Rand {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 1))
}

// TestDamage cuts tails and flips bits of stores. A wrong value fails; what is
// missing must lie in a gap.
func TestDamage(t *testing.T) {
	const n = 3000
	clean, killed := store(t, n, true), store(t, n, false)
	rng := seeded(t)
	flip := func(p []byte) []byte {
		for range 1 + rng.IntN(3) {
			p[rng.IntN(len(p))] ^= 1 << rng.IntN(8)
		}
		return p
	}
	for _, c := range []struct {
		name   string
		from   string
		file   func(dir string) string
		change func(p []byte) []byte
		trials int
	}{
		{"log cut at its end", killed, func(d string) string { return newest(t, d, "-wal") }, func(p []byte) []byte { return p[:len(p)-1-rng.IntN(9000)] }, 6},
		{"bits flipped in the log", killed, func(d string) string { return newest(t, d, "-wal") }, flip, 8},
		{"garbage behind the log", killed, func(d string) string { return newest(t, d, "-wal") }, func(p []byte) []byte {
			return append(p, make([]byte, 1+rng.IntN(5000))...)
		}, 4},
		{"bits flipped in the newest file", clean, func(d string) string { return newest(t, d, "") }, flip, 12},
		{"newest file cut", clean, func(d string) string { return newest(t, d, "") }, func(p []byte) []byte { return p[:rng.IntN(len(p))] }, 8},
		{"bits flipped in the oldest file", clean, func(d string) string { return filepath.Join(d, sampleName(1)) }, flip, 12},
		{"a page of the oldest file is garbage", clean, func(d string) string { return filepath.Join(d, sampleName(1)) }, func(p []byte) []byte {
			page := rng.IntN(len(p) / pageSize)
			for i := range pageSize {
				p[page*pageSize+i] = byte(rng.Uint32())
			}
			return p
		}, 8},
		{"bits flipped in the records", clean, func(d string) string { return filepath.Join(d, recordsName) }, flip, 6},
	} {
		t.Run(c.name, func(t *testing.T) {
			refused, missing := 0, 0
			for i := range c.trials * *damages {
				dir := copyDir(t, c.from)
				edit(t, c.file(dir), c.change)
				o := judge(t, fmt.Sprintf("%s %d", c.name, i), dir, n)
				missing += o.missing
				if o.refused {
					refused++
				}
			}
			t.Logf("%d trials: 0 wrong, %d entries in gaps, %d refused to open", c.trials**damages, missing, refused)
			if refused > 0 {
				t.Errorf("%d stores were refused; acquisition must go on", refused)
			}
		})
	}
}

// TestDamagedFileIsSetAside names what is lost and goes on.
func TestDamagedFileIsSetAside(t *testing.T) {
	const n = 12_000
	dir := store(t, n, true)
	edit(t, filepath.Join(dir, sampleName(1)), func(p []byte) []byte {
		for i := 2 * pageSize; i < len(p)/pageSize*3/4*pageSize; i++ { // more than pages that nothing uses
			p[i] = byte(mix(uint64(i)))
		}
		return p
	})
	j := open(t, small(dir))
	defer j.Close()
	for j.State().Gaps == 0 {
		waitState(t, j)
	}
	aside, err := filepath.Glob(filepath.Join(dir, "*.damaged-1"))
	if err != nil || len(aside) != 1 {
		t.Fatalf("set aside: %v %v", aside, err)
	}
	entries, gaps := readTo(t, j.NewReader(1), n, identity)
	if len(gaps) == 0 || gaps[0].Cause != CauseDamaged || entries == 0 {
		t.Fatalf("%d entries, gaps %v", entries, gaps)
	}
	if _, err := j.Append(entryFor(1)); err != nil {
		t.Fatal(err)
	}
	if _, texts := events(t, j, n+1); !strings.Contains(texts, "was set aside as") {
		t.Errorf("events: %s", texts)
	}
	said := false
	r := j.NewReader(n + 1)
	for r.Seq() <= j.State().Head {
		e, err := r.Next(t.Context())
		if g, ok := e.Body.(*record.Gap); err == nil && ok && g.Cause == CauseDamaged && g.From >= 1 && g.To <= n {
			said = true
		}
	}
	if !said {
		t.Error("no gap entry names the lost range")
	}
	if rep, err := Inspect(dir); err != nil || len(rep.SetAside) != 1 || len(rep.Missing) == 0 {
		t.Errorf("report: %+v %v", rep, err)
	}
}

// TestActiveFileDamagedWhileInUse is what the weekly check finds: the journal goes
// on in a new file in the same process.
func TestActiveFileDamagedWhileInUse(t *testing.T) {
	dir := t.TempDir()
	j := open(t, small(dir))
	defer j.Close()
	for k := uint64(1); k <= 2000; k += 200 {
		appendN(t, j, k, 200)
		commit(t, j)
	}
	j.damage <- fmt.Errorf("check: %w", codeError(sqliteCorrupt))
	for {
		if aside, _ := filepath.Glob(filepath.Join(dir, "*.damaged-1")); len(aside) == 1 && j.State().Durable {
			break
		}
		waitState(t, j)
	}
	head := j.State().Head
	first, last := appendN(t, j, head+1, 100)
	commit(t, j)
	if first <= 2000 || j.State().DurableThrough < last {
		t.Errorf("state %+v", j.State())
	}
	if n, gaps := readTo(t, j.NewReader(1), 2000, identity); n != 2000 || gaps != nil {
		_, texts := events(t, j, 1)
		t.Errorf("%d entries saved, gaps %v; %s", n, gaps, texts)
	}
}

func TestInspectChangesNothing(t *testing.T) {
	for _, c := range []struct {
		name  string
		clean bool
	}{{"closed", true}, {"killed", false}} {
		t.Run(c.name, func(t *testing.T) {
			dir := store(t, 4000, c.clean)
			before := listing(t, dir)
			rep, err := Inspect(dir)
			if err != nil {
				t.Fatal(err)
			}
			if after := listing(t, dir); before != after {
				t.Errorf("the folder changed:\n%s\n%s", before, after)
			}
			if !rep.Healthy || rep.Clean != c.clean || rep.InUse || rep.Oldest != 1 || rep.Newest != 4000 || rep.Entries != 4000 || rep.Missing != nil {
				t.Errorf("report %+v", rep)
			}
			if rep.Samples != 4000-41 || rep.Values != 10*rep.Samples || rep.BytesPerValue <= 0 || rep.BytesPerValue > 3 {
				t.Errorf("counts %+v", rep)
			}
			if _, err := json.Marshal(rep); err != nil {
				t.Error(err)
			}
		})
	}
	if _, err := Inspect(t.TempDir()); err == nil {
		t.Error("an empty folder is no journal")
	}
	j := open(t, small(t.TempDir()))
	defer j.Close()
	appendN(t, j, 1, 100)
	commit(t, j)
	if rep, err := Inspect(j.opts.Dir); err != nil || !rep.InUse || rep.Newest != 100 || !rep.Healthy {
		t.Errorf("in use: %+v %v", rep, err)
	}
	appendN(t, j, 101, 100)
	commit(t, j)
}

// TestNewerFormatIsLeftAlone: a journal of a later soakd is neither read, judged nor
// written to, whichever of its files says so.
func TestNewerFormatIsLeftAlone(t *testing.T) {
	for _, name := range []string{recordsName, sampleName(1)} {
		dir := store(t, 1000, true)
		db, err := openDB(filepath.Join(dir, name), openWrite)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.Exec("PRAGMA user_version = 2; PRAGMA application_id = 2"); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		before := listing(t, dir)
		rep, err := Inspect(dir)
		if err != nil || rep.Healthy || rep.Newer != 2 {
			t.Errorf("%s: %+v %v", name, rep, err)
		}
		if _, err := Open(small(dir)); err == nil || !strings.Contains(err.Error(), "format 2 is newer") {
			t.Errorf("%s: opened: %v", name, err)
		}
		if aside, err := filepath.Glob(filepath.Join(dir, "*.damaged-*")); err != nil || aside != nil {
			t.Errorf("%s: set aside %v %v", name, aside, err)
		}
		if after := listing(t, dir); name == recordsName && after != before {
			t.Errorf("%s: the folder changed:\n%s\n%s", name, before, after)
		}
	}
}

// TestInspectSaysWhatHelps: what is no journal is told with what would be one.
func TestInspectSaysWhatHelps(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for dir, want := range map[string]string{file: "not a file", file + "-not": "journal.dir", t.TempDir(): "journal.dir"} {
		if _, err := Inspect(dir); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), dir) {
			t.Errorf("%s: %v, want %q in it", dir, err, want)
		}
	}
}

func listing(t testing.TB, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, e := range entries {
		p, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s %d %08x\n", e.Name(), len(p), record.Checksum(p))
	}
	return b.String()
}
