package rpc

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// C21: a socket left by a killed daemon blocked the next for ever; blind removal stole
// a living one's.
func TestC21UnixSockets(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "soakd.sock")
	// What SIGKILL leaves behind.
	fd, err := syscall.Socket(syscall.AF_UNIX, syscall.SOCK_STREAM, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Bind(fd, &syscall.SockaddrUnix{Name: path}); err != nil {
		t.Fatal(err)
	}
	syscall.Close(fd)
	f := newFixture(t)
	f.serveOn("unix:" + path)
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o660 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if _, err := f.client().Describe(t.Context()); err != nil {
		t.Error(err)
	}
	if _, err := Listen("unix:" + path); err == nil || !strings.Contains(err.Error(), "another soakd answers there") {
		t.Errorf("second instance: %v", err)
	}
	if _, err := f.client().Describe(t.Context()); err != nil {
		t.Errorf("the first one afterwards: %v", err)
	}
	f.stop()
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket is left behind: %v", err)
	}
	file := filepath.Join(dir, "notes.txt")
	if err := os.WriteFile(file, []byte("precious"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Listen("unix:" + file); err == nil || !strings.Contains(err.Error(), "something else than a socket") {
		t.Errorf("a file: %v", err)
	}
	if text, err := os.ReadFile(file); err != nil || string(text) != "precious" {
		t.Errorf("the file is %q, %v", text, err)
	}
	if _, err := Listen("unix:" + filepath.Join(dir, "no", "x.sock")); err == nil {
		t.Error("a folder that is not there")
	}
	busy := newFixture(t).start()
	if _, err := Listen(busy.addr); err == nil || !strings.Contains(err.Error(), "another program uses the port") {
		t.Errorf("port in use: %v", err)
	}
}
