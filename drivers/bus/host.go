package bus

import (
	"context"
	"net"
)

// Host hands out ports and owns the physical buses behind them. The zero value is
// not usable; see NewHost. Its methods may be called concurrently.
type Host struct {
	ports Ports
}

// NewHost returns a host over ports: Hardware() on a real board, a simulated rig
// elsewhere. Close it after every device that uses it.
func NewHost(ports Ports) *Host { return &Host{ports: ports} }

// Dial opens a TCP connection until ctx ends.
func (h *Host) Dial(ctx context.Context, address string) (net.Conn, error) {
	return h.ports.Dial(ctx, address)
}

// Names lists the ports that exist.
func (h *Host) Names() []PortName { return h.ports.Names() }

/* to be completed by the bus work:
func (h *Host) SPI(o SPIOptions) (SPI, error)
func (h *Host) I2C(o I2COptions) (I2C, error)
func (h *Host) Pin(name string) (gpio.PinIO, error)
func (h *Host) Serial(path string, mode SerialMode) (SerialPort, error)
func (h *Host) Close() error
func Hardware() Ports
*/
