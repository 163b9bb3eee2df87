package bus

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"syscall"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// SPI opens one chip. The port behind it is opened and connected once and shared
// by every chip that a GPIO pin or a decoder selects; those agree in mode and word
// length, and the slowest of them sets the clock. The port's own chip select serves
// one chip, or enables one decoder, and then no GPIO select may be used on the same
// port: the kernel would select that chip during every transfer.
func (h *Host) SPI(o SPIOptions) (SPI, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	o.Port = canonical(o.Port)
	if o.Bits == 0 {
		o.Bits = 8
	}
	var err error
	if o.decoder, err = ParseSelect(o.Select); err != nil {
		return nil, fmt.Errorf("%s: %w", o.Port, err)
	}
	claims, err := h.claimSelect(o)
	if err != nil {
		return nil, err
	}
	chip := &spiChip{host: h, claims: claims, opts: o}
	if err := chip.open(); err != nil {
		chip.unclaim()
		return nil, err
	}
	return chip, nil
}

// unclaim gives back what claimSelect took.
func (c *spiChip) unclaim() {
	for _, key := range c.claims {
		c.host.unclaim(key)
	}
	if c.opts.decoder != nil {
		c.host.leaveDecoder(c.opts.Port, c.opts.decoder)
	}
}

// byKernel says that the port's own chip select is to be driven.
func (o SPIOptions) byKernel() bool {
	return o.Select == "" || o.decoder != nil && o.decoder.Enable == ""
}

func (o SPIOptions) check() error {
	switch {
	case o.Port == "":
		return errors.New("SPI port: none given; name one, for instance SPI0.0")
	case o.Max < 100*physic.Hertz || o.Max > physic.GigaHertz:
		return fmt.Errorf("%s: clock limit %s: must be 100 Hz to 1 GHz", o.Port, o.Max)
	case o.Mode&^spi.Mode3 != 0:
		return fmt.Errorf("%s: mode %d: must be 0 to 3", o.Port, o.Mode)
	case o.Bits < 0 || o.Bits > 32:
		return fmt.Errorf("%s: %d bits per word: must be 1 to 32", o.Port, o.Bits)
	}
	return nil
}

// where names the chip's place: port, and pin if one selects it.
func (o SPIOptions) where() string {
	if o.Select == "" {
		return o.Port
	}
	return o.Port + " select " + o.Select
}

// claimSelect takes the chip select, and the right to use the port in this way.
func (h *Host) claimSelect(o SPIOptions) ([]string, error) {
	own, shared := "select "+o.Port, "carrier "+o.Port
	if o.decoder != nil {
		return h.claimDecoder(o, o.decoder)
	}
	if o.Select == "" {
		if err := h.claim(own, o.For, fmt.Sprintf("%s and %s are both on chip select %s; give one of them another port or select pin",
			orNobody(h.holder(own)), orNobody(o.For), o.Port)); err != nil {
			return nil, err
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		if who, used := h.claims[shared]; used {
			delete(h.claims, own)
			return nil, mixedSelect(o.Port, o.For, who)
		}
		return []string{own}, nil
	}
	pin := "pin " + strings.ToUpper(o.Select)
	if err := h.claim(pin, o.For, fmt.Sprintf("%s and %s are both on select pin %s; give one of them another pin",
		orNobody(h.holder(pin)), orNobody(o.For), o.Select)); err != nil {
		return nil, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if who, used := h.claims[own]; used {
		delete(h.claims, pin)
		return nil, mixedSelect(o.Port, who, o.For)
	}
	if _, used := h.claims[shared]; !used {
		h.claims[shared] = o.For
	}
	return []string{pin}, nil
}

func mixedSelect(port, ownUser, pinUser string) error {
	return fmt.Errorf("%s uses the chip select of %s itself, and %s a GPIO pin on the same port: the kernel would select both chips at once; "+
		"put GPIO-selected chips on a port whose own chip select serves no chip, or select every chip of this port by GPIO",
		orNobody(ownUser), port, orNobody(pinUser))
}

// spiPort is one opened port, shared by the chips that GPIO pins select.
type spiPort struct {
	name  string
	owner *owner
	refs  int // guarded by Host.mu

	// Guarded by the owner's token.
	port  spi.PortCloser // nil after closeAll, or while it could not be opened again
	conn  spi.Conn
	mode  spi.Mode
	bits  int
	noCS  bool // ask for no chip select of the port's own
	limit physic.Frequency
	lost  bool // the device node vanished: open again before the next transfer
	stamp string
	held  []selection // what could not be released: nothing may be sent before
}

// spiChip is one chip: a port and, perhaps, a pin.
type spiChip struct {
	host   *Host
	opts   SPIOptions
	claims []string
	port   *spiPort
	sel    selection // nil: the port's own chip select
	closed atomic.Bool
}

func (c *spiChip) String() string { return c.opts.where() }

// open finds or opens the port, and claims the pin.
func (c *spiChip) open() error {
	h, o := c.host, c.opts
	own, err := h.ownerOf(o.Port)
	if err != nil {
		return err
	}
	h.mu.Lock()
	p := h.spi[o.Port]
	if p == nil {
		p = &spiPort{name: o.Port, owner: own, mode: o.Mode, bits: o.Bits, noCS: !o.byKernel()}
		h.spi[o.Port] = p
	}
	p.refs++
	h.mu.Unlock()
	c.port = p
	if err := own.acquire(context.Background()); err != nil {
		h.dropSPI(p)
		return fmt.Errorf("%s: %w", o.where(), err)
	}
	err = c.openHeld()
	own.release()
	if err != nil {
		return errors.Join(err, h.dropSPI(p))
	}
	return nil
}

// openHeld does open's work while the token is held.
func (c *spiChip) openHeld() error {
	h, o, p := c.host, c.opts, c.port
	if p.mode != o.Mode || p.bits != o.Bits {
		return fmt.Errorf("%s: %s wants SPI mode %d with %d bits, other chips on the same port mode %d with %d bits; "+
			"chips of different modes need different ports", o.where(), orNobody(o.For), o.Mode, o.Bits, p.mode, p.bits)
	}
	var err error
	if c.sel, err = h.openSelect(o); err != nil {
		return err
	}
	err = p.lower(o.Max)
	if err == nil && p.port == nil {
		err = h.connect(p)
	}
	if err == nil {
		err = p.notItsOwn(o)
	}
	if err != nil && c.sel != nil {
		err = errors.Join(err, c.sel.release())
	}
	return err
}

// lower brings the port's clock down to what one more chip can take.
func (p *spiPort) lower(max physic.Frequency) error {
	if p.limit != 0 && p.limit <= max {
		return nil
	}
	p.limit = max
	if p.port == nil {
		return nil
	}
	if err := p.port.LimitSpeed(max); err != nil {
		return fmt.Errorf("%s: limit the clock to %s: %w", p.name, max, err)
	}
	return nil
}

// notItsOwn refuses a select pin that the port's controller drives by itself.
func (p *spiPort) notItsOwn(o SPIOptions) error {
	pins, ok := p.port.(spi.Pins)
	if !ok || o.Select == "" {
		return nil
	}
	used := []string{o.Select}
	if o.decoder != nil {
		used = o.decoder.pins()
	}
	for _, pin := range used {
		if cs := pins.CS(); cs != nil && cs != gpio.INVALID && strings.EqualFold(cs.Name(), pin) {
			return fmt.Errorf("%s: pin %s is driven by the SPI controller as the chip select of %s; use another pin", o.where(), pin, p.name)
		}
	}
	return nil
}

// connect opens the port and sets mode, clock and word length. A controller that
// can't leave its own chip select alone is used with it.
func (h *Host) connect(p *spiPort) error {
	port, conn, err := h.connectAs(p, p.noCS)
	if err != nil && p.noCS && errors.Is(err, syscall.EINVAL) {
		port, conn, err = h.connectAs(p, false)
	}
	if err != nil {
		return err
	}
	p.port, p.conn, p.lost = port, conn, false
	p.stamp = h.stamp(p.name)
	return nil
}

func (h *Host) connectAs(p *spiPort, noCS bool) (spi.PortCloser, spi.Conn, error) {
	port, err := h.ports.SPI(p.name)
	if err != nil {
		return nil, nil, h.openError("spi", p.name, err)
	}
	mode := p.mode
	if noCS {
		mode |= spi.NoCS
	}
	conn, err := port.Connect(p.limit, mode, p.bits)
	if err == nil {
		return port, conn, nil
	}
	err = fmt.Errorf("%s: set SPI mode %d, %s, %d bits: %w", p.name, p.mode, p.limit, p.bits, err)
	if !noCS && p.mode&spi.Mode1 != 0 && errors.Is(err, syscall.EINVAL) {
		err = fmt.Errorf("%w; this controller can't shift on the second clock edge (auxiliary SPI controllers can't): "+
			"attach chips of mode 1 or 3 to the main controller, here only chips of mode 0", err)
	}
	return nil, nil, errors.Join(err, port.Close())
}

// Tx carries out one transfer with chip select active.
func (c *spiChip) Tx(ctx context.Context, w, r []byte) error {
	if len(w) != 0 && len(r) != 0 && len(w) != len(r) {
		return fmt.Errorf("%s: %d bytes to write and %d to read: must be equal, or one of them none", c, len(w), len(r))
	}
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
		return fmt.Errorf("%s: transfer of %d bytes: %w", c, max(len(w), len(r)), err)
	}
	return nil
}

// exchange runs in the owner's worker.
func (c *spiChip) exchange(w, r []byte) error {
	p := c.port
	if p.lost || p.conn == nil {
		if err := p.reopen(c.host); err != nil {
			return err
		}
	}
	if err := p.releaseHeld(); err != nil {
		return err
	}
	if c.sel == nil {
		return p.note(c.host, p.conn.Tx(w, r))
	}
	if err := c.sel.on(); err != nil {
		return errors.Join(fmt.Errorf("select by %s: %w", c.sel, err), p.deselect(c.sel))
	}
	err := p.note(c.host, p.conn.Tx(w, r))
	if off := p.deselect(c.sel); off != nil {
		return errors.Join(err, off)
	}
	return err
}

// deselect takes a selection back. One that stays is kept on a list: as long as its
// chip may be selected, no transfer on this port means anything.
func (p *spiPort) deselect(sel selection) error {
	err := sel.off()
	if err == nil {
		return nil
	}
	p.held = append(p.held, sel)
	return fmt.Errorf("release select %s: %w", sel, err)
}

func (p *spiPort) releaseHeld() error {
	for len(p.held) > 0 {
		if err := p.held[len(p.held)-1].off(); err != nil {
			return fmt.Errorf("another chip on %s is still selected and can't be released: %w", p.name, err)
		}
		p.held = p.held[:len(p.held)-1]
	}
	return nil
}

// note remembers whether err says that the device behind the port is gone.
func (p *spiPort) note(h *Host, err error) error {
	if err != nil && vanished(err, p.stamp, h.stamp, p.name) {
		p.lost = true
	}
	return err
}

// reopen opens a port again whose device node vanished.
func (p *spiPort) reopen(h *Host) error {
	if p.port != nil {
		_ = p.port.Close() // of a device that is gone: nothing to learn from it
		p.port, p.conn = nil, nil
	}
	if err := h.connect(p); err != nil {
		return fmt.Errorf("open again after the device was lost: %w", err)
	}
	return nil
}

// Close gives the chip select back, and closes the port with its last chip.
func (c *spiChip) Close() error {
	if c.closed.Swap(true) {
		return nil
	}
	var err error
	if c.sel != nil {
		err = c.port.owner.shut(c.sel.release)
		if err != nil {
			err = fmt.Errorf("%s: %w", c, err)
		}
	}
	err = errors.Join(err, c.host.dropSPI(c.port))
	c.unclaim()
	return err
}

// dropSPI gives one use of a port back and closes it with the last one.
func (h *Host) dropSPI(p *spiPort) error {
	h.mu.Lock()
	p.refs--
	last := p.refs == 0
	if last && h.spi[p.name] == p && !h.closed {
		delete(h.spi, p.name)
		delete(h.claims, "carrier "+p.name)
	}
	h.mu.Unlock()
	if !last {
		return nil
	}
	return p.owner.shut(p.closeAll)
}

// closeAll closes the port once; the token is held.
func (p *spiPort) closeAll() error {
	if p.port == nil {
		return nil
	}
	port := p.port
	p.port, p.conn = nil, nil
	if err := port.Close(); err != nil {
		return fmt.Errorf("%s: close: %w", p.name, err)
	}
	return nil
}
