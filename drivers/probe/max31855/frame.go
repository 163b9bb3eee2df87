package max31855

import (
	"errors"
	"fmt"
	"math"

	"soakrig/drivers"
)

// frame is what the chip sends: 32 bits, most significant first. Layout from the
// data sheet 19-5793 rev 5, table 2.
type frame uint32

const (
	openBit     = 1 << 0 // D0: thermocouple not connected
	groundBit   = 1 << 1 // D1: a lead at ground
	supplyBit   = 1 << 2 // D2: a lead at the supply
	causeBits   = openBit | groundBit | supplyBit
	faultBit    = 1 << 16 // D16: any of D2..D0
	reserved    = 1<<3 | 1<<17
	probePer    = 0.25   // degC per code of the probe
	coldPer     = 0.0625 // degC per code of the cold junction
	coldMinC    = -40.0  // operating range of the part, data sheet p2
	coldMaxC    = 125.0
	nothingLow  = frame(0)
	nothingHigh = frame(0xFFFFFFFF)
)

// decode joins the four bytes of a transfer.
func decode(b [4]byte) frame {
	return frame(b[0])<<24 | frame(b[1])<<16 | frame(b[2])<<8 | frame(b[3])
}

// probe is D31..D18, two's complement.
func (f frame) probe() int64 { return int64(int32(f) >> 18) }

// cold is D15..D4, two's complement.
func (f frame) cold() int64 { return int64(int32(f<<16) >> 20) }

func (f frame) probeC() float64 { return float64(f.probe()) * probePer }
func (f frame) coldC() float64  { return float64(f.cold()) * coldPer }

var (
	errLow   = errors.New("32 zero bits: no chip, no supply, or the data line is held low")
	errHigh  = errors.New("32 one bits: no chip, or the data line is held high")
	errOpen  = errors.New("chip flags an open circuit")
	errGnd   = errors.New("chip flags a short to ground")
	errVcc   = errors.New("chip flags a short to the supply")
	errOpenG = errors.New("chip flags an open circuit and a short to ground")
	errMany  = errors.New("chip flags several wiring faults at once")
)

// presence looks for frames that no chip sends.
func (f frame) presence() (drivers.Faults, error) {
	switch f {
	case nothingLow:
		return drivers.NoChip, errLow
	case nothingHigh:
		return drivers.NoChip, errHigh
	}
	if f&reserved != 0 {
		return drivers.Corrupt, fmt.Errorf("frame %08X: reserved bits D17 or D3 are set: shifted or disturbed transfer, or another kind of chip", uint32(f))
	}
	if f&faultBit != 0 && f&causeBits == 0 {
		return drivers.Corrupt, fmt.Errorf("frame %08X: fault bit D16 without a cause in D2..D0", uint32(f))
	}
	if f&faultBit == 0 && f&causeBits != 0 {
		return drivers.Corrupt, fmt.Errorf("frame %08X: cause bits D2..D0 without the fault bit D16", uint32(f))
	}
	return 0, nil
}

// cut tells whether the second half of a frame is missing: a cold junction of exactly
// zero after one that was nowhere near.
func (f frame) cut(lastColdC float64) bool { return f&0xFFFF == 0 && math.Abs(lastColdC) > nearZeroC }

// nearZeroC is further than a chip cools from one frame to the next.
const nearZeroC = 5

// wiring turns the chip's own fault bits into faults, several at once if need be; mask
// are those that the configuration leaves out.
func (f frame) wiring(mask drivers.Faults) (drivers.Faults, error) {
	var out drivers.Faults
	if f&openBit != 0 {
		out |= drivers.Open
	}
	if f&groundBit != 0 {
		out |= drivers.ShortToGround
	}
	if f&supplyBit != 0 {
		out |= drivers.ShortToSupply
	}
	switch out &^= mask; out {
	case 0:
		return 0, nil
	case drivers.Open:
		return out, errOpen
	case drivers.ShortToGround:
		return out, errGnd
	case drivers.ShortToSupply:
		return out, errVcc
	case drivers.Open | drivers.ShortToGround:
		return out, errOpenG
	}
	return out, errMany
}

// within checks the probe against the letter's range and the cold junction against
// the part's.
func (f frame) within(l letter) (drivers.Faults, error) {
	var out drivers.Faults
	var cause error
	if c := f.coldC(); c < coldMinC || c > coldMaxC {
		out |= drivers.ColdJunction
		cause = fmt.Errorf("cold junction %.4f degC: outside the part's %g to %g degC", c, coldMinC, coldMaxC)
	}
	if c := f.probeC(); c < l.minC || l.above(c, f.coldC()) {
		out |= drivers.OutOfRange
		cause = errors.Join(cause, fmt.Errorf("probe %.2f degC as the chip has it: outside the %g to %g degC of type %s", c, l.minC, l.maxC, l.name))
	}
	return out, cause
}
