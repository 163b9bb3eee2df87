package drivertest

import (
	"context"
	"fmt"
	"io/fs"
	"net"
	"sort"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/bus"
)

// Transfer is one transfer that a fake port saw.
type Transfer struct {
	Port    string
	Select  string           // SPI: what was selected, "own" or pin names joined with "+"; empty: nothing
	Address uint16           // I2C
	Mode    spi.Mode         // SPI, as given to Connect
	Clock   physic.Frequency // SPI: the lower of Connect's and LimitSpeed's
	Bits    int              // SPI
	W, R    []byte           // R after the transfer
	Err     error
}

// Ports is a bus.Ports of fakes. Methods may be called concurrently.
type Ports struct {
	mu     sync.Mutex // guards all below, and the fakes' own fields
	spi    map[string]*SPIPort
	i2c    map[string]*I2CBus
	pins   map[string]*Pin
	dial   map[string]func(net.Conn)
	serial map[string]func(bus.SerialMode) (bus.SerialPort, error)
	edges  map[string]*EdgeLine
	any    func(p *Ports, kind, name string) // makes a port that was asked for and isn't there
	log    []Transfer
	quiet  bool
	count  int
	opens  int
	closes int
	failAt map[int]error
	fail   error
	delay  time.Duration
	notes  []bus.PortName
}

// NewPorts returns ports with nothing on them.
func NewPorts() *Ports {
	return &Ports{
		spi:    map[string]*SPIPort{},
		i2c:    map[string]*I2CBus{},
		pins:   map[string]*Pin{},
		dial:   map[string]func(net.Conn){},
		serial: map[string]func(bus.SerialMode) (bus.SerialPort, error){},
		edges:  map[string]*EdgeLine{},
		failAt: map[int]error{},
	}
}

// Floating returns ports where every SPI port and I2C bus that is asked for exists
// and nothing is attached: SPI reads level on every bit, I2C gives no answer,
// pins can be driven, nothing can be dialled.
func Floating(level byte) *Ports {
	p := NewPorts()
	p.any = func(p *Ports, kind, name string) {
		switch kind {
		case "spi":
			p.AddSPI(name).Float(level)
		case "i2c":
			p.AddI2C(name)
		case "gpio":
			p.AddPin(name)
		}
	}
	return p
}

// AddSPI adds a port with nothing on it, floating low.
func (p *Ports) AddSPI(name string) *SPIPort {
	p.mu.Lock()
	defer p.mu.Unlock()
	port := &SPIPort{ports: p, name: name, chips: map[string]Chip{}}
	p.spi[name] = port
	return port
}

// AddI2C adds a bus with nothing on it.
func (p *Ports) AddI2C(name string) *I2CBus {
	p.mu.Lock()
	defer p.mu.Unlock()
	b := &I2CBus{ports: p, name: name, chips: map[uint16]I2CChip{}}
	p.i2c[name] = b
	return b
}

// AddPin adds a GPIO pin, low until it is driven.
func (p *Ports) AddPin(name string) *Pin {
	p.mu.Lock()
	defer p.mu.Unlock()
	pin := &Pin{ports: p, name: name, edges: make(chan gpio.Level, 64)}
	p.pins[name] = pin
	return pin
}

// AddDial makes an address answer: serve gets the far end of each connection in a
// goroutine of its own and returns when the connection is closed.
func (p *Ports) AddDial(address string, serve func(net.Conn)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.dial[address] = serve
}

// AddSerial makes a serial line exist.
func (p *Ports) AddSerial(path string, open func(bus.SerialMode) (bus.SerialPort, error)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.serial[path] = open
}

// AddName adds an entry to Names, for instance a port that can't be opened.
func (p *Ports) AddName(n bus.PortName) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.notes = append(p.notes, n)
}

// FailAt makes the n-th transfer from now (1 is the next) return err.
func (p *Ports) FailAt(n int, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.failAt[p.count+n] = err
}

// Fail makes every transfer return err; nil ends it.
func (p *Ports) Fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fail = err
}

// Delay makes every transfer take d.
func (p *Ports) Delay(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.delay = d
}

// Quiet stops the recording, so that steady state allocates nothing here.
func (p *Ports) Quiet() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.quiet = true
}

// Log returns the transfers seen so far.
func (p *Ports) Log() []Transfer {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]Transfer(nil), p.log...)
}

// Count returns the number of transfers seen so far.
func (p *Ports) Count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.count
}

// Open returns how many ports and buses are open.
func (p *Ports) Open() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.opens - p.closes
}

// begin counts a transfer and returns the error that was ordered for it.
func (p *Ports) begin() error {
	p.mu.Lock()
	p.count++
	err := p.fail
	if e, ok := p.failAt[p.count]; ok {
		err = e
		delete(p.failAt, p.count)
	}
	delay := p.delay
	p.mu.Unlock()
	if delay > 0 {
		time.Sleep(delay) // the fake clock's, in a synctest bubble
	}
	return err
}

func (p *Ports) end(t Transfer) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.quiet {
		return
	}
	t.W, t.R = append([]byte(nil), t.W...), append([]byte(nil), t.R...)
	p.log = append(p.log, t)
}

// find gives what is there under a name. Ports that make what is asked for make it first.
func find[T any](p *Ports, kind, name string, there map[string]T) (T, bool) {
	p.mu.Lock()
	got, ok := there[name]
	p.mu.Unlock()
	if ok || p.any == nil {
		return got, ok
	}
	p.any(p, kind, name)
	p.mu.Lock()
	defer p.mu.Unlock()
	got, ok = there[name]
	return got, ok
}

// SPI implements bus.Ports.
func (p *Ports) SPI(name string) (spi.PortCloser, error) {
	port, ok := find(p, "spi", name, p.spi)
	if !ok {
		return nil, fmt.Errorf("no such port: %w", fs.ErrNotExist)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if port.openErr != nil {
		return nil, port.openErr
	}
	p.opens++
	return &spiHandle{port: port}, nil
}

// I2C implements bus.Ports.
func (p *Ports) I2C(name string) (i2c.BusCloser, error) {
	b, ok := find(p, "i2c", name, p.i2c)
	if !ok {
		return nil, fmt.Errorf("no such bus: %w", fs.ErrNotExist)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if b.openErr != nil {
		return nil, b.openErr
	}
	p.opens++
	return &i2cHandle{bus: b}, nil
}

// Pin implements bus.Ports.
func (p *Ports) Pin(name string) (gpio.PinIO, error) {
	pin, ok := find(p, "gpio", name, p.pins)
	if !ok {
		return nil, fmt.Errorf("no such pin: %w", fs.ErrNotExist)
	}
	return pin, nil
}

// Dial implements bus.Ports over net.Pipe.
func (p *Ports) Dial(ctx context.Context, address string) (net.Conn, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	p.mu.Lock()
	serve := p.dial[address]
	p.mu.Unlock()
	if serve == nil {
		return nil, fmt.Errorf("dial %s: connection refused", address)
	}
	near, far := net.Pipe()
	go func() {
		defer far.Close()
		serve(far)
	}()
	return near, nil
}

// Serial implements bus.Ports.
func (p *Ports) Serial(path string, mode bus.SerialMode) (bus.SerialPort, error) {
	p.mu.Lock()
	open := p.serial[path]
	p.mu.Unlock()
	if open == nil {
		return nil, fmt.Errorf("no such line: %w", fs.ErrNotExist)
	}
	return open(mode)
}

// Names implements bus.Ports.
func (p *Ports) Names() []bus.PortName {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := append([]bus.PortName(nil), p.notes...)
	for name := range p.spi {
		out = append(out, bus.PortName{Name: name, Kind: "spi"})
	}
	for name := range p.i2c {
		out = append(out, bus.PortName{Name: name, Kind: "i2c"})
	}
	for name := range p.pins {
		out = append(out, bus.PortName{Name: name, Kind: "gpio"})
	}
	for path := range p.serial {
		out = append(out, bus.PortName{Name: path, Path: path, Kind: "serial"})
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Name < out[j].Name })
	return out
}
