//go:build !race

// SQLite survives a store to its mapped index that the file system refuses, but not where
// the race detector makes that store for it. .ci/run runs these tests without it.

package journal

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// smallFS mounts an ext4 file system of its own and gives its folder and the options of
// a journal on it.
func smallFS(t *testing.T) (fs string, opts Options) {
	t.Helper()
	needLoop(t)
	tmp := t.TempDir()
	file, fs := filepath.Join(tmp, "image"), filepath.Join(tmp, "fs")
	if err := errors.Join(os.WriteFile(file, make([]byte, 24<<20), 0o600), os.Mkdir(fs, 0o700)); err != nil {
		t.Fatal(err)
	}
	mountExt4(t, file, fs, true)
	opts = small(filepath.Join(fs, "journal"))
	opts.RingBytes = 1 << 20
	return fs, opts
}

// refused waits until the journal says that it is not durable.
func refused(t *testing.T, j *Journal) State {
	t.Helper()
	for j.State().Durable {
		j.Commit()
		waitState(t, j)
	}
	return j.State()
}

// TestReadOnlyAtStart: a file system that is mounted read-only gives an error that says
// so, and opens once it is mounted read-write; what was acknowledged is there.
func TestReadOnlyAtStart(t *testing.T) {
	fs, opts := smallFS(t)
	j := open(t, opts)
	appendN(t, j, 1, 300)
	commit(t, j)
	// While soakd has its files open the kernel refuses to make them read-only.
	if err := command("mount", "-o", "remount,ro", fs); err == nil {
		t.Fatal("the kernel took away a file system that is written to")
	}
	appendN(t, j, 301, 10)
	commit(t, j)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := command("mount", "-o", "remount,ro", fs); err != nil {
		t.Fatal(err)
	}
	_, err := Open(opts)
	if err == nil || !strings.Contains(err.Error(), "read-only") || !strings.Contains(err.Error(), opts.Dir) {
		t.Fatalf("opened on a read-only file system: %v", err)
	}
	t.Log(err)
	rep, err := Inspect(opts.Dir)
	if err != nil || !rep.Healthy || !rep.Clean || rep.Newest != 310 {
		t.Errorf("inspected read-only: %+v %v", rep, err)
	}
	if err := command("mount", "-o", "remount,rw", fs); err != nil {
		t.Fatal(err)
	}
	j = open(t, opts)
	defer j.Close()
	if n, gaps := readTo(t, j.NewReader(1), 310, identity); n != 310 || gaps != nil {
		t.Errorf("%d entries, gaps %v", n, gaps)
	}
}

// TestReadOnlyAfterAnError is what ext4 does when its device fails: it makes itself
// read-only at once, whoever has files open. That ends only with a new mount.
func TestReadOnlyAfterAnError(t *testing.T) {
	fs, opts := smallFS(t)
	j := open(t, opts)
	appendN(t, j, 1, 300)
	commit(t, j)
	if err := command("mount", "-o", "remount,abort", fs); err != nil {
		t.Fatal(err)
	}
	appendN(t, j, 301, 100)
	s := refused(t, j)
	if s.DurableThrough != 300 || !strings.Contains(s.Text, "read-only") {
		t.Errorf("state %+v", s)
	}
	t.Logf("final %v: %s", s.Final, s.Text)
	if err := j.PutRun(RunRow{Start: record.RunStart{Run: "r"}}); err == nil {
		t.Error("a run was stored on a read-only file system")
	}
	appendN(t, j, 401, 5000) // beyond what memory takes
	if n, _ := readTo(t, j.NewReader(j.State().RingFirst), j.State().Head, anything); n == 0 {
		t.Error("readers get nothing")
	}
	streamed := j.State().Head
	if err := j.Close(); err == nil {
		t.Error("closing said that all is durable")
	}
	dev := deviceOf(t, fs)
	unmount(fs)
	if err := errors.Join(command("e2fsck", "-fp", dev), command("mount", "-t", "ext4", dev, fs)); err != nil && !strings.Contains(err.Error(), "exit status 1") {
		t.Fatal(err) // e2fsck exits with 1 when it has mended something
	}
	j = open(t, opts)
	defer j.Close()
	if n, gaps := readTo(t, j.NewReader(1), 300, identity); n != 300 || gaps != nil {
		t.Errorf("after the new mount: %d entries, gaps %v", n, gaps)
	}
	if first, _ := appendN(t, j, 9001, 1); first <= streamed {
		t.Errorf("number %d was streamed before", first)
	}
}

func anything(uint64) (uint64, bool) { return 0, false }

// TestRefusedForAWhile: the kernel refuses writes to files that are open, as on a file
// system that turns read-only, and takes them again later. Readers go on, and the
// journal recovers without a restart; nothing is lost.
func TestRefusedForAWhile(t *testing.T) {
	_, opts := smallFS(t)
	j := open(t, opts)
	defer j.Close()
	appendN(t, j, 1, 300)
	commit(t, j)
	if err := command("chattr", "-R", "+i", opts.Dir); err != nil {
		t.Skipf("NOT RUN: needs chattr: %v", err)
	}
	t.Cleanup(func() { command("chattr", "-R", "-i", opts.Dir) })
	appendN(t, j, 301, 200)
	if s := refused(t, j); s.Final || s.DurableThrough != 300 {
		t.Errorf("state %+v", s)
	} else {
		t.Log(s.Text)
	}
	if n, gaps := readTo(t, j.NewReader(1), 500, identity); n != 500 || gaps != nil {
		t.Errorf("readers get %d entries, gaps %v", n, gaps)
	}
	if err := command("chattr", "-R", "-i", opts.Dir); err != nil {
		t.Fatal(err)
	}
	commit(t, j)
	if s := j.State(); !s.Durable || s.DurableThrough < 500 {
		t.Errorf("afterwards %+v", s)
	}
	if states, _ := events(t, j, 1); strings.Join(states, " ") != "failed recovered" {
		t.Errorf("events %v", states)
	}
	crash(j)
	again := open(t, opts)
	defer again.Close()
	if n, gaps := readTo(t, again.NewReader(1), 500, identity); n != 500 || gaps != nil {
		t.Errorf("after a crash: %d entries, gaps %v", n, gaps)
	}
}

// TestFrozenFileSystem: writes hang, for a snapshot or because a disk takes minutes.
// Appending and reading do not wait for them, and all is durable once they go on.
func TestFrozenFileSystem(t *testing.T) {
	fs, opts := smallFS(t)
	j := open(t, opts)
	appendN(t, j, 1, 300)
	commit(t, j)
	if err := command("fsfreeze", "-f", fs); err != nil {
		t.Skipf("NOT RUN: needs fsfreeze: %v", err)
	}
	frozen := true
	thaw := func() {
		if frozen {
			frozen = command("fsfreeze", "-u", fs) != nil
		}
	}
	t.Cleanup(thaw)
	for k := uint64(301); k <= 2300; k += 100 {
		appendN(t, j, k, 100)
		j.Commit()
	}
	if n, gaps := readTo(t, j.NewReader(1001), 2300, identity); n != 1300 || gaps != nil {
		t.Errorf("readers get %d entries, gaps %v", n, gaps)
	}
	if s := j.State(); s.DurableThrough != 300 {
		t.Errorf("durable through %d on a frozen file system", s.DurableThrough)
	}
	thaw()
	commit(t, j)
	if n, gaps := readTo(t, j.NewReader(1), 2300, identity); n != 2300 || gaps != nil {
		t.Errorf("%d entries, gaps %v", n, gaps)
	}
	if err := j.Close(); err != nil {
		t.Error(err)
	}
}
