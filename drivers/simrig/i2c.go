package simrig

import (
	"errors"
	"fmt"
	"syscall"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// wire is one I2C bus. Its fields are guarded by the rig's lock.
type wire struct {
	name  string
	chips map[uint16]i2cChip
	hz    physic.Frequency // zero: as slow as every chip wants it
}

// i2cBus is an open bus.
type i2cBus struct {
	rig    *Rig
	wire   *wire
	closed bool
}

var _ i2c.BusCloser = (*i2cBus)(nil)

func (b *i2cBus) String() string { return b.wire.name }

// Close lets go of the bus. Transfers afterwards fail; a second Close does nothing.
func (b *i2cBus) Close() error {
	b.rig.mu.Lock()
	defer b.rig.mu.Unlock()
	b.closed = true
	return nil
}

// SetSpeed sets the clock for everybody on the bus.
func (b *i2cBus) SetSpeed(f physic.Frequency) error {
	if f < 100*physic.Hertz || f > 5*physic.MegaHertz {
		return fmt.Errorf("%s: invalid speed %s", b.wire.name, f)
	}
	b.rig.mu.Lock()
	defer b.rig.mu.Unlock()
	b.wire.hz = f
	return nil
}

// errNoAck is the kernel's word for an address that nobody acknowledged.
var errNoAck = error(syscall.ENXIO)

// Tx writes w, then reads r. A chip that is not there, or that is clocked faster
// than it can, does not acknowledge.
func (b *i2cBus) Tx(addr uint16, w, r []byte) error {
	rig := b.rig
	now := rig.now()
	rig.mu.Lock()
	defer rig.mu.Unlock()
	if b.closed || rig.closed {
		return errClosed("transfer on " + b.wire.name)
	}
	rig.advance(now)
	c := b.wire.chips[addr]
	err := errAbsent
	if c != nil && b.wire.hz <= c.fastest() {
		err = wake(c, now.Seconds())
	}
	switch {
	case errors.Is(err, errAbsent):
		return fmt.Errorf("%s: address %#x: no acknowledgement: %w", b.wire.name, addr, errNoAck)
	case err != nil:
		return fmt.Errorf("%s: address %#x: transfer: %w", b.wire.name, addr, err)
	}
	c.tx(now.Seconds(), w, r)
	for _, f := range c.common().faults {
		if f.kind == faultRepeatByte && f.active(now.Seconds()) {
			for i := range r {
				r[i] = r[0]
			}
		}
	}
	return nil
}
