package bus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"sync"
	"syscall"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/conn/v3/spi/spireg"
	"periph.io/x/host/v3"
	"periph.io/x/host/v3/sysfs"
)

// Hardware returns the ports of this computer. They are looked up when the first
// one is asked for.
func Hardware() Ports { return &hardware{} }

type hardware struct {
	once sync.Once
	err  error
}

// init fills periph's registries. A failed driver of periph's matters only if the
// port that was asked for is not there; then it is named.
func (h *hardware) init() error {
	h.once.Do(func() {
		state, err := host.Init()
		if err != nil {
			h.err = fmt.Errorf("look for ports: %w", err)
			return
		}
		for _, f := range state.Failed {
			h.err = errors.Join(h.err, fmt.Errorf("look for ports: %s: %w", f.D, f.Err))
		}
	})
	return h.err
}

// SPI opens a port. Nodes that appeared after start are opened by their number.
func (h *hardware) SPI(name string) (spi.PortCloser, error) {
	initErr := h.init()
	p, err := spireg.Open(name)
	if err == nil {
		return spiErrno{p}, nil
	}
	if bus, cs, ok := spiNumbers(name); ok {
		port, err := sysfs.NewSPI(bus, cs)
		if err != nil {
			return nil, restore(err)
		}
		return spiErrno{port}, nil
	}
	return nil, errors.Join(restore(err), initErr)
}

// I2C opens a bus.
func (h *hardware) I2C(name string) (i2c.BusCloser, error) {
	initErr := h.init()
	b, err := i2creg.Open(name)
	if err == nil {
		return i2cErrno{b}, nil
	}
	if rest, ok := strings.CutPrefix(canonical(name), "I2C"); ok {
		if n, convErr := strconv.Atoi(rest); convErr == nil {
			bus, err := sysfs.NewI2C(n)
			if err != nil {
				return nil, restore(err)
			}
			return i2cErrno{bus}, nil
		}
	}
	return nil, errors.Join(restore(err), initErr)
}

// Pin returns a pin by name.
func (h *hardware) Pin(name string) (gpio.PinIO, error) {
	initErr := h.init()
	if p := gpioreg.ByName(name); p != nil {
		return p, nil
	}
	return nil, errors.Join(fmt.Errorf("no such pin: %w", fs.ErrNotExist), initErr)
}

// Dial opens a TCP connection.
func (h *hardware) Dial(ctx context.Context, address string) (net.Conn, error) {
	var d net.Dialer
	return d.DialContext(ctx, "tcp", address)
}

// Names lists device nodes and pins, and the SPI chips that a kernel driver has
// taken, since those have no node.
func (h *hardware) Names() []PortName {
	_ = h.init() // what was found is listed; what failed is said when it is asked for
	var out []PortName
	out = append(out, nodes("/dev/spidev*", "spi")...)
	out = append(out, takenSPI("/sys/bus/spi/devices")...)
	out = append(out, nodes("/dev/i2c-*", "i2c")...)
	for _, pattern := range []string{"/dev/serial/by-id/*", "/dev/ttyUSB*", "/dev/ttyACM*", "/dev/ttyAMA*"} {
		out = append(out, nodes(pattern, "serial")...)
	}
	for _, p := range gpioreg.All() {
		out = append(out, PortName{Name: p.Name(), Kind: "gpio"})
	}
	return out
}

func nodes(pattern, kind string) []PortName {
	paths, _ := filepath.Glob(pattern) // the patterns are constant and well-formed
	sort.Strings(paths)
	out := make([]PortName, 0, len(paths))
	for _, path := range paths {
		n := PortName{Name: canonical(path), Path: path, Kind: kind}
		if syscall.Access(path, 6) != nil {
			n.Note = "no permission"
		}
		out = append(out, n)
	}
	return out
}

// takenSPI lists chips on SPI that a kernel driver other than spidev has.
func takenSPI(root string) []PortName {
	links, _ := filepath.Glob(filepath.Join(root, "spi*.*", "driver"))
	var out []PortName
	for _, link := range links {
		target, err := os.Readlink(link)
		if err != nil || filepath.Base(target) == "spidev" {
			continue
		}
		name := strings.ToUpper(filepath.Base(filepath.Dir(link)))
		out = append(out, PortName{Name: name, Kind: "spi",
			Note: "the kernel driver " + filepath.Base(target) + " has its chip; read it with driver iio"})
	}
	return out
}

// Stamp tells one incarnation of a device node from the next.
func (h *hardware) Stamp(port string) string {
	path := port
	name := canonical(port)
	if rest, ok := strings.CutPrefix(name, "SPI"); ok {
		path = "/dev/spidev" + rest
	} else if rest, ok := strings.CutPrefix(name, "I2C"); ok {
		path = "/dev/i2c-" + rest
	}
	var st syscall.Stat_t
	if err := syscall.Stat(path, &st); err != nil {
		return ""
	}
	return fmt.Sprintf("%d:%d:%d:%d.%d", st.Dev, st.Ino, st.Rdev, st.Ctim.Sec, st.Ctim.Nsec)
}

// AdviseI2C reads what the kernel's device tree and driver model know.
func (h *hardware) AdviseI2C(port string, address uint16) (physic.Frequency, string) {
	rest, ok := strings.CutPrefix(canonical(port), "I2C")
	if !ok {
		return 0, ""
	}
	return adviseI2C("/sys/bus/i2c/devices", rest, address)
}

func adviseI2C(root, bus string, address uint16) (clock physic.Frequency, holder string) {
	raw, err := os.ReadFile(filepath.Join(root, "i2c-"+bus, "of_node", "clock-frequency"))
	if err == nil && len(raw) == 4 {
		clock = physic.Frequency(binary.BigEndian.Uint32(raw)) * physic.Hertz
	}
	link := filepath.Join(root, fmt.Sprintf("%s-%04x", bus, address), "driver")
	if target, err := os.Readlink(link); err == nil {
		holder = filepath.Base(target)
	}
	return clock, holder
}

func spiNumbers(name string) (bus, cs int, ok bool) {
	rest, ok := strings.CutPrefix(canonical(name), "SPI")
	if !ok {
		return 0, 0, false
	}
	b, c, ok := strings.Cut(rest, ".")
	if !ok {
		return 0, 0, false
	}
	bus, err1 := strconv.Atoi(b)
	cs, err2 := strconv.Atoi(c)
	return bus, cs, err1 == nil && err2 == nil
}
