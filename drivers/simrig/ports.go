package simrig

import (
	"context"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/bus"
)

// The ports that exist whether or not a chip sits on them.
const (
	spiSelects = 10 // SPI0.0 to SPI0.9
	pinCount   = 28 // GPIO0 to GPIO27
	firstWire  = "I2C1"
)

// plug makes the ports and the chips on them.
func (r *Rig) plug() {
	for i := range spiSelects {
		r.slot("SPI0." + strconv.Itoa(i))
	}
	r.wires[firstWire] = &wire{name: firstWire, chips: map[uint16]i2cChip{}}
	for i := range pinCount {
		name := "GPIO" + strconv.Itoa(i)
		r.pins[name] = &pin{rig: r, name: name, number: i, level: gpio.High}
	}
	for i := range r.opts.Chips {
		o := &r.opts.Chips[i]
		c := models()[o.Model].make(r, o)
		r.chips = append(r.chips, c)
		port := strings.ToUpper(o.Port)
		switch c := c.(type) {
		case i2cChip:
			if r.wires[port] == nil {
				r.wires[port] = &wire{name: port, chips: map[uint16]i2cChip{}}
			}
			r.wires[port].chips[uint16(o.Address)] = c
		case spiChip:
			s := r.slot(port)
			if o.Select == "" {
				s.own = c
				continue
			}
			p := r.pins[strings.ToUpper(o.Select)]
			p.chips = append(p.chips, c)
			s.others = append(s.others, c)
		}
	}
}

func (r *Rig) slot(name string) *slot {
	s := r.slots[name]
	if s == nil {
		s = &slot{name: name}
		r.slots[name] = s
	}
	return s
}

func validPin(name string) bool {
	digits, ok := strings.CutPrefix(strings.ToUpper(name), "GPIO")
	n, err := strconv.Atoi(digits)
	return ok && err == nil && n >= 0 && n < pinCount && digits == strconv.Itoa(n)
}

// portName writes a port in periph's way.
func portName(name string) string {
	if rest, ok := strings.CutPrefix(name, "/dev/spidev"); ok {
		return "SPI" + rest
	}
	if rest, ok := strings.CutPrefix(name, "/dev/i2c-"); ok {
		return "I2C" + rest
	}
	return strings.ToUpper(name)
}

// SPI opens a port, for instance "SPI0.3" or "/dev/spidev0.3".
func (r *Rig) SPI(name string) (spi.PortCloser, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return nil, errClosed("open " + name)
	}
	s := r.slots[portName(name)]
	if s == nil {
		return nil, r.noPort("SPI port", name, "spi")
	}
	return &spiPort{rig: r, slot: s}, nil
}

// I2C opens a bus, for instance "I2C1" or "/dev/i2c-1".
func (r *Rig) I2C(name string) (i2c.BusCloser, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return nil, errClosed("open " + name)
	}
	w := r.wires[portName(name)]
	if w == nil {
		return nil, r.noPort("I2C bus", name, "i2c")
	}
	return &i2cBus{rig: r, wire: w}, nil
}

// Pin returns a pin, "GPIO0" to "GPIO27".
func (r *Rig) Pin(name string) (gpio.PinIO, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return nil, errClosed("open " + name)
	}
	p := r.pins[strings.ToUpper(name)]
	if p == nil {
		return nil, r.noPort("pin", name, "gpio")
	}
	return p, nil
}

// Serial always refuses: see the package comment.
func (r *Rig) Serial(path string, _ bus.SerialMode) (bus.SerialPort, error) {
	return nil, fmt.Errorf("open %s: %w", path, errNoSerial)
}

// Dial reaches the meter as "meter", "sim-meter" or either with any port, and
// what listens on this machine's loopback addresses. Nothing else.
func (r *Rig) Dial(ctx context.Context, address string) (net.Conn, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		host = address
	}
	ip := net.ParseIP(host)
	switch {
	case host == meterName || host == "sim-meter":
		if address, err = r.MeterAddr(); err != nil {
			return nil, err
		}
	case host == "localhost" || ip != nil && ip.IsLoopback():
	default:
		return nil, fmt.Errorf("dial %s: a simulated rig knows %q and loopback addresses only", address, meterName)
	}
	var d net.Dialer
	return d.DialContext(ctx, "tcp", address)
}

// MeterAddr is the host:port on which the meter answers Modbus TCP, unit 1. The
// first call opens it.
func (r *Rig) MeterAddr() (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return "", errClosed("dial " + meterName)
	}
	if r.server == nil {
		s, err := newServer(r.answer)
		if err != nil {
			return "", fmt.Errorf("simulated rig: open the meter's socket: %w", err)
		}
		r.server = s
	}
	return r.server.listener.Addr().String(), nil
}

// Names lists the ports, and what sits on them.
func (r *Rig) Names() []bus.PortName {
	r.mu.Lock()
	defer r.mu.Unlock()
	var names []bus.PortName
	for name := range r.slots {
		names = append(names, bus.PortName{Name: name, Kind: "spi"})
	}
	for name := range r.wires {
		names = append(names, bus.PortName{Name: name, Kind: "i2c"})
	}
	for name := range r.pins {
		names = append(names, bus.PortName{Name: name, Kind: "gpio"})
	}
	slices.SortFunc(names, func(a, b bus.PortName) int {
		if a.Kind != b.Kind {
			return strings.Compare(b.Kind, a.Kind)
		}
		if len(a.Name) != len(b.Name) {
			return len(a.Name) - len(b.Name)
		}
		return strings.Compare(a.Name, b.Name)
	})
	return names
}

// noPort says which ports there are. The caller holds the lock.
func (r *Rig) noPort(what, name, kind string) error {
	var have []string
	switch kind {
	case "spi":
		for n := range r.slots {
			have = append(have, n)
		}
	case "i2c":
		for n := range r.wires {
			have = append(have, n)
		}
	default:
		have = []string{"GPIO0 to GPIO27"}
	}
	slices.Sort(have)
	return fmt.Errorf("simulated rig: no %s %q: there are %s", what, name, strings.Join(have, ", "))
}
