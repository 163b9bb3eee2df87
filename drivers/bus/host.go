package bus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
)

// Host hands out ports and owns the physical buses behind them. The zero value is
// not usable; see NewHost. Its methods may be called concurrently.
type Host struct {
	ports Ports

	mu     sync.Mutex // guards all below; never held during a transfer
	closed bool
	owners map[string]*owner   // by Key
	spi    map[string]*spiPort // by canonical name
	i2c    map[string]*i2cPort
	claims map[string]string // chip selects, addresses, lines: who holds them
	open   map[*serialLine]struct{}
	lines  map[string]*lineUsers // by lineKey

	decoders map[string]*decoderUse // by name in capitals
}

// NewHost returns a host over ports: Hardware() on a real board, a simulated rig
// elsewhere. Close it after every device that uses it.
func NewHost(ports Ports) *Host {
	return &Host{
		ports:  ports,
		owners: map[string]*owner{},
		spi:    map[string]*spiPort{},
		i2c:    map[string]*i2cPort{},
		claims: map[string]string{},
		open:   map[*serialLine]struct{}{},
		lines:  map[string]*lineUsers{},

		decoders: map[string]*decoderUse{},
	}
}

// Dial opens a TCP connection until ctx ends.
func (h *Host) Dial(ctx context.Context, address string) (net.Conn, error) {
	if h.isClosed() {
		return nil, fmt.Errorf("dial %s: host %w", address, ErrClosed)
	}
	return h.ports.Dial(ctx, address)
}

// Names lists the ports that exist.
func (h *Host) Names() []PortName { return h.ports.Names() }

// Now is the rig's time: the computer's, or the simulated rig's own. Drivers take
// elapsed times from it alone.
func (h *Host) Now() time.Time {
	if c, ok := h.ports.(Clock); ok {
		return c.Now()
	}
	return time.Now()
}

// Wait returns after d of the rig's time, or ctx's error. No bus is held.
func (h *Host) Wait(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil || d <= 0 {
		return err
	}
	if c, ok := h.ports.(Waiter); ok {
		return c.Wait(ctx, d)
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Pin returns a GPIO pin that is not a chip select of this host. The caller owns
// the pin's state and halts it when done.
func (h *Host) Pin(name string) (gpio.PinIO, error) {
	h.mu.Lock()
	closed := h.closed
	who, taken := h.claims["pin "+strings.ToUpper(name)]
	h.mu.Unlock()
	if closed {
		return nil, fmt.Errorf("pin %s: host %w", name, ErrClosed)
	}
	if taken {
		return nil, fmt.Errorf("pin %s selects the chip of %s; use another pin", name, who)
	}
	p, err := h.ports.Pin(name)
	if err != nil {
		return nil, h.openError("gpio", name, err)
	}
	return p, nil
}

// Serial opens a serial line for one user; a second one is refused until the first
// closed it.
func (h *Host) Serial(path string, mode SerialMode) (SerialPort, error) {
	if err := mode.check(); err != nil {
		return nil, fmt.Errorf("serial line %s: %w", path, err)
	}
	key := "line " + lineKey(path)
	if err := h.claim(key, "another source", "serial line "+path+" is in use already; "+
		"name it in one source only"); err != nil {
		return nil, err
	}
	p, err := h.ports.Serial(path, mode)
	if err != nil {
		h.unclaim(key)
		return nil, h.openError("serial", path, err)
	}
	line := &serialLine{SerialPort: p, host: h, key: key}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil, errors.Join(fmt.Errorf("serial line %s: host %w", path, ErrClosed), p.Close())
	}
	h.open[line] = struct{}{}
	return line, nil
}

// serialLine gives its claim back when it is closed, once.
type serialLine struct {
	SerialPort
	host *Host
	key  string
	once sync.Once
	err  error
}

func (s *serialLine) Close() error {
	s.once.Do(func() {
		s.err = s.SerialPort.Close()
		s.host.unclaim(s.key)
		s.host.mu.Lock()
		delete(s.host.open, s)
		s.host.mu.Unlock()
	})
	return s.err
}

// check refuses settings that no serial port has.
func (m SerialMode) check() error {
	switch {
	case m.Baud <= 0:
		return fmt.Errorf("baud %d: must be above zero, for instance 9600", m.Baud)
	case m.DataBits != 0 && m.DataBits != 7 && m.DataBits != 8:
		return fmt.Errorf("data bits %d: must be 7 or 8", m.DataBits)
	case m.Parity != "" && m.Parity != "N" && m.Parity != "E" && m.Parity != "O":
		return fmt.Errorf("parity %q: must be N, E or O", m.Parity)
	case m.StopBits != 0 && m.StopBits != 1 && m.StopBits != 2:
		return fmt.Errorf("stop bits %d: must be 1 or 2", m.StopBits)
	}
	return nil
}

// Close closes every port that is still open and ends the buses' workers. A
// transfer in progress is finished first; one that hangs is left behind. Calling
// it again does nothing.
func (h *Host) Close() error {
	h.mu.Lock()
	if h.closed {
		h.mu.Unlock()
		return nil
	}
	h.closed = true
	owners, spis, i2cs := h.owners, h.spi, h.i2c
	lines := make([]*serialLine, 0, len(h.open))
	for l := range h.open {
		lines = append(lines, l)
	}
	h.mu.Unlock()

	var errs []error
	for _, p := range spis {
		errs = append(errs, p.owner.shut(p.closeAll))
	}
	for _, p := range i2cs {
		errs = append(errs, p.owner.shut(p.closeBus))
	}
	for _, l := range lines {
		errs = append(errs, l.Close())
	}
	for _, o := range owners {
		o.stop()
	}
	return errors.Join(errs...)
}

func (h *Host) isClosed() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.closed
}

// claim notes that who holds key, or returns an error with text if somebody does.
func (h *Host) claim(key, who, text string) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return fmt.Errorf("%s: host %w", key, ErrClosed)
	}
	if _, taken := h.claims[key]; taken {
		return errors.New(text)
	}
	h.claims[key] = who
	return nil
}

// holder says who holds key.
func (h *Host) holder(key string) string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.claims[key]
}

func (h *Host) unclaim(key string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.claims, key)
}

// ownerOf returns the owner of the bus that port sits on, and starts it if need be.
func (h *Host) ownerOf(port string) (*owner, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil, fmt.Errorf("%s: host %w", port, ErrClosed)
	}
	name := Key(port)
	o := h.owners[name]
	if o == nil {
		o = newOwner(name)
		h.owners[name] = o
	}
	return o, nil
}

func orNobody(who string) string {
	if who == "" {
		return "another input"
	}
	return who
}

// String words the mode as "9600 8N1".
func (m SerialMode) String() string {
	data, parity, stop := m.DataBits, m.Parity, m.StopBits
	if data == 0 {
		data = 8
	}
	if parity == "" {
		parity = "N"
	}
	if stop == 0 {
		stop = 1
	}
	return fmt.Sprintf("%d %d%s%d", m.Baud, data, parity, stop)
}
