package simrig

import (
	"encoding/binary"
	"math"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers/its90"
)

// slopeOf is the fixed slope of the MAX31855 for a couple, V/K; 0: no such part.
// Source: data sheet 19-5793 rev 5, table of thermocouple gains.
func slopeOf(ty its90.Type) float64 {
	switch ty {
	case its90.K:
		return 41.276e-6
	case its90.J:
		return 57.953e-6
	case its90.N:
		return 36.256e-6
	case its90.S:
		return 9.587e-6
	case its90.T:
		return 52.18e-6
	case its90.E:
		return 76.373e-6
	case its90.R:
		return 10.506e-6
	}
	return 0
}

// doubtfulS is how long a MAX31855 needs after its supply is back.
const doubtfulS = 0.2

// max31855 converts freely every 70 to 100 ms and latches only while its chip
// select is high. 32 bits: D31..18 thermocouple, D16 fault, D15..4 cold junction,
// D2..0 short to supply, short to ground, open (data sheet, memory map).
type max31855 struct {
	front
	slope          float64
	periodS, beatS float64 // conversions end at beatS + k*periodS
	k              int64   // last conversion taken in
	frame          [4]byte
	shifted        int
}

func newMAX31855(r *Rig, o *Chip) chip {
	c := &max31855{front: newFront(r, o), k: math.MinInt64}
	c.slope = slopeOf(c.couple)
	c.periodS = 0.070 + 0.030*c.drawn(0)
	c.beatS = -c.periodS * c.drawn(1)
	return c
}

func (c *max31855) needs() (bool, physic.Frequency) { return false, 5 * physic.MegaHertz }

func (c *max31855) boot(tS float64) {
	c.beatS = tS
	c.k = 0
	c.frame = [4]byte{}
}

func (c *max31855) settle(tS float64) {
	k := int64(math.Floor((tS - c.beatS) / c.periodS))
	if k == c.k || c.selected {
		return
	}
	c.k = k
	ends := c.beatS + float64(k)*c.periodS
	if ends < c.bootS+doubtfulS {
		return // nothing to be trusted yet: all zero since boot
	}
	binary.BigEndian.PutUint32(c.frame[:], c.word(c.sense(c.place, ends, uint64(k), 1)))
}

// word is the frame that follows from what one conversion met.
func (c *max31855) word(s sensed) uint32 {
	cold := code(s.coldC, 0.0625, 12)
	hot := code(s.coldC+s.volts/c.slope, 0.25, 14)
	var flags uint32
	switch {
	case s.open:
		hot, flags = 1<<13-1, 1
	case s.ground || s.supply:
		hot = code(s.coldC, 0.25, 14) // looks like the terminal
	}
	if s.ground {
		flags |= 2
	}
	if s.supply {
		flags |= 4
	}
	if flags != 0 {
		flags |= 1 << 16
	}
	return uint32(hot)<<18 | uint32(cold&0xfff)<<4 | flags
}

func (c *max31855) fall() { c.shifted = 0 }

func (c *max31855) shift(_, r []byte) {
	n := 0
	if c.shifted < len(c.frame) {
		n = copy(r, c.frame[c.shifted:])
	}
	c.shifted += n // zeros follow the 32nd bit
}

func (c *max31855) rise(float64) {}
