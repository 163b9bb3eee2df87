package bus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Flags of gpio_v2_line_config for inputs, from linux/gpio.h.
const (
	lineInput    = 1 << 2
	lineRising   = 1 << 4
	lineFalling  = 1 << 5
	linePullUp   = 1 << 8
	linePullDown = 1 << 9
	lineNoBias   = 1 << 10
	keptEdges    = 1024 // how many edges the kernel keeps for us: its largest buffer
)

// Edges claims a line of a GPIO chip by name as an input.
func (h *hardware) Edges(name string, o EdgeOptions) (Edges, error) {
	chips, _ := filepath.Glob("/dev/gpiochip*") // a constant, well-formed pattern
	if len(chips) == 0 {
		return nil, fmt.Errorf("no /dev/gpiochip*: %w", fs.ErrNotExist)
	}
	var denied error
	for _, path := range chips {
		chip, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			denied = err
			continue
		}
		e, found, err := edgesOf(chip, name, o)
		_ = chip.Close() // the line has a descriptor of its own
		if found {
			return e, err
		}
	}
	if denied != nil {
		return nil, denied
	}
	return nil, fmt.Errorf("no GPIO chip has a line of that name: %w", fs.ErrNotExist)
}

func edgesOf(chip *os.File, name string, o EdgeOptions) (e *edgeLine, found bool, err error) {
	var info unix.GPIOChipInfo
	if err := gpioIoctl(chip.Fd(), getChipInfo, unsafe.Pointer(&info)); err != nil {
		return nil, false, err
	}
	for i := range info.Lines {
		li := unix.GPIOV2LineInfo{Offset: i}
		if err := gpioIoctl(chip.Fd(), unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&li)); err != nil {
			return nil, false, err
		}
		if !strings.EqualFold(unix.ByteSliceToString(li.Name[:]), name) {
			continue
		}
		if li.Flags&lineUsed != 0 {
			return nil, true, fmt.Errorf("in use as %q; use another pin: %w", unix.ByteSliceToString(li.Consumer[:]), syscall.EBUSY)
		}
		e, err = requestEdges(chip, i, o)
		return e, true, err
	}
	return nil, false, nil
}

func requestEdges(chip *os.File, offset uint32, o EdgeOptions) (*edgeLine, error) {
	req := unix.GPIOV2LineRequest{Num_lines: 1, Event_buffer_size: keptEdges}
	req.Offsets[0] = offset
	copy(req.Consumer[:len(req.Consumer)-1], "soakd pulses")
	req.Config.Flags = lineInput | lineRising | lineFalling
	switch o.Bias {
	case "pull-up":
		req.Config.Flags |= linePullUp
	case "pull-down":
		req.Config.Flags |= linePullDown
	case "none":
		req.Config.Flags |= lineNoBias
	}
	if o.Debounce > 0 {
		req.Config.Attrs[0].Attr.Id = unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE
		req.Config.Attrs[0].Attr.Flags = uint64(o.Debounce.Microseconds()) // a union: here debounce_period_us, first 32 bits
		if bigEndian() {
			req.Config.Attrs[0].Attr.Flags <<= 32
		}
		req.Config.Attrs[0].Mask = 1
		req.Config.Num_attrs = 1
	}
	if err := gpioIoctl(chip.Fd(), unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&req)); err != nil {
		return nil, fmt.Errorf("claim as input with edges: %w", err)
	}
	return newEdgeLine(int(req.Fd))
}

// bigEndian says how this machine orders bytes.
func bigEndian() bool { return binary.NativeEndian.Uint16([]byte{0, 1}) == 1 }

// edgeLine reads edge events from a descriptor that never blocks.
type edgeLine struct {
	file *os.File
	raw  syscall.RawConn
	buf  [64 * EdgeSize]byte
}

func newEdgeLine(fd int) (*edgeLine, error) {
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	f := os.NewFile(uintptr(fd), "gpio edges")
	raw, err := f.SyscallConn()
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &edgeLine{file: f, raw: raw}, nil
}

// Read takes what the kernel has kept.
func (l *edgeLine) Read(dst []Edge) (int, error) {
	want := min(len(dst)*EdgeSize, len(l.buf))
	got := 0
	var inner error
	err := l.raw.Read(func(fd uintptr) bool {
		got, inner = unix.Read(int(fd), l.buf[:want])
		return true // never wait
	})
	switch {
	case err != nil: // the file is closed: nothing else can fail before the read
		return 0, fmt.Errorf("gpio edges: %w: %w", ErrClosed, err)
	case errors.Is(inner, unix.EAGAIN), errors.Is(inner, unix.EINTR):
		return 0, nil
	case inner != nil:
		return 0, fmt.Errorf("gpio edges: %w", inner)
	case got == 0:
		return 0, fmt.Errorf("gpio edges: %w", syscall.ENODEV) // the chip is gone
	case got%EdgeSize != 0:
		return 0, fmt.Errorf("gpio edges: %d bytes are not whole events of %d", got, EdgeSize)
	}
	for i := range got / EdgeSize {
		if dst[i], err = DecodeEdge(l.buf[i*EdgeSize:][:EdgeSize]); err != nil {
			return 0, err
		}
	}
	return got / EdgeSize, nil
}

// Now is CLOCK_MONOTONIC, which stamps the events.
func (l *edgeLine) Now() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		return 0 // can't happen: the clock exists and the pointer is good
	}
	return time.Duration(ts.Nano())
}

func (l *edgeLine) Close() error { return l.file.Close() }
