package ads1115

import (
	"context"
	"errors"
	"fmt"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/probe/internal/ads111x"
)

// Registers and configuration bits, data sheet SBAS444D, section 9.6.
const (
	sheet     = "ADS1115 data sheet SBAS444D"
	sheetQ    = "ADS1115-Q1 data sheet SBAS563"
	regData   = 0x00
	regConfig = 0x01
	ready     = 1 << 15 // OS: written, starts a conversion; read, 0 while it runs
	noCompare = 3       // comparator off
	powerOn   = 0x8583
)

// singles are the multiplexer's codes, bits 14:12, of pin 0 to 3 against ground.
var singles = [...]uint16{4, 5, 6, 7}

// Gains of the two kinds of input, bits 11:9.
const (
	coupleGain   = 5 << 9 // +-0.256 V
	couplePer    = 0.256 / (1 << 15)
	junctionGain = 2 << 9 // +-2.048 V
	junctionPer  = 2.048 / (1 << 15)
)

// Range of a cold junction that makes sense.
const coldMinC, coldMaxC = -40.0, 125.0

// part is how one chip is talked to.
type part struct {
	host     *bus.Host
	conn     bus.I2C
	rate     int
	coldZero int64   // code of the junction sensor at 0 degC
	coldPer  float64 // degC per code
	w        [3]byte
	r        [2]byte
}

var _ ads111x.Bus = (*part)(nil)

func (p *part) String() string { return p.conn.String() }

func (p *part) read16(ctx context.Context, reg byte) (uint16, error) {
	p.w[0], p.r = reg, [2]byte{}
	if err := p.conn.Tx(ctx, p.w[:1], p.r[:]); err != nil {
		return 0, fmt.Errorf("register %02Xh: %w", reg, err)
	}
	return uint16(p.r[0])<<8 | uint16(p.r[1]), nil
}

// Convert implements ads111x.Bus; it checks that the chip says it is done with this
// very setting.
func (p *part) Convert(ctx context.Context, cfg uint16) (int16, ads111x.Finding, error) {
	p.w = [3]byte{regConfig, byte((cfg | ready) >> 8), byte(cfg)}
	if err := p.conn.Tx(ctx, p.w[:], nil); err != nil {
		return 0, ads111x.Finding{}, fmt.Errorf("start a conversion: %w", err)
	}
	if err := p.host.Wait(ctx, ads111x.Conversion(p.rate)); err != nil {
		return 0, ads111x.Finding{}, err
	}
	got, err := p.read16(ctx, regConfig)
	if err != nil {
		return 0, ads111x.Finding{}, err
	}
	data, err := p.read16(ctx, regData)
	if err != nil {
		return 0, ads111x.Finding{}, err
	}
	return int16(data), judge(got, data, cfg), nil
}

// judge compares the configuration after a conversion with the one written.
func judge(got, data, cfg uint16) ads111x.Finding {
	switch {
	case got == 0xFFFF && data == 0xFFFF:
		return ads111x.Finding{Faults: drivers.NoChip, Cause: errors.New("32 one bits: the data line is held high")}
	case got == 0 && data == 0:
		return ads111x.Finding{Faults: drivers.NoChip, Cause: errors.New("32 zero bits: the data line is held low")}
	case got == powerOn:
		return ads111x.Finding{Faults: drivers.ConfigLost, Cause: errors.New("configuration reads 8583h, the power-on value: the supply was away during the conversion")}
	case got&^ready != cfg:
		return ads111x.Finding{Faults: drivers.ConfigLost, Cause: fmt.Errorf("configuration reads %04Xh, want %04Xh", got, cfg|ready)}
	case got&ready == 0:
		return ads111x.Finding{Faults: drivers.Stale, Cause: errors.New("the conversion had not ended in its longest time; the register holds the one before, perhaps of another input")}
	}
	return ads111x.Finding{}
}

// Cold implements ads111x.Bus: the analog sensor's code above that of 0 degC.
func (p *part) Cold(code int16) ads111x.Cold {
	c := ads111x.Cold{Code: int64(code) - p.coldZero}
	c.DegC = float64(c.Code) * p.coldPer
	if c.DegC < coldMinC || c.DegC > coldMaxC || code == ads111x.RailHigh || code == ads111x.RailLow {
		c.Cause = fmt.Errorf("cold junction %.2f degC (code %d): outside %g to %g degC; is its sensor connected", c.DegC, code, coldMinC, coldMaxC)
	}
	return c
}

// Found implements ads111x.Bus.
func (p *part) Found(ctx context.Context) (string, error) {
	cfg, err := p.read16(ctx, regConfig)
	return fmt.Sprintf("configuration found %04X, ", cfg), err
}

// Close implements ads111x.Bus.
func (p *part) Close() error { return p.conn.Close() }
