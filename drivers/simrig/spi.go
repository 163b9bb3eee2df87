package simrig

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// slot is one chip select of an SPI bus, with chips that pins select beside it.
type slot struct {
	name   string
	own    spiChip
	others []spiChip
}

// mostBytes is the kernel's usual limit of one transfer.
const mostBytes = 4096

// spiPort is an open port. Its fields are guarded by the rig's lock.
type spiPort struct {
	rig       *Rig
	slot      *slot
	limit     physic.Frequency
	connected bool
	closed    bool
}

func (p *spiPort) String() string { return p.slot.name }

// Close lets go of the port. Transfers afterwards fail; a second Close does nothing.
func (p *spiPort) Close() error {
	p.rig.mu.Lock()
	defer p.rig.mu.Unlock()
	p.closed = true
	return nil
}

// LimitSpeed keeps the clock of every transfer at or below f.
func (p *spiPort) LimitSpeed(f physic.Frequency) error {
	if f <= 0 {
		return fmt.Errorf("%s: a clock limit of %s is no limit", p.slot.name, f)
	}
	p.rig.mu.Lock()
	defer p.rig.mu.Unlock()
	p.limit = f
	return nil
}

// Connect sets clock, mode and word length, once per open port, as Linux ports do.
func (p *spiPort) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	p.rig.mu.Lock()
	defer p.rig.mu.Unlock()
	switch {
	case p.closed || p.rig.closed:
		return nil, errClosed("connect " + p.slot.name)
	case p.connected:
		return nil, fmt.Errorf("%s: Connect() can only be called once", p.slot.name)
	case f < 100*physic.Hertz || f > physic.GigaHertz:
		return nil, fmt.Errorf("%s: invalid speed %s", p.slot.name, f)
	case bits != 8:
		return nil, fmt.Errorf("%s: %d bits per word: a simulated port has 8 only", p.slot.name, bits)
	case mode&^(spi.Mode3|spi.NoCS) != 0:
		return nil, fmt.Errorf("%s: mode %s is not simulated", p.slot.name, mode)
	}
	p.connected = true
	return &spiConn{port: p, hz: f, mode: mode}, nil
}

// spiConn is a connected port.
type spiConn struct {
	port  *spiPort
	hz    physic.Frequency
	mode  spi.Mode
	zeros []byte // what a read-only transfer sends; guarded by the rig's lock
}

var (
	_ spi.Conn    = (*spiConn)(nil)
	_ conn.Limits = (*spiConn)(nil)
)

func (c *spiConn) String() string      { return c.port.slot.name }
func (c *spiConn) Duplex() conn.Duplex { return conn.Full }
func (c *spiConn) MaxTxSize() int      { return mostBytes }

// TxPackets always refuses: no chip here needs it.
func (c *spiConn) TxPackets([]spi.Packet) error {
	return fmt.Errorf("%s: transfers of several packets are not simulated", c.port.slot.name)
}

// Tx is one transfer: chip select falls, bytes go both ways, chip select rises.
func (c *spiConn) Tx(w, r []byte) error {
	n := max(len(w), len(r))
	switch {
	case n == 0 || n > mostBytes:
		return fmt.Errorf("%s: a transfer of %d bytes: 1 to %d", c.port.slot.name, n, mostBytes)
	case len(w) != 0 && len(r) != 0 && len(w) != len(r):
		return fmt.Errorf("%s: %d bytes out and %d in at the same time: both need one length", c.port.slot.name, len(w), len(r))
	}
	rig := c.port.rig
	now := rig.now()
	rig.mu.Lock()
	defer rig.mu.Unlock()
	if c.port.closed || rig.closed {
		return errClosed("transfer on " + c.port.slot.name)
	}
	rig.advance(now)
	if len(w) == 0 {
		if len(c.zeros) < n {
			c.zeros = make([]byte, n)
		}
		w = c.zeros[:n]
	}
	if len(r) == 0 {
		r = make([]byte, n)
	}
	return c.transfer(now.Seconds(), w, r)
}

func (c *spiConn) transfer(tS float64, w, r []byte) error {
	s, answered := c.port.slot, false
	if s.own != nil && c.mode&spi.NoCS == 0 {
		switch err := wake(s.own, tS); {
		case err == nil:
			s.own.fall()
			c.exchange(s.own, w, r, answered)
			s.own.rise(tS)
			answered = true
		case !errors.Is(err, errAbsent):
			return fmt.Errorf("%s: transfer: %w", s.name, err)
		}
	}
	for _, o := range s.others {
		if !o.common().selected {
			continue
		}
		switch err := wake(o, tS); {
		case err == nil:
			c.exchange(o, w, r, answered)
			answered = true
		case !errors.Is(err, errAbsent):
			return fmt.Errorf("%s: transfer: %w", s.name, err)
		}
	}
	if !answered {
		level := byte(0)
		if c.port.rig.opts.MISO == "high" {
			level = 0xff
		}
		for i := range r {
			r[i] = level
		}
	}
	return nil
}

// exchange lets one chip answer. A second chip on the line pulls it low where it
// wants a zero. A chip that is clocked in the wrong phase or too fast is one bit out
// of step.
func (c *spiConn) exchange(o spiChip, w, r []byte, second bool) {
	in := r
	if second {
		in = make([]byte, len(r))
	} else {
		clear(r)
	}
	cpha, fastest := o.needs()
	hz := c.hz
	if l := c.port.limit; l != 0 {
		hz = min(hz, l)
	}
	slips := (c.mode&spi.Mode1 != 0) != cpha || hz > fastest
	if slips {
		w = slip(w)
	}
	o.shift(w, in)
	if slips {
		copy(in, slip(in))
	}
	if second {
		for i := range r {
			r[i] &= in[i]
		}
	}
}

// slip is b one bit early.
func slip(b []byte) []byte {
	out := make([]byte, len(b))
	for i := range b {
		out[i] = b[i] << 1
		if i+1 < len(b) {
			out[i] |= b[i+1] >> 7
		}
	}
	return out
}

// pin is a GPIO pin. Its fields are guarded by the rig's lock.
type pin struct {
	rig    *Rig
	name   string
	number int
	level  gpio.Level // an input reads high: pull-up
	driven bool
	chips  []spiChip // that it selects when low
}

var _ gpio.PinIO = (*pin)(nil)

func (p *pin) String() string                 { return p.name }
func (p *pin) Name() string                   { return p.name }
func (p *pin) Number() int                    { return p.number }
func (p *pin) Halt() error                    { return nil }
func (p *pin) WaitForEdge(time.Duration) bool { return false }
func (p *pin) Pull() gpio.Pull                { return gpio.PullUp }
func (p *pin) DefaultPull() gpio.Pull         { return gpio.PullUp }
func (p *pin) PWM(gpio.Duty, physic.Frequency) error {
	return fmt.Errorf("%s: PWM is not simulated", p.name)
}

// Function says what the pin does: "In/High", "Out/Low".
func (p *pin) Function() string {
	p.rig.mu.Lock()
	defer p.rig.mu.Unlock()
	way := "In/"
	if p.driven {
		way = "Out/"
	}
	return way + p.level.String()
}

// In makes the pin an input, which its pull-up holds high. Edges are not simulated.
func (p *pin) In(_ gpio.Pull, edge gpio.Edge) error {
	if edge != gpio.NoEdge {
		return fmt.Errorf("%s: edges are not simulated", p.name)
	}
	p.set(gpio.High, false)
	return nil
}

// Read returns the level on the pin.
func (p *pin) Read() gpio.Level {
	p.rig.mu.Lock()
	defer p.rig.mu.Unlock()
	return p.level
}

// Out drives the pin.
func (p *pin) Out(l gpio.Level) error {
	p.set(l, true)
	return nil
}

func (p *pin) set(l gpio.Level, driven bool) {
	r := p.rig
	now := r.now()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance(now)
	was := p.level
	p.level, p.driven = l, driven
	if r.opts.Interlock != "" && p == r.pins[strings.ToUpper(r.opts.Interlock)] {
		r.interlock(bool(!l) && driven)
	}
	if was == l {
		return
	}
	for _, c := range p.chips {
		if l == gpio.Low {
			if wake(c, now.Seconds()) == nil {
				c.fall()
			}
			c.common().selected = true
		} else {
			c.common().selected = false
			c.rise(now.Seconds())
		}
	}
}
