package drivertest

import (
	"fmt"
	"sync"
	"syscall"

	"periph.io/x/conn/v3/physic"
)

// I2CChip answers transfers at its address: w first, then r after a repeated start.
type I2CChip interface {
	Tx(w, r []byte) error
}

// I2CFunc is an I2CChip of one function.
type I2CFunc func(w, r []byte) error

// Tx implements I2CChip.
func (f I2CFunc) Tx(w, r []byte) error { return f(w, r) }

// I2CBus is a fake I2C bus.
type I2CBus struct {
	ports *Ports
	name  string

	// Guarded by ports.mu.
	chips   map[uint16]I2CChip
	openErr error
	repeat  bool
	stuck   bool
	level   byte
	speed   physic.Frequency
}

// Attach puts a chip at an address; nil takes it off.
func (b *I2CBus) Attach(address uint16, c I2CChip) *I2CBus {
	b.lock(func() {
		if c == nil {
			delete(b.chips, address)
		} else {
			b.chips[address] = c
		}
	})
	return b
}

// RefuseOpen makes opening the bus fail; nil ends it.
func (b *I2CBus) RefuseOpen(err error) *I2CBus { b.lock(func() { b.openErr = err }); return b }

// RepeatBytes makes every read repeat its first byte, as a controller does that
// ignores clock stretching.
func (b *I2CBus) RepeatBytes() *I2CBus { b.lock(func() { b.repeat = true }); return b }

// Stick makes every read return level in every byte, with acknowledge, as a stuck
// data line can.
func (b *I2CBus) Stick(level byte) *I2CBus {
	b.lock(func() { b.stuck, b.level = true, level })
	return b
}

// Speed returns what SetSpeed was last called with.
func (b *I2CBus) Speed() (f physic.Frequency) { b.lock(func() { f = b.speed }); return f }

func (b *I2CBus) lock(f func()) {
	b.ports.mu.Lock()
	defer b.ports.mu.Unlock()
	f()
}

type i2cHandle struct {
	bus    *I2CBus
	closed bool // guarded by bus.ports.mu
}

func (h *i2cHandle) String() string { return h.bus.name }

func (h *i2cHandle) SetSpeed(f physic.Frequency) error {
	h.bus.lock(func() { h.bus.speed = f })
	return nil
}

func (h *i2cHandle) Close() error {
	h.bus.ports.mu.Lock()
	defer h.bus.ports.mu.Unlock()
	if h.closed {
		panic("fake bus " + h.bus.name + ": closed a second time")
	}
	h.closed = true
	h.bus.ports.closes++
	return nil
}

func (h *i2cHandle) Tx(address uint16, w, r []byte) error {
	ports := h.bus.ports
	err := ports.begin()
	ports.mu.Lock()
	if h.closed {
		ports.mu.Unlock()
		panic("fake bus " + h.bus.name + ": transfer after Close")
	}
	chip, repeat, stuck, level := h.bus.chips[address], h.bus.repeat, h.bus.stuck, h.bus.level
	ports.mu.Unlock()
	switch {
	case err != nil:
	case stuck:
		for i := range r {
			r[i] = level
		}
	case chip == nil:
		err = fmt.Errorf("no acknowledge: %w", syscall.ENXIO)
	default:
		err = chip.Tx(w, r)
	}
	if err == nil && repeat {
		for i := range r {
			r[i] = r[0]
		}
	}
	if !ports.isQuiet() {
		ports.end(Transfer{Port: h.bus.name, Address: address, W: w, R: r, Err: err})
	}
	return err
}

// Registers is a chip with a pointer byte and registers of one or more bytes
// each: a write sets the pointer and, with more bytes, the register; a read
// returns the register that the pointer names.
type Registers struct {
	mu      sync.Mutex
	regs    map[byte][]byte
	pointer byte
	onWrite func(reg byte, value []byte)
	onRead  func(reg byte)
}

// NewRegisters returns a chip whose registers hold the given bytes. Other
// registers read 0xFF.
func NewRegisters(regs map[byte][]byte) *Registers {
	c := &Registers{regs: map[byte][]byte{}}
	for k, v := range regs {
		c.regs[k] = append([]byte(nil), v...)
	}
	return c
}

// Set changes a register.
func (c *Registers) Set(reg byte, value ...byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.regs[reg] = append(c.regs[reg][:0], value...)
}

// Or sets bits in the last byte of a register.
func (c *Registers) Or(reg, bits byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if v := c.regs[reg]; len(v) > 0 {
		v[len(v)-1] |= bits
	}
}

// Get returns a register.
func (c *Registers) Get(reg byte) []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]byte(nil), c.regs[reg]...)
}

// OnWrite is called for each write after it was stored; it may call nothing of c.
func (c *Registers) OnWrite(f func(reg byte, value []byte)) { c.onWrite = f }

// OnRead is called before each read; it may call Set.
func (c *Registers) OnRead(f func(reg byte)) { c.onRead = f }

// Tx implements I2CChip.
func (c *Registers) Tx(w, r []byte) error {
	if len(w) > 0 {
		c.mu.Lock()
		c.pointer = w[0]
		if len(w) > 1 {
			c.regs[w[0]] = append(c.regs[w[0]][:0], w[1:]...)
			if c.onWrite != nil {
				c.onWrite(w[0], w[1:])
			}
		}
		c.mu.Unlock()
	}
	if len(r) == 0 {
		return nil
	}
	if c.onRead != nil {
		c.onRead(c.pointer)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	v := c.regs[c.pointer]
	for i := range r {
		r[i] = 0xFF
		if i < len(v) {
			r[i] = v[i]
		}
	}
	return nil
}
