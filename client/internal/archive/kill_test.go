package archive

import (
	"fmt"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const killFolder = "SOAKRIG_TEST_ARCHIVE"

// TestMain makes the test binary a collector when it is told where to put runs.
func TestMain(m *testing.M) {
	if dir := os.Getenv(killFolder); dir != "" {
		if err := collectAll(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	if dir := os.Getenv(killPages); dir != "" {
		if err := collectByPages(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

const killRuns = 6

func collectAll(dir string) error {
	a := OpenFolder(dir)
	unlock, err := a.Lock()
	if err != nil {
		return err
	}
	for i := range killRuns {
		run, all := testRun(fmt.Sprintf("r%d", i), 3000)
		if _, err := a.Put(run, iterate(all)); err != nil {
			return err
		}
	}
	return unlock()
}

// TestKilledAtAnyMoment kills a collector 50 times at random moments. After each
// kill every file that has its name is whole; in the end every run is there once.
func TestKilledAtAnyMoment(t *testing.T) {
	if testing.Short() {
		t.Skip("starts 50 processes")
	}
	seed := time.Now().UnixNano()
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewSource(seed))
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "archive")
	took := 400 * time.Millisecond
	kills := 0
	for i := 0; kills < 50; i++ {
		if i%10 == 9 { // a new folder now and then, so that kills fall into all runs
			if err := os.RemoveAll(dir); err != nil {
				t.Fatal(err)
			}
		}
		cmd := exec.Command(exe)
		cmd.Env = append(os.Environ(), killFolder+"="+dir)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		timer := time.AfterFunc(time.Duration(rnd.Int63n(int64(took))), func() { _ = cmd.Process.Kill() })
		err := cmd.Wait()
		if timer.Stop(); err == nil { // it was quicker: kill earlier
			took = max(time.Since(began), 20*time.Millisecond)
		}
		kills++
		wholeFiles(t, dir)
	}
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), killFolder+"="+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("the last collector: %v\n%s", err, out)
	}
	if n := wholeFiles(t, dir); n != killRuns {
		t.Errorf("%d run files, want %d", n, killRuns)
	}
	sums, err := OpenFolder(dir).sums()
	if err != nil || len(sums) != killRuns {
		t.Errorf("sums of %d files, %v", len(sums), err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*", tempStart+"*")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
}

// wholeFiles checks every file that has a run's name.
func wholeFiles(t *testing.T, dir string) (n int) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*", "*"+ending))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range files {
		if strings.HasPrefix(filepath.Base(path), tempStart) {
			continue
		}
		n++
		f, err := Open(path)
		if err != nil {
			t.Fatalf("a file under its name is not whole: %v", err)
		}
		rows := 0
		for _, err := range f.Readings() {
			if err != nil {
				t.Fatal(err)
			}
			rows++
		}
		if rows != 9000 {
			t.Fatalf("%s has %d readings", path, rows)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return n
}
