package line

import (
	"context"
	"errors"
	"fmt"
	"net"
	"regexp"
	"strconv"
	"strings"
	"time"

	"soakrig/drivers/bus"
)

// IsSerial says that a port is a device path and not an address.
func IsSerial(port string) bool { return strings.HasPrefix(port, "/") }

// Address returns host:port of "tcp://host", "tcp://host:502", "host:502" or "host";
// service is the number where the port names none.
func Address(port string, service int) (string, error) {
	rest := strings.TrimPrefix(port, "tcp://")
	if host, number, err := net.SplitHostPort(rest); err == nil && host != "" {
		if n, err := strconv.ParseUint(number, 10, 16); err == nil && n > 0 {
			return rest, nil
		}
	}
	host := strings.Trim(rest, "[]")
	if net.ParseIP(host) != nil || hostName.MatchString(host) && !busName.MatchString(host) {
		return net.JoinHostPort(host, strconv.Itoa(service)), nil
	}
	return "", fmt.Errorf("%q is neither a serial device path like /dev/serial/by-id/... nor an address like tcp://192.168.1.20:%d", port, service)
}

var (
	hostName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?$`)
	busName  = regexp.MustCompile(`^(tty|SPI|I2C|GPIO)`) // somebody forgot the /dev/
)

// Open returns a line on a serial device path or on a TCP address (see Address).
// Nothing is opened yet. limit bounds dialling.
func Open(host *bus.Host, port string, mode bus.SerialMode, service int, limit time.Duration) (*Line, error) {
	if IsSerial(port) {
		l := New(func(context.Context) (bus.SerialPort, error) { return host.Serial(port, mode) })
		l.at = port
		return l, nil
	}
	address, err := Address(port, service)
	if err != nil {
		return nil, err
	}
	l := New(func(ctx context.Context) (bus.SerialPort, error) {
		ctx, cancel := context.WithTimeout(ctx, limit)
		defer cancel()
		conn, err := host.Dial(ctx, address)
		if err != nil {
			return nil, err
		}
		return socket{conn}, nil
	})
	l.at = address
	return l, nil
}

// socket is a connection used like a serial line.
type socket struct{ net.Conn }

// Drain has nothing to do: the line has read all that the connection held.
func (socket) Drain() error { return nil }

// SetMode is refused: the far end has its own settings.
func (socket) SetMode(bus.SerialMode) error { return errors.ErrUnsupported }
