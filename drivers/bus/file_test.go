package bus_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func TestFile(t *testing.T) {
	dir := t.TempDir()
	h := bus.NewHost(drivertest.NewPorts())
	f, err := h.File(bus.FileOptions{Path: filepath.Join(dir, "dev*", "temp"), For: "room"})
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 64)
	if _, err := f.Read(t.Context(), buf); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("not there yet: %v", err)
	}
	for _, n := range []string{"dev7", "dev8"} {
		if err := os.MkdirAll(filepath.Join(dir, n), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	one := filepath.Join(dir, "dev7", "temp")
	if err := os.WriteFile(one, []byte("-250\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if n, err := f.Read(t.Context(), buf); err != nil || string(buf[:n]) != "-250\n" {
		t.Errorf("%q, %v", buf[:n], err)
	}
	if n, err := f.Read(t.Context(), buf[:3]); err != nil || string(buf[:n]) != "-25" {
		t.Errorf("into a short buffer: %q, %v", buf[:n], err)
	}
	if err := os.WriteFile(filepath.Join(dir, "dev8", "temp"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Read(t.Context(), buf); err == nil || !strings.Contains(err.Error(), "2 files match") {
		t.Errorf("two candidates: %v", err)
	}
	closing(t, f, f)
	if _, err := f.Read(t.Context(), buf); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	for _, bad := range []string{"", "/sys/[x"} {
		if _, err := h.File(bus.FileOptions{Path: bad}); err == nil {
			t.Errorf("path %q was accepted", bad)
		}
	}
	closing(t, h)
	if _, err := h.File(bus.FileOptions{Path: one}); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("on a closed host: %v", err)
	}
}

// TestSlowFile reads a pipe that nobody writes: it blocks as a device would.
func TestSlowFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "w1_slave")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	h := bus.NewHost(drivertest.NewPorts())
	f, err := h.File(bus.FileOptions{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	buf := []byte{1, 2, 3}
	if _, err := f.Read(ctx, buf); !errors.Is(err, context.DeadlineExceeded) || buf[0] != 1 {
		t.Errorf("%v, %v", buf, err)
	}
	w, err := os.OpenFile(path, os.O_WRONLY, 0) // the device answers at last
	if err != nil {
		t.Fatal(err)
	}
	closing(t, w, f, h)
}

// TestFileWithoutPermission reads a file of the kernel that can only be written, also
// by root.
func TestFileWithoutPermission(t *testing.T) {
	const path = "/proc/sys/vm/compact_memory"
	if _, err := os.Stat(path); err != nil {
		t.Skipf("this kernel has no file that nobody may read: %v", err)
	}
	h := bus.NewHost(drivertest.NewPorts())
	defer closing(t, h)
	f, err := h.File(bus.FileOptions{Path: path, For: "room"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.Read(t.Context(), make([]byte, 8))
	if !errors.Is(err, os.ErrPermission) {
		t.Fatalf("%v, want a refusal", err)
	}
	for _, want := range []string{path, "belongs to root", "-w-------", "group(s)"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
}
