package acquire

import (
	"context"
	"errors"
	"fmt"
	"net"
	"regexp"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/bus"
)

// nowhere is where drivers open their sources when a configuration is judged: ports
// that exist in name only. Whatever is named as a port of its kind is named opens, and
// nothing is ever transferred.
type nowhere struct{}

var (
	_ bus.Ports     = nowhere{}
	_ bus.Selector  = nowhere{}
	_ bus.EdgePorts = nowhere{}

	errNowhere = errors.New("a configuration is judged: nothing is opened")

	spiName = regexp.MustCompile(`^SPI[0-9]+\.[0-9]+$`)
	i2cName = regexp.MustCompile(`^I2C[0-9]+$`)
)

// portError refuses what can't be the name of a port of its kind; instead makes such
// names from a number.
type portError struct{ text, instead string }

func (e *portError) Error() string { return e.text }

func (nowhere) SPI(name string) (spi.PortCloser, error) {
	if !spiName.MatchString(name) {
		return nil, &portError{fmt.Sprintf("want an SPI port such as SPI0.0, got %q", name), "SPI%d.0"}
	}
	return noPort(name), nil
}

func (nowhere) I2C(name string) (i2c.BusCloser, error) {
	if !i2cName.MatchString(name) {
		return nil, &portError{fmt.Sprintf("want an I2C bus such as I2C1, got %q", name), "I2C%d"}
	}
	return noBus(name), nil
}

func (nowhere) Pin(string) (gpio.PinIO, error)                          { return nil, errNowhere }
func (nowhere) SelectPin(string) (bus.SelectPin, error)                 { return noPin{}, nil }
func (nowhere) Dial(context.Context, string) (net.Conn, error)          { return nil, errNowhere }
func (nowhere) Serial(string, bus.SerialMode) (bus.SerialPort, error)   { return nil, errNowhere }
func (nowhere) Edges(name string, _ bus.EdgeOptions) (bus.Edges, error) { return noEdges{}, nil }
func (nowhere) Names() []bus.PortName                                   { return nil }

// noPort is an SPI port in name only, and the connection that it gives.
type noPort string

func (p noPort) String() string                                            { return string(p) }
func (p noPort) Connect(physic.Frequency, spi.Mode, int) (spi.Conn, error) { return p, nil }
func (noPort) LimitSpeed(physic.Frequency) error                           { return nil }
func (noPort) Tx(_, _ []byte) error                                        { return errNowhere }
func (noPort) TxPackets([]spi.Packet) error                                { return errNowhere }
func (noPort) Duplex() conn.Duplex                                         { return conn.Full }
func (noPort) Close() error                                                { return nil }

// noBus is an I2C bus in name only.
type noBus string

func (b noBus) String() string                { return string(b) }
func (noBus) Tx(uint16, []byte, []byte) error { return errNowhere }
func (noBus) SetSpeed(physic.Frequency) error { return nil }
func (noBus) Close() error                    { return nil }

// noPin is a chip select in name only.
type noPin struct{}

func (noPin) Out(gpio.Level) error { return nil }
func (noPin) Close() error         { return nil }

// noEdges is an input in name only.
type noEdges struct{}

func (noEdges) Read([]bus.Edge) (int, error) { return 0, nil }
func (noEdges) Now() time.Duration           { return 0 }
func (noEdges) Close() error                 { return nil }
