package ads1118

import (
	"context"
	"errors"
	"fmt"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/probe/internal/ads111x"
)

// Configuration register, data sheet SBAS457F, table 7.
const (
	sheet     = "ADS1118 data sheet SBAS457F"
	start     = 1 << 15 // single shot; reads 0
	sensor    = 1 << 4  // the chip's own temperature instead of the input
	pullUp    = 1 << 3
	nop       = 3 << 1
	validNOP  = 1 << 1 // bits 2:1 = 01, otherwise the word is not taken
	alwaysOne = 1
	powerOn   = 0x058B
	coldPer   = 0.03125 // degC per code of the 14-bit temperature
	coldMinC  = -40.0
	coldMaxC  = 125.0
)

// readBack is what the chip shows for a configuration that was written.
func readBack(cfg uint16) uint16 { return cfg&^start | alwaysOne }

// word is what a transfer of 32 bits brings: a conversion and the configuration.
type word struct {
	data int16
	cfg  uint16
}

var (
	errLow  = errors.New("32 zero bits: no chip, no supply, or the data line is held low")
	errHigh = errors.New("32 one bits: no chip, or the data line is held high")
)

// presence judges a word against the configuration that the conversion had.
func (w word) presence(cfg uint16) (drivers.Faults, error) {
	want := readBack(cfg)
	switch {
	case w.data == 0 && w.cfg == 0:
		return drivers.NoChip, errLow
	case w.data == -1 && w.cfg == 0xFFFF:
		return drivers.NoChip, errHigh
	case w.cfg == want:
		return 0, nil
	case w.cfg == powerOn:
		return drivers.ConfigLost, fmt.Errorf("configuration reads 058Bh, the power-on value: the supply was away between start and end of the conversion")
	case w.cfg&alwaysOne == 0 || w.cfg&start != 0 || w.cfg&nop != validNOP:
		return drivers.Corrupt, fmt.Errorf("configuration reads %04Xh: bit 15 must be zero and bits 2 to 0 011: shifted or disturbed transfer", w.cfg)
	}
	return drivers.ConfigLost, fmt.Errorf("configuration reads %04Xh, want %04Xh", w.cfg, want)
}

// part is how one chip is talked to.
type part struct {
	host *bus.Host
	spi  bus.SPI
	rate int
	w, r [4]byte
}

var _ ads111x.Bus = (*part)(nil)

func (p *part) String() string { return p.spi.String() }

// transfer sends a configuration word (or zero, which the chip does not take) and
// returns the last conversion with the configuration that stands.
func (p *part) transfer(ctx context.Context, cfg uint16) (word, error) {
	p.w = [4]byte{byte(cfg >> 8), byte(cfg)}
	if err := p.spi.Tx(ctx, p.w[:], p.r[:]); err != nil {
		return word{}, err
	}
	return word{int16(uint16(p.r[0])<<8 | uint16(p.r[1])), uint16(p.r[2])<<8 | uint16(p.r[3])}, nil
}

// Convert implements ads111x.Bus. The fetch shows the configuration that the
// conversion was made with: thus a word never belongs to another input.
func (p *part) Convert(ctx context.Context, cfg uint16) (int16, ads111x.Finding, error) {
	if _, err := p.transfer(ctx, cfg|start); err != nil {
		return 0, ads111x.Finding{}, err
	}
	if err := p.host.Wait(ctx, ads111x.Conversion(p.rate)); err != nil {
		return 0, ads111x.Finding{}, err
	}
	w, err := p.transfer(ctx, 0)
	if err != nil {
		return 0, ads111x.Finding{}, err
	}
	f, cause := w.presence(cfg)
	return w.data, ads111x.Finding{Faults: f, Cause: cause}, nil
}

// Cold implements ads111x.Bus: 14 bits, left justified.
func (p *part) Cold(code int16) ads111x.Cold {
	c := ads111x.Cold{Code: int64(code >> 2), DegC: float64(code>>2) * coldPer}
	if c.DegC < coldMinC || c.DegC > coldMaxC {
		c.Cause = fmt.Errorf("cold junction %.3f degC: outside the part's %g to %g degC", c.DegC, coldMinC, coldMaxC)
	}
	return c
}

// Found implements ads111x.Bus.
func (p *part) Found(ctx context.Context) (string, error) {
	w, err := p.transfer(ctx, 0)
	return fmt.Sprintf("configuration found %04X, ", w.cfg), err
}

// Close implements ads111x.Bus.
func (p *part) Close() error { return p.spi.Close() }
