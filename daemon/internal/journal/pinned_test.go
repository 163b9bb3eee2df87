package journal

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"soakrig/daemon/record"

	sqlite3 "modernc.org/sqlite/lib"
)

// TestLibcIsPinned: modernc.org/sqlite is generated for one version of
// modernc.org/libc and may misbehave with another.
func TestLibcIsPinned(t *testing.T) {
	want := requirement(t, filepath.Join(sqliteDir(t), "go.mod"), "modernc.org/libc")
	got := requirement(t, "../../../go.mod", "modernc.org/libc")
	if got != want {
		t.Errorf("go.mod has modernc.org/libc %s, but this modernc.org/sqlite was made for %s: go get modernc.org/libc@%s", got, want, want)
	}
}

// sqliteDir is the folder of the module source, found from the version in go.mod.
func sqliteDir(t *testing.T) string {
	t.Helper()
	version := requirement(t, "../../../go.mod", "modernc.org/sqlite")
	cache := os.Getenv("GOMODCACHE")
	if cache == "" {
		path := os.Getenv("GOPATH")
		if path == "" {
			home, err := os.UserHomeDir()
			if err != nil {
				t.Fatal(err)
			}
			path = filepath.Join(home, "go")
		}
		cache = filepath.Join(filepath.SplitList(path)[0], "pkg", "mod")
	}
	return filepath.Join(cache, "modernc.org", "sqlite@"+version)
}

func requirement(t *testing.T, file, module string) string {
	t.Helper()
	p, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`(?m)^\s*(?:require )?` + regexp.QuoteMeta(module) + ` (v\S+)`).FindSubmatch(p)
	if m == nil {
		t.Fatalf("%s does not require %s", file, module)
	}
	return string(m[1])
}

func TestSQLiteIsNewEnough(t *testing.T) {
	if versionLess(sqlite3.SQLITE_VERSION, oldestSQLite) {
		t.Errorf("SQLite %s", sqlite3.SQLITE_VERSION)
	}
	for _, c := range []struct {
		a, b string
		less bool
	}{{"3.51.2", "3.51.3", true}, {"3.51.3", "3.51.3", false}, {"3.9.0", "3.51.3", true}, {"4.0.0", "3.51.3", false}} {
		if versionLess(c.a, c.b) != c.less {
			t.Errorf("%s less than %s: %v", c.a, c.b, !c.less)
		}
	}
}

// TestSettings reads back what the safety of commits rests on.
func TestSettings(t *testing.T) {
	j := open(t, small(t.TempDir()))
	defer j.Close()
	for _, c := range []struct{ pragma, want string }{
		{"journal_mode", "wal"}, {"synchronous", "2"}, {"page_size", "4096"},
	} {
		for _, q := range []querier{j.w.conn, j.records.conn} {
			if got, err := pragma(q, c.pragma); err != nil || got != c.want {
				t.Errorf("%s is %q, want %q (%v)", c.pragma, got, c.want, err)
			}
		}
	}
	if s := dsn("/a b/ü?#.db", openWrite); !strings.HasPrefix(s, "file:///a%20b/%C3%BC%3F%23.db?") || !strings.Contains(s, "psow=0") {
		t.Errorf("psow is lost without a URI: %s", s)
	}
}

// released lists the journals of every released format and what they hold.
var released = []struct {
	dir     string
	entries uint64
	runs    int
}{
	{"format-1", 600, 1},
}

// TestReleasedFormatsOpen opens a journal of every format that was ever released.
func TestReleasedFormatsOpen(t *testing.T) {
	for _, c := range released {
		t.Run(c.dir, func(t *testing.T) {
			from := filepath.Join("../../../testdata/journals", c.dir)
			rep, err := Inspect(from)
			if err != nil || !rep.Healthy || rep.Entries != c.entries || rep.Runs != c.runs {
				t.Fatalf("%+v %v", rep, err)
			}
			dir := copyDir(t, from)
			j := open(t, Options{Dir: dir, Ballast: -1})
			defer j.Close()
			if n, gaps := readTo(t, j.NewReader(1), c.entries, identity); n != int(c.entries) || gaps != nil {
				t.Errorf("%d entries, gaps %v", n, gaps)
			}
			runs, err := j.Runs(RunFilter{})
			if err != nil || len(runs) != c.runs || runs[0].Result.Peak.HeldC != 91.5 {
				t.Errorf("runs %+v %v", runs, err)
			}
			if first, _ := appendN(t, j, c.entries+1, 1); first != c.entries+1 {
				t.Errorf("next number %d", first)
			}
		})
	}
}

// TestMakeReleasedJournal makes the journal of the current format when it is asked
// to, and otherwise holds that it has been made.
func TestMakeReleasedJournal(t *testing.T) {
	dir := filepath.Join("../../../testdata/journals", "format-1")
	if os.Getenv("MAKE_JOURNAL") == "" {
		if _, err := os.Stat(filepath.Join(dir, recordsName)); err != nil {
			t.Fatalf("run MAKE_JOURNAL=1 go test -run TestMakeReleasedJournal: %v", err)
		}
		return
	}
	opts := small(dir)
	opts.tune.rotateBytes = 24 << 10
	opts.tune.sealRows = 4
	j := open(t, opts)
	for k := uint64(1); k <= 600; k += 20 {
		appendN(t, j, k, 20)
		commit(t, j)
	}
	j.workersIdle()
	err := j.PutRun(RunRow{
		Start: record.RunStart{Run: "2026-06-01-1", Unit: "carrier-a"}, State: "ended", FirstSeq: 10, LastSeq: 500,
		Result: &record.Result{Verdict: record.VerdictPass, Peak: &record.Peak{HeldC: 91.5}},
	})
	if err == nil {
		err = j.Close()
	}
	if err == nil {
		err = os.Remove(filepath.Join(dir, "lock"))
	}
	if err != nil {
		t.Fatal(err)
	}
}
