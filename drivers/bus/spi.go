package bus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// SPI opens one chip. The port behind it is shared by the chip on its own chip select
// (or by a decoder that this select enables) and by every chip that a GPIO pin or a
// decoder of its own enable selects; those agree in mode and word length, and the
// slowest of them sets the clock. Where both kinds sit on one port, the port is
// connected anew whenever the use changes, since a connection either drives the port's
// own select in every transfer or in none; that needs a controller that can leave it
// alone, and others are refused.
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
	if o.decoder != nil {
		return h.claimDecoder(o, o.decoder)
	}
	key, on, other := "select "+o.Port, "chip select "+o.Port, "port or select pin"
	if o.Select != "" {
		key, on, other = "pin "+strings.ToUpper(o.Select), "select pin "+o.Select, "pin"
	}
	if err := h.claim(key, o.For, fmt.Sprintf("%s and %s are both on %s; give one of them another %s",
		orNobody(h.holder(key)), orNobody(o.For), on, other)); err != nil {
		return nil, err
	}
	return []string{key}, nil
}

// mixedSelect refuses a chip on the port's own select beside one that a GPIO selects;
// cause is how the controller refused to leave its own select alone.
func mixedSelect(port, ownUser, pinUser string, cause error) error {
	return fmt.Errorf("%s uses the chip select of %s itself, and %s a GPIO pin on the same port: the kernel would select both chips at once, "+
		"since this controller can't leave its own chip select alone (%w); "+
		"put GPIO-selected chips on a port whose own chip select serves no chip, or select every chip of this port by GPIO",
		orNobody(ownUser), port, orNobody(pinUser), cause)
}

// spiPort is one opened port, shared by its chips.
type spiPort struct {
	name  string
	owner *owner
	chips []*spiChip // open or about to be; guarded by Host.mu

	// Guarded by the owner's token.
	port    spi.PortCloser // nil after closeAll, or while it could not be opened again
	conn    spi.Conn
	mode    spi.Mode
	bits    int
	noCS    bool  // conn leaves the port's own chip select alone
	refused error // how the controller refused that; then no open chip is on the own select
	limit   physic.Frequency
	lost    bool // the device node vanished: open again before the next transfer
	stamp   string
	held    []selection // what could not be released: nothing may be sent before
}

// spiChip is one chip: a port and, perhaps, a pin.
type spiChip struct {
	host   *Host
	opts   SPIOptions
	claims []string
	port   *spiPort
	sel    selection // nil: the port's own chip select
	opened bool      // guarded by Host.mu
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
		p = &spiPort{name: o.Port, owner: own, mode: o.Mode, bits: o.Bits}
		h.spi[o.Port] = p
	}
	p.chips = append(p.chips, c)
	h.mu.Unlock()
	c.port = p
	if err := own.acquire(context.Background()); err != nil {
		h.dropSPI(c)
		return fmt.Errorf("%s: %w", o.where(), err)
	}
	err = c.openHeld()
	own.release()
	if err != nil {
		return errors.Join(err, h.dropSPI(c))
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
	if err == nil {
		err = c.join()
	}
	if err == nil {
		err = c.ready()
	}
	if err == nil {
		err = p.notItsOwn(o)
	}
	if err != nil && c.sel != nil {
		return errors.Join(err, c.sel.release())
	}
	h.mu.Lock()
	c.opened = err == nil
	h.mu.Unlock()
	return err
}

// rival is an open chip of the port that is selected in the other way than c: by the
// port's own chip select, or not; nil: there is none.
func (c *spiChip) rival() *spiChip {
	c.host.mu.Lock()
	defer c.host.mu.Unlock()
	for _, other := range c.port.chips {
		if other.opened && other.opts.byKernel() != c.opts.byKernel() {
			return other
		}
	}
	return nil
}

// join refuses the port's own chip select while it falls in the transfers of others.
func (c *spiChip) join() error {
	p := c.port
	if p.refused == nil || !c.opts.byKernel() {
		return nil
	}
	if other := c.rival(); other != nil {
		return mixedSelect(p.name, c.opts.For, other.opts.For, p.refused)
	}
	p.refused = nil
	return nil
}

// ready connects the port as this chip's transfers need it, unless it is already.
func (c *spiChip) ready() error {
	p, own := c.port, c.opts.byKernel()
	if p.conn != nil && !p.lost && (p.noCS != own || p.refused != nil) {
		return nil
	}
	lost := p.lost
	if err := p.closeAll(); err != nil && !lost { // of a device that is gone there is nothing to learn from it
		return err
	}
	return c.connect()
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
// can't leave its own chip select alone is used with it, as long as no chip sits there.
func (c *spiChip) connect() error {
	h, p, noCS := c.host, c.port, !c.opts.byKernel()
	port, conn, err := h.connectAs(p, noCS)
	var refused error
	if noCS && errors.Is(err, syscall.EINVAL) {
		if other := c.rival(); other != nil {
			return mixedSelect(p.name, other.opts.For, c.opts.For, err)
		}
		noCS, refused = false, err
		port, conn, err = h.connectAs(p, false)
	}
	if err != nil {
		return err
	}
	p.port, p.conn, p.lost = port, conn, false
	p.noCS, p.refused = noCS, refused
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
	without := ""
	if noCS {
		without = ", no chip select of its own"
	}
	err = fmt.Errorf("%s: set SPI mode %d%s, %s, %d bits: %w", p.name, p.mode, without, p.limit, p.bits, err)
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
	lost := p.lost
	if err := c.ready(); err != nil {
		if lost {
			return fmt.Errorf("open again after the device was lost: %w", err)
		}
		return fmt.Errorf("connect the port anew: %w", err)
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
	err = errors.Join(err, c.host.dropSPI(c))
	c.unclaim()
	return err
}

// dropSPI takes a chip off its port, and closes the port with the last one.
func (h *Host) dropSPI(c *spiChip) error {
	p := c.port
	h.mu.Lock()
	p.chips = slices.DeleteFunc(p.chips, func(other *spiChip) bool { return other == c })
	last := len(p.chips) == 0
	if last && h.spi[p.name] == p && !h.closed {
		delete(h.spi, p.name)
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
