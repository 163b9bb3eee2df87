package bus

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// I2C opens one chip. The bus behind it is opened once and shared; its clock is
// brought down to what the slowest chip takes where the system allows it, and a
// bus that is known to run faster than the chip takes is refused.
func (h *Host) I2C(o I2COptions) (I2C, error) {
	switch {
	case o.Port == "":
		return nil, errors.New("I2C port: none given; name one, for instance I2C1")
	case o.Address < 0x08 || o.Address > 0x77:
		return nil, fmt.Errorf("%s: address %#02x: must be 0x08 to 0x77", o.Port, o.Address)
	}
	o.Port = canonical(o.Port)
	key := fmt.Sprintf("chip %s %#02x", o.Port, o.Address)
	if err := h.claim(key, o.For, fmt.Sprintf("%s and %s are both at address %#02x on %s; two chips can't share an address",
		orNobody(h.holder(key)), orNobody(o.For), o.Address, o.Port)); err != nil {
		return nil, err
	}
	chip := &i2cChip{host: h, opts: o, claim: key}
	if err := chip.open(); err != nil {
		h.unclaim(key)
		return nil, err
	}
	return chip, nil
}

// i2cPort is one opened bus.
type i2cPort struct {
	name  string
	owner *owner
	refs  int // guarded by Host.mu

	// Guarded by the owner's token.
	bus   i2c.BusCloser
	limit physic.Frequency
	lost  bool
	stamp string
}

type i2cChip struct {
	host   *Host
	opts   I2COptions
	claim  string
	port   *i2cPort
	closed atomic.Bool
}

func (c *i2cChip) String() string {
	return fmt.Sprintf("%s address %#02x", c.opts.Port, c.opts.Address)
}

func (c *i2cChip) open() error {
	h, o := c.host, c.opts
	if adviser, ok := h.ports.(I2CAdviser); ok {
		clock, holder := adviser.AdviseI2C(o.Port, o.Address)
		if holder != "" {
			return fmt.Errorf("%s: the kernel driver %s has this chip; read it through the kernel (driver iio), or unbind it", c, holder)
		}
		if o.Max != 0 && clock > o.Max {
			return fmt.Errorf("%s: the bus runs at %s, this chip takes at most %s; lower the bus clock in the system's device tree settings", c, clock, o.Max)
		}
	}
	own, err := h.ownerOf(o.Port)
	if err != nil {
		return err
	}
	h.mu.Lock()
	p := h.i2c[o.Port]
	if p == nil {
		p = &i2cPort{name: o.Port, owner: own}
		h.i2c[o.Port] = p
	}
	p.refs++
	h.mu.Unlock()
	c.port = p
	if err := own.acquire(context.Background()); err != nil {
		return errors.Join(fmt.Errorf("%s: %w", c, err), h.dropI2C(p))
	}
	if p.bus == nil {
		err = h.openBus(p)
	}
	if err == nil && o.Max != 0 && (p.limit == 0 || o.Max < p.limit) {
		p.limit = o.Max
		// Linux can't change the clock of a running bus, so a refusal is normal;
		// what is known about the clock was checked above.
		_ = p.bus.SetSpeed(p.limit)
	}
	own.release()
	if err != nil {
		return errors.Join(err, h.dropI2C(p))
	}
	return nil
}

// openBus opens the bus behind p; the token is held.
func (h *Host) openBus(p *i2cPort) error {
	b, err := h.ports.I2C(p.name)
	if err != nil {
		return h.openError("i2c", p.name, err)
	}
	p.bus, p.lost = b, false
	p.stamp = h.stamp(p.name)
	return nil
}

// Tx writes w, then reads r after a repeated start.
func (c *i2cChip) Tx(ctx context.Context, w, r []byte) error {
	if len(w) == 0 && len(r) == 0 {
		return fmt.Errorf("%s: a transfer of no bytes", c)
	}
	if c.closed.Load() {
		return fmt.Errorf("%s: %w", c, ErrClosed)
	}
	o := c.port.owner
	if err := o.acquire(ctx); err != nil {
		return fmt.Errorf("%s: wait for the bus: %w", c, err)
	}
	if c.closed.Load() {
		o.release()
		return fmt.Errorf("%s: %w", c, ErrClosed)
	}
	if err := o.do(ctx, c, w, r); err != nil {
		return fmt.Errorf("%s: write %d, read %d bytes: %w", c, len(w), len(r), err)
	}
	return nil
}

// exchange runs in the owner's worker.
func (c *i2cChip) exchange(w, r []byte) error {
	p := c.port
	if p.lost || p.bus == nil {
		if p.bus != nil {
			_ = p.bus.Close() // of a device that is gone: nothing to learn from it
			p.bus = nil
		}
		if err := c.host.openBus(p); err != nil {
			return fmt.Errorf("open again after the device was lost: %w", err)
		}
	}
	err := p.bus.Tx(c.opts.Address, w, r)
	if err != nil && vanished(err, p.stamp, c.host.stamp, p.name) {
		p.lost = true
	}
	return err
}

// Close gives the address back, and closes the bus with its last chip.
func (c *i2cChip) Close() error {
	if c.closed.Swap(true) {
		return nil
	}
	err := c.host.dropI2C(c.port)
	c.host.unclaim(c.claim)
	return err
}

func (h *Host) dropI2C(p *i2cPort) error {
	h.mu.Lock()
	p.refs--
	last := p.refs == 0
	if last && h.i2c[p.name] == p && !h.closed {
		delete(h.i2c, p.name)
	}
	h.mu.Unlock()
	if !last {
		return nil
	}
	return p.owner.shut(p.closeBus)
}

// closeBus closes the bus once; the token is held.
func (p *i2cPort) closeBus() error {
	if p.bus == nil {
		return nil
	}
	b := p.bus
	p.bus = nil
	if err := b.Close(); err != nil {
		return fmt.Errorf("%s: close: %w", p.name, err)
	}
	return nil
}
