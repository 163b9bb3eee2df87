package bus

import (
	"context"
	"errors"
	"net"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// Errors that callers branch on. They are wrapped with operation, port and cause.
var (
	ErrClosed = errors.New("closed")        // used after Close
	ErrHung   = errors.New("transfer hung") // the watchdog gave the transfer up
)

// Ports is where a Host finds its ports: the hardware, or a simulated rig.
// Every method may be called concurrently. Names are periph's: "SPI0.1" or
// "/dev/spidev0.1", "I2C1", "GPIO22"; a serial line is a device path.
type Ports interface {
	SPI(name string) (spi.PortCloser, error)
	I2C(name string) (i2c.BusCloser, error)
	Pin(name string) (gpio.PinIO, error)
	// Dial opens a TCP connection to host:port (or to a name that a simulated rig
	// knows) until ctx ends.
	Dial(ctx context.Context, address string) (net.Conn, error)
	Serial(path string, mode SerialMode) (SerialPort, error)
	// Names lists the ports that exist, for error messages and checks.
	Names() []PortName
}

// Clock is implemented by Ports that keep their own time: a simulated rig whose
// clock runs faster than the computer's. Ports without it run on time.Now.
type Clock interface {
	// Now is the rig's time; it never goes back.
	Now() time.Time
}

// Waiter is implemented by Ports with a Clock of their own on which drivers may
// wait for a conversion in the middle of a Read. Ports without it wait in real
// time. After Wait returned nil, chips behave as if d had passed, and Now says so.
type Waiter interface {
	Wait(ctx context.Context, d time.Duration) error
}

// SelectPin is a chip select line: an output that was high from the instant it was
// claimed.
type SelectPin interface {
	Out(level gpio.Level) error
	Close() error // releases the line; the caller has driven it high before
}

// Selector is implemented by Ports that can claim a pin as an output without the
// low pulse of a first write. Without it the pin from Ports.Pin is driven high.
type Selector interface {
	SelectPin(name string) (SelectPin, error)
}

// Stamper is implemented by Ports whose device nodes can vanish and come back.
// The stamp of a port changes when its node was made anew; it is empty while the
// node does not exist.
type Stamper interface {
	Stamp(port string) string
}

// I2CAdviser is implemented by Ports that know more about a bus than its
// interface tells: the clock it runs at (zero: unknown), and who in the kernel
// already drives the chip at an address (empty: nobody).
type I2CAdviser interface {
	AdviseI2C(port string, address uint16) (clock physic.Frequency, holder string)
}

// PortName is one port that exists, or one that exists but can't be opened.
type PortName struct {
	Name string // "SPI0.1"
	Path string // device node, if there is one
	Kind string // "spi", "i2c", "gpio", "serial"
	Note string // why it can't be used, who holds it; empty: free
}

// SerialMode is the line setting of a serial port.
type SerialMode struct {
	Baud     int    // bits per second, > 0
	DataBits int    // 7 or 8; zero means 8
	Parity   string // "N", "E" or "O"; empty means "N"
	StopBits int    // 1 or 2; zero means 1
}

// SerialPort is an open serial line. Read and Write honour the deadlines; a lost
// device ends both at once with an error.
type SerialPort interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadDeadline(t time.Time) error
	SetWriteDeadline(t time.Time) error
	SetMode(mode SerialMode) error
	// Drain throws away what was received and not yet read.
	Drain() error
	Close() error
}

// SPIOptions says how a chip wants to be talked to.
type SPIOptions struct {
	Port   string           // periph name; required
	Select string           // GPIO pin as chip select (idle high), or Decoder.Select; empty: the port's own
	Mode   spi.Mode         // clock polarity and phase
	Max    physic.Frequency // the chip's fastest clock; required
	Bits   int              // bits per word; zero means 8
	For    string           // who uses the chip (a channel), for error messages; may be empty

	decoder *Decoder // of Select
}

// I2COptions says where a chip sits on its bus.
type I2COptions struct {
	Port    string           // periph name; required
	Address uint16           // 7-bit address
	Max     physic.Frequency // the chip's fastest clock; zero: leave the bus as it is
	For     string           // who uses the chip (a channel), for error messages; may be empty
}

// SPI is one chip on an SPI bus. Its methods may be called concurrently; transfers
// of all chips on the same physical bus are serialised.
type SPI interface {
	// Tx writes w and reads len(r) bytes at the same time; both have equal length
	// or one is nil. Chip select is active for exactly this transfer. It returns
	// ctx's error, ErrHung or ErrClosed, or the cause, with the port named.
	Tx(ctx context.Context, w, r []byte) error
	Close() error // more than once is fine
	String() string
}

// I2C is one chip on an I2C bus, with the same rules as SPI.
type I2C interface {
	// Tx writes w, then reads len(r) bytes after a repeated start.
	Tx(ctx context.Context, w, r []byte) error
	Close() error
	String() string
}

// Key names the physical bus that a port sits on, so that two sources on one bus
// get one owner: "SPI0.1" and "SPI0.2" share "SPI0"; "I2C1" is "I2C1"; a serial
// path and a TCP address stand for themselves. An empty port has the key "".
func Key(port string) string { return key(port) }

// Canonical gives one name to the spellings of a port: "/dev/spidev0.1", "spidev0.1" and
// "spi0.1" are "SPI0.1"; "/dev/i2c-1", "i2c-1" and "i2c1" are "I2C1"; others stand for
// themselves. A driver that puts several inputs on one chip compares ports by it.
func Canonical(port string) string { return canonical(port) }
