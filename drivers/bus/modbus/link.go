package modbus

import (
	"context"
	"fmt"
	"net"
	"time"

	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// Master is what both kinds of link offer to a driver.
type Master interface {
	Read(ctx context.Context, req Request, dst []byte) error
	Close() error
}

var (
	_ Master = (*TCP)(nil)
	_ Master = (*RTU)(nil)
)

// Link is the part of a driver's options that says how its device is attached; it is
// meant to be embedded inline. Absent keys are zero and take the default.
type Link struct {
	Framing  string        `yaml:"framing"`   // "tcp" or "rtu"; default: rtu for a serial path, tcp for an address
	Baud     int           `yaml:"baud"`      // serial: bits per second; default 9600
	Parity   string        `yaml:"parity"`    // serial: N, E or O; default N
	DataBits int           `yaml:"data_bits"` // serial: default 8
	StopBits int           `yaml:"stop_bits"` // serial: 1 or 2; default 1
	Timeout  time.Duration `yaml:"timeout"`   // the device's thinking time; default 1 s
	Gap      time.Duration `yaml:"gap"`       // rtu: pause before each request; default 100 ms
	Quiet    time.Duration `yaml:"quiet"`     // rtu: silence that ends a quarantine; default 400 ms
	Echo     bool          `yaml:"echo"`      // rtu: the line gives every request back
	Source   string        `yaml:"-"`         // who it is, for the refusal of another source on the line
}

// servicePort is the number that Modbus TCP is registered under.
const servicePort = 502

// LinkError refuses one key of a Link.
type LinkError struct{ Key, Text string }

func (e *LinkError) Error() string { return e.Key + ": " + e.Text }

// Open returns a master for the port: a serial device path, "tcp://host:502" or
// "host:502". Nothing is opened before the first Read. Sources on one serial line, or
// behind one gateway that passes raw frames, share it and take turns; what does not
// go together is refused. The error is a *LinkError.
func (l Link) Open(host *bus.Host, port string) (Master, error) {
	if err := l.check(); err != nil {
		return nil, err
	}
	if l.Timeout == 0 {
		l.Timeout = time.Second
	}
	if line.IsSerial(port) && l.Framing == "tcp" {
		return nil, &LinkError{"framing", "tcp framing does not run over a serial line; leave the key out"}
	}
	if line.IsSerial(port) || l.Framing == "rtu" {
		return l.join(host, port)
	}
	address, err := line.Address(port, servicePort)
	if err != nil {
		return nil, &LinkError{"port", err.Error()}
	}
	// Every source has a connection of its own here.
	_, leave, err := host.JoinLine(address, bus.LineUse{Source: l.Source, Protocol: "Modbus TCP", Together: true}, nil)
	if err != nil {
		return nil, &LinkError{"port", err.Error()}
	}
	t := NewTCP(address, func(ctx context.Context) (net.Conn, error) { return host.Dial(ctx, address) }, l.Timeout)
	t.leave = func() { leave() }
	return t, nil
}

// join returns a turn on an RTU line.
func (l Link) join(host *bus.Host, port string) (Master, error) {
	o := l.rtu()
	stream, err := line.Open(host, port, o.Mode, servicePort, l.Timeout)
	if err != nil {
		return nil, &LinkError{"port", err.Error()}
	}
	settings := o.Mode.String()
	if o.Echo {
		settings += " with echo"
	}
	use := bus.LineUse{Source: l.Source, Protocol: "Modbus RTU", Settings: settings, Together: true}
	common, leave, err := host.JoinLine(stream.At(), use, func() any { return newParty(NewRTU(port, stream, o)) })
	if err != nil {
		return nil, &LinkError{"port", err.Error()}
	}
	p, ok := common.(*party)
	if !ok { // can't happen: the protocol was compared
		leave()
		return nil, &LinkError{"port", fmt.Sprintf("%s is not a Modbus RTU line", port)}
	}
	return p.join(o, leave), nil
}

func (l Link) rtu() RTUOptions {
	if l.Baud == 0 {
		l.Baud = 9600
	}
	mode := bus.SerialMode{Baud: l.Baud, DataBits: l.DataBits, Parity: l.Parity, StopBits: l.StopBits}
	return RTUOptions{Mode: mode, Timeout: l.Timeout, Gap: l.Gap, Quiet: l.Quiet, Echo: l.Echo}
}

func (l Link) check() error {
	switch {
	case l.Framing != "" && l.Framing != "tcp" && l.Framing != "rtu":
		return &LinkError{"framing", fmt.Sprintf("%q: use tcp or rtu", l.Framing)}
	case l.Baud < 0 || l.Baud > 4_000_000:
		return &LinkError{"baud", fmt.Sprintf("%d: use the speed set on the device, for instance 9600", l.Baud)}
	case l.Parity != "" && l.Parity != "N" && l.Parity != "E" && l.Parity != "O":
		return &LinkError{"parity", fmt.Sprintf("%q: use N, E or O", l.Parity)}
	case l.DataBits != 0 && l.DataBits != 8:
		return &LinkError{"data_bits", fmt.Sprintf("%d: RTU needs 8", l.DataBits)}
	case l.StopBits < 0 || l.StopBits > 2:
		return &LinkError{"stop_bits", fmt.Sprintf("%d: use 1 or 2", l.StopBits)}
	case l.Timeout < 0 || l.Timeout > time.Minute:
		return &LinkError{"timeout", fmt.Sprintf("%v: use something between 50ms and 1m", l.Timeout)}
	case l.Gap < 0 || l.Gap > 10*time.Second:
		return &LinkError{"gap", fmt.Sprintf("%v: use something up to 10s", l.Gap)}
	case l.Quiet < 0 || l.Quiet > 10*time.Second:
		return &LinkError{"quiet", fmt.Sprintf("%v: use something up to 10s", l.Quiet)}
	}
	return nil
}
