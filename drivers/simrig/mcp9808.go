package simrig

import (
	"encoding/binary"
	"math"

	"periph.io/x/conn/v3/physic"
)

// Registers of the MCP9808 (data sheet DS20005095B, register 5-1).
const (
	r08Config, r08Upper, r08Lower, r08Critical = 1, 2, 3, 4
	r08Ambient, r08Maker, r08Device            = 5, 6, 7
	r08Resolution                              = 8
)

// mcp9808 is a temperature sensor: no thermocouple, no cold junction.
type mcp9808 struct {
	front
	pointer    byte
	config     uint16
	limits     [3]uint16 // upper, lower, critical
	resolution byte
	startS     float64
	done       int64
	count      uint64
	tempC      float64 // as quantised
}

func newMCP9808(r *Rig, o *Chip) chip {
	c := &mcp9808{front: newFront(r, o)}
	c.boot(-longAgoS)
	return c
}

func (c *mcp9808) fastest() physic.Frequency { return 400 * physic.KiloHertz }

func (c *mcp9808) boot(tS float64) {
	c.pointer, c.config, c.limits, c.resolution = 0, 0, [3]uint16{}, 3
	c.startS, c.done, c.tempC = tS, 0, 0
}

// periodS is the time of one conversion: 30 to 250 ms for 0.5 to 0.0625 degC.
func (c *mcp9808) periodS() float64 {
	return [4]float64{0.030, 0.065, 0.130, 0.250}[c.resolution&3]
}

func (c *mcp9808) settle(tS float64) {
	if c.config&(1<<8) != 0 { // shut down
		return
	}
	n := int64((tS - c.startS) / c.periodS())
	if n <= c.done {
		return
	}
	c.count += uint64(n - c.done)
	c.done = n
	ends := c.startS + float64(n)*c.periodS()
	t := c.rig.hist.at(c.place, ends) + c.coldErrK + 0.5*c.noiseK*c.rig.dice.gauss(c.stream, c.count)
	lsb := 0.5 / math.Exp2(float64(c.resolution&3))
	c.tempC = math.Floor(t/lsb+0.5) * lsb
}

// ambient is register 5: thirteen bits of two's complement under three flags.
func (c *mcp9808) ambient() uint16 {
	raw := uint16(code(c.tempC, 0.0625, 13)) & 0x1fff
	limit := func(v uint16) float64 { return float64(int16(v<<3)>>3) * 0.0625 }
	if c.tempC >= limit(c.limits[2]) {
		raw |= 1 << 15
	}
	if c.tempC > limit(c.limits[0]) {
		raw |= 1 << 14
	}
	if c.tempC < limit(c.limits[1]) {
		raw |= 1 << 13
	}
	return raw
}

func (c *mcp9808) tx(tS float64, w, r []byte) {
	if len(w) > 0 {
		c.pointer = w[0] & 0xf
	}
	switch {
	case len(w) == 2 && c.pointer == r08Resolution:
		c.resolution = w[1] & 3
		c.startS, c.done = tS, 0
	case len(w) >= 3 && c.pointer == r08Config:
		was := c.config
		c.config = binary.BigEndian.Uint16(w[1:])
		if was&(1<<8) != 0 && c.config&(1<<8) == 0 {
			c.startS, c.done = tS, 0
		}
	case len(w) >= 3 && c.pointer >= r08Upper && c.pointer <= r08Critical:
		c.limits[c.pointer-r08Upper] = binary.BigEndian.Uint16(w[1:]) & 0x1ffc
	}
	var v uint16
	switch c.pointer {
	case r08Config:
		v = c.config
	case r08Upper, r08Lower, r08Critical:
		v = c.limits[c.pointer-r08Upper]
	case r08Ambient:
		v = c.ambient()
	case r08Maker:
		v = 0x0054
	case r08Device:
		v = 0x0400
	case r08Resolution:
		v = uint16(c.resolution)<<8 | 0xff
	}
	for i := range r {
		r[i] = 0xff // nothing drives the line after the register
		if i < 2 {
			r[i] = byte(v >> (8 - 8*i))
		}
	}
}
