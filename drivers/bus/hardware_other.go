//go:build !linux

package bus

import (
	"context"
	"errors"
	"fmt"
	"net"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"
)

// Hardware returns ports that can dial TCP and nothing else: device nodes are
// Linux's. A simulated rig works everywhere.
func Hardware() Ports { return noHardware{} }

type noHardware struct{}

func refuse(kind, name string) error {
	return fmt.Errorf("%s %s: only Linux has it; %w here", kind, name, errors.ErrUnsupported)
}

func (noHardware) SPI(name string) (spi.PortCloser, error) { return nil, refuse("SPI port", name) }
func (noHardware) I2C(name string) (i2c.BusCloser, error)  { return nil, refuse("I2C bus", name) }
func (noHardware) Pin(name string) (gpio.PinIO, error)     { return nil, refuse("GPIO pin", name) }

func (noHardware) Serial(path string, _ SerialMode) (SerialPort, error) {
	return nil, refuse("serial line", path)
}

func (noHardware) Dial(ctx context.Context, address string) (net.Conn, error) {
	var d net.Dialer
	return d.DialContext(ctx, "tcp", address)
}

func (noHardware) Names() []PortName { return nil }

func permission(string) string { return "" }
