package archive

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

// shelf fills a folder with run files.
func shelf(t testing.TB, runs int) string {
	t.Helper()
	dir := t.TempDir()
	run, all := testRun("r", 20)
	for i := range runs {
		run.Record.Start.Run = fmt.Sprintf("r%04d", i)
		run.Record.StartedWallNS = startNS + int64(i)
		f, err := os.Create(filepath.Join(dir, run.Name()+ending))
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(Write(f, run, iterate(all)), f.Close()); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestListNewestFirst(t *testing.T) {
	list, err := List([]string{shelf(t, 60)})
	if err != nil || len(list) != 60 || list[0].Run.Record.Start.Run != "r0059" || list[59].Run.Record.Start.Run != "r0000" || list[0].Err != nil {
		t.Fatalf("%d runs, %v", len(list), err)
	}
}

// TestListReadsRecordsOnly: a list costs what its tables show. Layouts and events, half
// of a file's metadata, are left to Open.
func TestListReadsRecordsOnly(t *testing.T) {
	dir := shelf(t, 40)
	list, err := List([]string{dir})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if e.Run.Layouts != nil || e.Run.Events != nil || e.Run.Record.Start.Unit != "carrier-7" || e.Run.Result.Peak == nil {
			t.Fatalf("%s: %+v", e.Path, e.Run)
		}
	}
	whole := testing.AllocsPerRun(3, func() {
		for _, e := range list {
			f, err := Open(e.Path)
			if err != nil {
				t.Fatal(err)
			}
			_ = f.Close()
		}
	})
	listed := testing.AllocsPerRun(3, func() {
		if _, err := List([]string{dir}); err != nil {
			t.Fatal(err)
		}
	})
	if listed > 0.85*whole {
		t.Errorf("%.0f allocations for a list of 40 runs, %.0f for opening them", listed, whole)
	}
}

// BenchmarkListThousand: the records of 1,000 archived runs; the budget is a second.
func BenchmarkListThousand(b *testing.B) {
	dir := shelf(b, 1000)
	for b.Loop() {
		if list, err := List([]string{dir}); err != nil || len(list) != 1000 {
			b.Fatalf("%d runs, %v", len(list), err)
		}
	}
}
