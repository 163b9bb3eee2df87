package max31865

import (
	"errors"
	"fmt"
	"math"

	"soakrig/drivers"
)

// Registers, data sheet 19-6478 rev 3, table 1: 00h configuration, 01h/02h RTD,
// 03h to 06h thresholds, 07h fault status. Writes at the address plus 80h.
const (
	sheet     = "MAX31865 data sheet 19-6478 rev 3"
	regCount  = 8
	writeBit  = 0x80
	biasOn    = 1 << 7
	oneShot   = 1 << 5
	threeWire = 1 << 4
	runFaults = 1 << 2 // fault detection cycle with automatic delay
	clear     = 1 << 1
	hz50      = 1 << 0
	// volatile bits of the configuration register clear themselves.
	volatile  = oneShot | 3<<2 | clear
	fullScale = 0x7FFF
)

// Fault status bits, data sheet table 7.
const (
	rtdHigh   = 1 << 7
	rtdLow    = 1 << 6
	refHigh   = 1 << 5 // REFIN- above 0.85 of the bias: open element
	refLow    = 1 << 4 // REFIN- below: open force lead
	rtdInLow  = 1 << 3 // RTDIN- below: lead at ground or open force lead
	overUnder = 1 << 2 // an input beyond the supply or below ground
)

// guard is what registers 03h to 06h are to hold: the thresholds. The low one differs
// from the 0000h of power-on, and flags nothing but a shorted element: when it stands
// at the end of a cycle, no brown-out came between bias on and the conversion, and no
// other program's thresholds made the flags.
var guard = [4]byte{0xFF, 0xFF, 0x00, 0x02}

const regGuard = 0x03

type dump [regCount]byte

func (d *dump) guarded() bool { return [4]byte(d[regGuard:]) == guard }

func (d *dump) code() int64 { return int64(uint16(d[1])<<8|uint16(d[2])) >> 1 }

func (d *dump) flagged() bool { return d[2]&1 != 0 }

func (d *dump) presence() (drivers.Faults, error) {
	and, or := byte(0xFF), byte(0)
	for _, b := range d {
		and &= b
		or |= b
	}
	switch {
	case or == 0:
		return drivers.NoChip, errors.New("8 zero registers: no chip, no supply, or the data line is held low")
	case and == 0xFF:
		return drivers.NoChip, errors.New("8 registers of ones: no chip, or the data line is held high")
	}
	return 0, nil
}

// wiring judges the fault register and the two ends of the scale.
func (d *dump) wiring() (drivers.Faults, error) {
	s := d[7]
	var f drivers.Faults
	if s&(rtdHigh|refHigh|refLow) != 0 || d.code() == fullScale {
		f |= drivers.Open
	}
	if s&rtdInLow != 0 {
		f |= drivers.ShortToGround
	}
	if s&overUnder != 0 {
		f |= drivers.ShortToSupply
	}
	if s&rtdLow != 0 || d.code() == 0 {
		f |= drivers.OutOfRange
	}
	switch {
	case f == 0 && d.flagged():
		return drivers.Corrupt, fmt.Errorf("fault bit in the RTD register without a cause in the fault register (%02Xh)", s)
	case f == 0:
		return 0, nil
	case d.code() == 0:
		return f, fmt.Errorf("0 ohm, fault register %02Xh: shorted element, bias off, or no chip", s)
	case d.code() == fullScale:
		return f, fmt.Errorf("full scale, fault register %02Xh: open element", s)
	}
	return f, fmt.Errorf("fault register %02Xh", s)
}

// Constants of IEC 60751.
const (
	cvdA = 3.9083e-3
	cvdB = -5.775e-7
)

// The ratio R/R0 at -200 and 850 degC, IEC 60751 tables.
const (
	minRatio = 0.1852
	maxRatio = 3.9048
)

// roughC is a temperature good to a few K below zero and exact above, for the step
// check only: soakd's own conversion is what counts.
func roughC(ratio float64) float64 {
	d := cvdA*cvdA - 4*cvdB*(1-ratio)
	return (-cvdA + math.Sqrt(max(d, 0))) / (2 * cvdB)
}
