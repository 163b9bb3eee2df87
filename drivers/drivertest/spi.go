package drivertest

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// Chip answers SPI transfers while it is selected.
type Chip interface {
	// Transfer gets what was written (nil: nothing, the line was low) and fills r
	// (nil: nobody listens).
	Transfer(w, r []byte) error
}

// ChipFunc is a Chip of one function.
type ChipFunc func(w, r []byte) error

// Transfer implements Chip.
func (f ChipFunc) Transfer(w, r []byte) error { return f(w, r) }

// SPIPort is a fake SPI port: one chip on its own chip select, others on pins.
type SPIPort struct {
	ports *Ports
	name  string

	// Guarded by ports.mu.
	own       Chip
	chips     map[string]Chip // by pin name
	decoded   []decodedChip
	level     byte
	openErr   error
	refuse    map[spi.Mode]error
	connected int
}

// Attach puts a chip on the port's own chip select.
func (p *SPIPort) Attach(c Chip) *SPIPort { p.lock(func() { p.own = c }); return p }

// AttachAt puts a chip on a pin of the same Ports.
func (p *SPIPort) AttachAt(pin string, c Chip) *SPIPort {
	p.lock(func() { p.chips[pin] = c })
	return p
}

// decodedChip sits at one output of a decoder.
type decodedChip struct {
	lines  []string // lowest bit first
	enable string   // active low; empty: the port's own chip select
	output int
	chip   Chip
}

// AttachDecoded puts a chip at an output of a decoder on pins of the same Ports;
// lines are the address, lowest bit first. Without an enable pin the port's own chip
// select enables the decoder.
func (p *SPIPort) AttachDecoded(lines []string, enable string, output int, c Chip) *SPIPort {
	p.lock(func() { p.decoded = append(p.decoded, decodedChip{lines, enable, output, c}) })
	return p
}

// selected tells whether the decoder drives the chip's output. ports.mu is held.
func (d decodedChip) selected(pins map[string]*Pin, own bool) bool {
	if d.enable == "" && !own || d.enable != "" && (pins[d.enable] == nil || !pins[d.enable].driven || pins[d.enable].level != gpio.Low) {
		return false
	}
	for i, line := range d.lines {
		if pin := pins[line]; pin == nil || !pin.driven || bool(pin.level) != (d.output>>i&1 == 1) {
			return false
		}
	}
	return true
}

// Float sets what is read while nothing drives the line: 0x00 or 0xFF.
func (p *SPIPort) Float(level byte) *SPIPort { p.lock(func() { p.level = level }); return p }

// RefuseOpen makes opening the port fail; nil ends it.
func (p *SPIPort) RefuseOpen(err error) *SPIPort { p.lock(func() { p.openErr = err }); return p }

// RefuseMode makes Connect fail for every mode that has all bits of mode.
func (p *SPIPort) RefuseMode(mode spi.Mode, err error) *SPIPort {
	p.lock(func() {
		if p.refuse == nil {
			p.refuse = map[spi.Mode]error{}
		}
		p.refuse[mode] = err
	})
	return p
}

// AllowModes takes back every RefuseMode.
func (p *SPIPort) AllowModes() *SPIPort { p.lock(func() { p.refuse = nil }); return p }

// Connected returns how often Connect succeeded.
func (p *SPIPort) Connected() (n int) { p.lock(func() { n = p.connected }); return n }

func (p *SPIPort) lock(f func()) {
	p.ports.mu.Lock()
	defer p.ports.mu.Unlock()
	f()
}

// spiHandle is the port as it was opened once. It panics when it is used after
// Close, as the real one does.
type spiHandle struct {
	port *SPIPort

	// Guarded by port.ports.mu.
	mode      spi.Mode
	clock     physic.Frequency
	limit     physic.Frequency
	bits      int
	connected bool
	closed    bool
}

func (h *spiHandle) String() string { return h.port.name }

func (h *spiHandle) LimitSpeed(f physic.Frequency) error {
	h.port.lock(func() { h.limit = f })
	return nil
}

func (h *spiHandle) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	h.port.ports.mu.Lock()
	defer h.port.ports.mu.Unlock()
	if h.connected {
		return nil, errors.New("fake port: Connect a second time")
	}
	for m, err := range h.port.refuse {
		if mode&m == m {
			return nil, err
		}
	}
	h.connected, h.mode, h.clock, h.bits = true, mode, f, bits
	h.port.connected++
	return h, nil
}

func (h *spiHandle) Close() error {
	h.port.ports.mu.Lock()
	defer h.port.ports.mu.Unlock()
	if h.closed {
		panic("fake port " + h.port.name + ": closed a second time")
	}
	h.closed = true
	h.port.ports.closes++
	return nil
}

func (h *spiHandle) Duplex() conn.Duplex          { return conn.Full }
func (h *spiHandle) TxPackets([]spi.Packet) error { return errors.New("fake port: no packets") }

func (h *spiHandle) Tx(w, r []byte) error {
	ports := h.port.ports
	err := ports.begin()
	ports.mu.Lock()
	if h.closed {
		ports.mu.Unlock()
		panic("fake port " + h.port.name + ": transfer after Close")
	}
	chip, name, many := h.selected()
	level := h.port.level
	t := Transfer{Port: h.port.name, Select: name, Mode: h.mode, Clock: h.clock, Bits: h.bits, W: w}
	if h.limit != 0 && h.limit < t.Clock {
		t.Clock = h.limit
	}
	ports.mu.Unlock()
	switch {
	case err != nil:
	case many:
		err = fmt.Errorf("fake port %s: several chips selected: %s", h.port.name, name)
	case chip != nil:
		err = chip.Transfer(w, r)
	default:
		for i := range r {
			r[i] = level
		}
	}
	if !ports.isQuiet() {
		t.R, t.Err = r, err
		ports.end(t)
	}
	return err
}

// selected finds the chip whose select line is low. ports.mu is held.
func (h *spiHandle) selected() (c Chip, name string, many bool) {
	if h.mode&spi.NoCS == 0 {
		c, name = h.port.own, "own"
	}
	n := 0
	if c != nil {
		n++
	}
	for pin, chip := range h.port.chips {
		p := h.port.ports.pins[pin]
		if p == nil || p.level != gpio.Low || !p.driven {
			continue
		}
		n++
		if c != nil {
			name += "+" + pin
		} else {
			c, name = chip, pin
		}
	}
	for _, d := range h.port.decoded {
		if d.selected(h.port.ports.pins, h.mode&spi.NoCS == 0) {
			n++
			c, name = d.chip, fmt.Sprintf("output %d", d.output)
		}
	}
	if n == 0 {
		return nil, "", false
	}
	return c, name, n > 1
}

func (p *Ports) isQuiet() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.quiet
}

// Recording is a chip that answers with recorded frames, one per transfer.
type Recording struct {
	mu     sync.Mutex
	frames [][]byte
	next   int
	loop   bool
}

// Frames returns a recording from hexadecimal text. Past its end a transfer fails
// with io.ErrUnexpectedEOF, and a frame that is too short fills what it has and
// fails in the same way. It panics on text that is not hexadecimal.
func Frames(frames ...string) *Recording {
	r := &Recording{}
	for _, f := range frames {
		b, err := hex.DecodeString(strings.ReplaceAll(f, " ", ""))
		if err != nil {
			panic("drivertest.Frames: " + err.Error())
		}
		r.frames = append(r.frames, b)
	}
	return r
}

// Steady returns a recording that starts over at its end.
func Steady(frames ...string) *Recording {
	r := Frames(frames...)
	r.loop = true
	return r
}

// Transfer implements Chip.
func (c *Recording) Transfer(_, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.next == len(c.frames) {
		if !c.loop {
			return fmt.Errorf("end of the recording: %w", io.ErrUnexpectedEOF)
		}
		c.next = 0
	}
	f := c.frames[c.next]
	c.next++
	if n := copy(r, f); n < len(r) {
		return fmt.Errorf("%d of %d bytes recorded: %w", n, len(r), io.ErrUnexpectedEOF)
	}
	return nil
}
