package main

import (
	"bytes"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// manager listens where a service manager would, and starts soakd under it.
func manager(t *testing.T, file string) (p *process, told *net.UnixConn) {
	t.Helper()
	dir, err := os.MkdirTemp("", "n") // short: a socket's path has 108 bytes
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	socket := filepath.Join(dir, "notify")
	told, err = net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { told.Close() })
	p = &process{cmd: exec.Command(os.Args[0], "-config", file), log: &bytes.Buffer{}}
	p.cmd.Env = append(os.Environ(), "SOAKD_TEST_RUNS_SOAKD=1", "NOTIFY_SOCKET="+socket)
	p.cmd.Stderr = p.log
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.cmd.Process.Kill()
		p.cmd.Wait()
	})
	return p, told
}

// wait reads what the manager is told until it has text in it.
func wait(t *testing.T, told *net.UnixConn, text string) string {
	t.Helper()
	if err := told.SetReadDeadline(time.Now().Add(time.Minute)); err != nil { // against hanging only
		t.Fatal(err)
	}
	var all []string
	for buf := make([]byte, 4096); ; {
		n, err := told.Read(buf)
		if err != nil {
			t.Fatalf("the manager is not told %q: %v; it was told %q", text, err, all)
		}
		if all = append(all, string(buf[:n])); strings.Contains(all[len(all)-1], text) {
			return all[len(all)-1]
		}
	}
}

// TestStatusSaysWhy: who asks the service manager why soakd does not run, or why a
// reload changed nothing, gets the place in the file.
func TestStatusSaysWhy(t *testing.T) {
	file := rigFile(t, 1)
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	bad := bytes.Replace(good, []byte("every: 500ms"), []byte("evry: 500ms\n    mains: 7"), 1)
	write := func(text []byte) {
		if err := os.WriteFile(file, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}

	write(bad)
	p, told := manager(t, file)
	got := wait(t, told, "STATUS=")
	if want := "STATUS=" + file + ":8:5: sources[0].evry: "; !strings.HasPrefix(got, want) || !strings.Contains(got, "the first of") || strings.Contains(got, "\n") {
		t.Errorf("told %q, want %q in one line, and that there is more", got, want)
	}
	var exit *exec.ExitError
	if err := p.cmd.Wait(); !errors.As(err, &exit) || exit.ExitCode() != exitFailure {
		t.Errorf("soakd ends with %v", err)
	}

	write(good)
	p, told = manager(t, file)
	if ready := wait(t, told, "READY=1"); !strings.Contains(ready, "STATUS=acquiring") {
		t.Errorf("ready: %q", ready)
	}
	write(bad)
	if err := p.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	if got := wait(t, told, "old configuration"); !strings.Contains(got, ":8:5: sources[0].evry") {
		t.Errorf("after a bad reload: %q", got)
	}
	write(good)
	if err := p.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	wait(t, told, "STATUS=acquiring, with the configuration as it is now")
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	wait(t, told, "STOPPING=1")
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("soakd ends with %v: %s", err, p.log)
	}
}

// TestStatusOfAFolder: what can't be opened is said too.
func TestStatusOfAFolder(t *testing.T) {
	file := rigFile(t, 1, `dir: "`, `dir: "/proc/none`)
	_, told := manager(t, file)
	if got := wait(t, told, "STATUS="); !strings.Contains(got, "/proc/none") {
		t.Errorf("told %q", got)
	}
}
