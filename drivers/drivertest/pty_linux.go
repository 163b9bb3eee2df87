package drivertest

import (
	"fmt"
	"os"
	"testing"

	"golang.org/x/sys/unix"
)

// Pty returns the path of a serial line that a driver can open as hardware, and its
// far end. Closing the far end is like pulling the cable. Bytes are not paced: speed,
// parity and word length do not exist on it. Both ends go with the test.
func Pty(t testing.TB) (path string, far *os.File) {
	t.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatalf("open a pseudo-terminal: %v", err)
	}
	t.Cleanup(func() { far.Close() })
	raw, err := far.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var number int
	var inner error
	err = raw.Control(func(fd uintptr) {
		if inner = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); inner != nil {
			return
		}
		if number, inner = unix.IoctlGetInt(int(fd), unix.TIOCGPTN); inner != nil {
			return
		}
		var tio *unix.Termios
		if tio, inner = unix.IoctlGetTermios(int(fd), unix.TCGETS); inner != nil {
			return
		}
		tio.Iflag, tio.Oflag, tio.Lflag = 0, 0, 0
		inner = unix.IoctlSetTermios(int(fd), unix.TCSETS, tio)
	})
	if err != nil || inner != nil {
		t.Fatalf("set up a pseudo-terminal: %v, %v", err, inner)
	}
	return fmt.Sprintf("/dev/pts/%d", number), far
}
