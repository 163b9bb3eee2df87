package bus

import (
	"errors"
	"fmt"
	"os"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Serial opens a serial line for this program alone: locked against others that
// lock, and against plain opens of everybody but root.
func (h *hardware) Serial(path string, mode SerialMode) (SerialPort, error) {
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	line := &tty{file: f, path: path}
	if err := line.lock(); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if err := line.SetMode(mode); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return line, nil
}

// tty is a serial line with the kernel's line discipline switched off. It is in
// the runtime's poller, so that deadlines work.
type tty struct {
	file   *os.File
	path   string
	closed atomic.Bool // SyscallConn has a word of its own for closed files
}

// control runs f on the descriptor without taking it out of the poller.
func (t *tty) control(what string, f func(fd int) error) error {
	if t.closed.Load() {
		return fmt.Errorf("serial line %s: %s: %w", t.path, what, ErrClosed)
	}
	raw, err := t.file.SyscallConn()
	if err != nil {
		return fmt.Errorf("serial line %s: %s: %w", t.path, what, err)
	}
	var inner error
	if err := raw.Control(func(fd uintptr) { inner = f(int(fd)) }); err != nil {
		return fmt.Errorf("serial line %s: %s: %w", t.path, what, err)
	}
	if inner != nil {
		return fmt.Errorf("serial line %s: %s: %w", t.path, what, inner)
	}
	return nil
}

func (t *tty) lock() error {
	return t.control("lock", func(fd int) error {
		if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
			if errors.Is(err, unix.EWOULDBLOCK) {
				return fmt.Errorf("another program has it: %w", syscall.EBUSY)
			}
			return err
		}
		return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0)
	})
}

// SetMode sets speed, word and parity; what is on its way out is sent first.
func (t *tty) SetMode(mode SerialMode) error {
	if err := mode.check(); err != nil {
		return fmt.Errorf("serial line %s: %w", t.path, err)
	}
	return t.control("set "+mode.String(), func(fd int) error {
		tio, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
		if err != nil {
			return err
		}
		tio.Iflag, tio.Oflag, tio.Lflag = 0, 0, 0
		if mode.Parity == "E" || mode.Parity == "O" {
			tio.Iflag |= unix.INPCK
		}
		tio.Cflag = unix.CREAD | unix.CLOCAL | unix.BOTHER | unix.CS8
		if mode.DataBits == 7 {
			tio.Cflag = tio.Cflag&^unix.CSIZE | unix.CS7
		}
		switch mode.Parity {
		case "E":
			tio.Cflag |= unix.PARENB
		case "O":
			tio.Cflag |= unix.PARENB | unix.PARODD
		}
		if mode.StopBits == 2 {
			tio.Cflag |= unix.CSTOPB
		}
		tio.Ispeed, tio.Ospeed = uint32(mode.Baud), uint32(mode.Baud)
		tio.Cc[unix.VMIN], tio.Cc[unix.VTIME] = 1, 0
		return unix.IoctlSetTermios(fd, unix.TCSETSW2, tio)
	})
}

func (t *tty) Read(p []byte) (int, error) {
	n, err := t.file.Read(p)
	if err != nil {
		err = fmt.Errorf("serial line %s: %w", t.path, closedOr(err))
	}
	return n, err
}

func (t *tty) Write(p []byte) (int, error) {
	n, err := t.file.Write(p)
	if err != nil {
		err = fmt.Errorf("serial line %s: %w", t.path, closedOr(err))
	}
	return n, err
}

func (t *tty) SetReadDeadline(d time.Time) error  { return closedOr(t.file.SetReadDeadline(d)) }
func (t *tty) SetWriteDeadline(d time.Time) error { return closedOr(t.file.SetWriteDeadline(d)) }

// Drain throws away what was received and not yet read.
func (t *tty) Drain() error {
	return t.control("drain", func(fd int) error {
		return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIFLUSH)
	})
}

// Close may be called more than once.
func (t *tty) Close() error {
	t.closed.Store(true)
	if err := t.file.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return fmt.Errorf("serial line %s: close: %w", t.path, err)
	}
	return nil
}

// closedOr turns the file's word for closed into this package's.
func closedOr(err error) error {
	if errors.Is(err, os.ErrClosed) {
		return ErrClosed
	}
	return err
}
