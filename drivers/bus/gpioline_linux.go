package bus

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"
)

// Flags of struct gpio_v2_line_info and gpio_v2_line_config, from the kernel's
// public header linux/gpio.h.
const (
	getChipInfo = 0x8044b401 // GPIO_GET_CHIPINFO_IOCTL
	lineUsed    = 1 << 0
	lineOutput  = 1 << 3
)

// SelectPin claims a line of a GPIO chip as an output with its level given in the
// request, so that it never goes low on the way. The kernel refuses lines that it
// uses itself, for instance those of its SPI controllers.
func (h *hardware) SelectPin(name string) (SelectPin, error) {
	chips, _ := filepath.Glob("/dev/gpiochip*") // a constant, well-formed pattern
	if len(chips) == 0 {
		return nil, fmt.Errorf("select pin %s: no /dev/gpiochip*: %w", name, fs.ErrNotExist)
	}
	var denied error
	for _, path := range chips {
		chip, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			denied = err
			continue
		}
		line, found, err := claimLine(chip, name)
		_ = chip.Close() // the line has a descriptor of its own
		if found {
			return line, err
		}
	}
	if denied != nil {
		text := ""
		if pe, ok := denied.(*os.PathError); ok {
			text = "; " + permission(pe.Path)
		}
		return nil, fmt.Errorf("select pin %s: %w%s", name, denied, text)
	}
	return nil, fmt.Errorf("select pin %s: no GPIO chip has a line of that name: %w", name, fs.ErrNotExist)
}

// claimLine looks for a line by name and claims it as an output that is high.
func claimLine(chip *os.File, name string) (line *gpioLine, found bool, err error) {
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
			return nil, true, fmt.Errorf("select pin %s is in use as %q; use another pin: %w", name,
				unix.ByteSliceToString(li.Consumer[:]), syscall.EBUSY)
		}
		line, err := requestHigh(chip, i, name)
		return line, true, err
	}
	return nil, false, nil
}

func requestHigh(chip *os.File, offset uint32, name string) (*gpioLine, error) {
	req := unix.GPIOV2LineRequest{Num_lines: 1}
	req.Offsets[0] = offset
	copy(req.Consumer[:len(req.Consumer)-1], "soakd chip select")
	req.Config.Flags = lineOutput
	req.Config.Attrs[0].Attr.Id = unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES
	req.Config.Attrs[0].Attr.Flags = 1 // in this kind of attribute, the levels
	req.Config.Attrs[0].Mask = 1
	req.Config.Num_attrs = 1
	if err := gpioIoctl(chip.Fd(), unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&req)); err != nil {
		return nil, fmt.Errorf("select pin %s: claim as output: %w", name, err)
	}
	return &gpioLine{name: name, file: os.NewFile(uintptr(req.Fd), name)}, nil
}

// gpioLine is a claimed output line.
type gpioLine struct {
	name string
	file *os.File
}

func (l *gpioLine) Out(level gpio.Level) error {
	v := unix.GPIOV2LineValues{Mask: 1}
	if level {
		v.Bits = 1
	}
	if err := gpioIoctl(l.file.Fd(), unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil {
		return fmt.Errorf("set pin %s %s: %w", l.name, level, err)
	}
	return nil
}

func (l *gpioLine) Close() error { return l.file.Close() }

func gpioIoctl(fd uintptr, op uint, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, uintptr(op), uintptr(arg))
		switch errno {
		case 0:
			return nil
		case unix.EINTR:
		default:
			return errno
		}
	}
}
