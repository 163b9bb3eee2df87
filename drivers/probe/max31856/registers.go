package max31856

import (
	"bytes"
	"errors"
	"fmt"
	"time"

	"soakrig/drivers"
)

// Registers, data sheet 19-7534 rev 0, table 6. Reads start at the address, writes
// at the address plus 80h; both count up.
const (
	regCR0            = 0x00
	regCJTO           = 0x09 // offset of the cold junction, already in regCJ; soakd wants none
	regCJ             = 0x0A
	regTC             = 0x0C
	regSR             = 0x0F
	regCount          = 16
	writeBit          = 0x80
	cr0Auto           = 0x80
	cr0Hz50           = 0x01
	maskNothingPinned = 0xFF // no fault drives the FAULT pin; the status register shows them all
)

// The two cold-junction thresholds serve as sentinels: they hold values that no
// power-on leaves there (7Fh and C0h), so that a brown-out shows even though the
// power-on type is K.
const (
	sentinelHigh = 125  // degC, register 03h
	sentinelLow  = 0xD8 // -40 degC, register 04h
)

// Status bits, data sheet p26.
const (
	srOpen    = 1 << 0
	srOVUV    = 1 << 1
	srTCRange = 1 << 6
	srCJRange = 1 << 7
)

const (
	probePer = 1.0 / 128 // degC per code, linearised
	coldPer  = 1.0 / 64  // degC per code
	// Operating range of the part, p3.
	coldMinC, coldMaxC = -55.0, 125.0
)

// dump is all sixteen registers of one burst: configuration, data and status of
// the same instant.
type dump [regCount]byte

// probe is the 19-bit result, left justified in 0Ch to 0Eh.
func (d *dump) probe() int64 {
	v := uint32(d[regTC])<<24 | uint32(d[regTC+1])<<16 | uint32(d[regTC+2])<<8
	return int64(int32(v) >> 13)
}

// cold is the 14-bit cold junction, left justified in 0Ah and 0Bh. The offset
// register is already in it.
func (d *dump) cold() int64 { return int64(int16(uint16(d[regCJ])<<8|uint16(d[regCJ+1])) >> 2) }

// cut tells whether the burst may have ended before its end, by a supply dip that left
// zeros from the result's second byte on. A probe at a multiple of 16 degC looks the
// same; a second burst tells, since after a dip it shows the power-on settings.
func (d *dump) cut() bool { return d[regTC+1] == 0 && d[regTC+2] == 0 && d[regSR] == 0 }

func (d *dump) coldC() float64 { return float64(d.cold()) * coldPer }

// config is what registers 00h to 04h are to hold.
type config [5]byte

func (c config) matches(d *dump) bool { return bytes.Equal(c[:], d[:len(c)]) && d[regCJTO] == 0 }

// powerOn is what they hold after power-up, data sheet p18.
var powerOn = config{0x00, 0x03, 0xFF, 0x7F, 0xC0}

var (
	errLow  = errors.New("16 zero registers: no chip, no supply, or the data line is held low")
	errHigh = errors.New("16 registers of ones: no chip, or the data line is held high")
	errOpen = errors.New("chip flags an open circuit")
	errOVUV = errors.New("an input is below ground or above the supply (OVUV): conversions are suspended and the result is an old one")
	errBoth = errors.New("chip flags an open circuit and an input beyond its supply (OVUV); the result is an old one")
)

func (d *dump) presence() (drivers.Faults, error) {
	ones, ors := byte(0xFF), byte(0)
	for _, b := range d {
		ones &= b
		ors |= b
	}
	switch {
	case ors == 0:
		return drivers.NoChip, errLow
	case ones == 0xFF:
		return drivers.NoChip, errHigh
	}
	return 0, nil
}

// hardware judges the status bits that say something about the wiring. Range bits
// beside them count too.
func (d *dump) hardware() (f drivers.Faults, cause error) {
	switch d[regSR] & (srOpen | srOVUV) {
	case srOpen:
		f, cause = drivers.Open, errOpen
	case srOVUV:
		f, cause = drivers.ShortToSupply, errOVUV
	case srOpen | srOVUV:
		f, cause = drivers.Open|drivers.ShortToSupply, errBoth
	default:
		return 0, nil
	}
	if d[regSR]&srTCRange != 0 {
		f |= drivers.OutOfRange
	}
	if d[regSR]&srCJRange != 0 {
		f |= drivers.ColdJunction
	}
	return f, cause
}

var errFrozen = errors.New("an input was beyond its supply (OVUV) at the sample before: conversions were suspended, and the result may still be the one from before that")

var errZero = errors.New("probe and cold junction are both exactly zero: the chip is set up and has made no conversion, or an input was beyond its supply when it started")

// empty tells whether both results are as a power-up leaves them. A true 0.00 degC
// has a live cold junction beside it.
func (d *dump) empty() bool { return d.probe() == 0 && d.cold() == 0 }

// within judges the range bits and the numbers themselves.
func (d *dump) within(k kind) (drivers.Faults, error) {
	var out drivers.Faults
	var cause error
	if c := d.coldC(); d[regSR]&srCJRange != 0 || c < coldMinC || c > coldMaxC {
		out |= drivers.ColdJunction
		cause = fmt.Errorf("cold junction %.3f degC: outside the part's range of %g to %g degC", c, coldMinC, coldMaxC)
	}
	c := k.valueC(d.probe())
	if d[regSR]&srTCRange != 0 || c < k.min || c > k.max {
		out |= drivers.OutOfRange
		cause = errors.Join(cause, fmt.Errorf("probe %.4g %s: outside %g to %g %s of type %s (the chip clamps at its limits)", c, k.unit, k.min, k.max, k.unit, k.name))
	}
	if out == 0 {
		if _, err := k.probeC(d.probe(), d.coldC()); err != nil {
			return drivers.OutOfRange, fmt.Errorf("%.4g %s with the cold junction at %.3f degC: %w", c, k.unit, d.coldC(), err)
		}
	}
	return out, cause
}

// timing is how long conversions take: data sheet p4 and p20.
type timing struct {
	first  time.Duration // longest time to the first result
	update time.Duration // typical time between results
	slow   time.Duration // longest time between results
}

func timings(hz, average int) timing {
	n := time.Duration(average - 1)
	if hz == 50 {
		return timing{185*time.Millisecond + n*40*time.Millisecond, 98*time.Millisecond + n*20*time.Millisecond, 110*time.Millisecond + n*20*time.Millisecond}
	}
	return timing{155*time.Millisecond + n*33333*time.Microsecond, 82*time.Millisecond + n*16667*time.Microsecond, 90*time.Millisecond + n*16667*time.Microsecond}
}
