package simrig

import (
	"encoding/binary"
	"math"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers/its90"
)

// Registers of the MCP9600 and MCP9601 (data sheet DS20005426G, register summary).
const (
	r96Hot, r96Delta, r96Cold, r96Raw = 0, 1, 2, 3
	r96Status, r96Sensor, r96Device   = 4, 5, 6
	r96ID                             = 0x20
)

// Bits of its status register.
const (
	s96Range  = 1 << 4 // input range; on the MCP9601 open circuit too
	s96Short  = 1 << 5
	s96Update = 1 << 6
	s96Burst  = 1 << 7
)

// types960x are the couples by the type code of register 5.
func types960x() [8]its90.Type {
	return [8]its90.Type{its90.K, its90.J, its90.T, its90.N, its90.S, its90.E, its90.B, its90.R}
}

const (
	calc96S  = 0.012 // linearising takes this long after each conversion
	start96S = 0.020 // after power is back
)

// mcp960x converts in a loop. When the input leaves the type's range, hot junction
// and difference stand still while the cold junction goes on.
type mcp960x struct {
	front
	id               uint16
	detects          bool // the MCP9601 tells open and short
	pointer          byte
	sensor           byte
	device           byte
	status           byte
	startS           float64
	done             int64
	coldDone         int64
	count            uint64
	left             int64   // burst: conversions to go; -1: no burst
	filter           float64 // degC, the filter's memory
	fresh            bool    // the filter begins with the next value
	hot, delta, cold int16
	raw              int32
}

func newMCP9600(r *Rig, o *Chip) chip {
	c := &mcp960x{front: newFront(r, o), id: 0x4010}
	c.boot(-longAgoS)
	return c
}

func newMCP9601(r *Rig, o *Chip) chip {
	c := &mcp960x{front: newFront(r, o), id: 0x4110, detects: true}
	c.boot(-longAgoS)
	return c
}

func (c *mcp960x) fastest() physic.Frequency { return 100 * physic.KiloHertz }

func (c *mcp960x) boot(tS float64) {
	c.pointer, c.sensor, c.device, c.status = 0, 0, 0, 0
	c.hot, c.delta, c.cold, c.raw = 0, 0, 0, 0
	c.start(tS + start96S)
}

// start begins anew: conversions are counted from tS.
func (c *mcp960x) start(tS float64) {
	c.startS, c.done, c.coldDone, c.left, c.fresh = tS, 0, 0, -1, true
	if c.device&3 == 2 {
		c.left = 1 << (c.device >> 2 & 7)
	}
}

// periodS is the time of one conversion at the resolution of register 6.
func (c *mcp960x) periodS() float64 {
	return [4]float64{0.320, 0.080, 0.020, 0.005}[c.device>>5&3] + calc96S
}

// lsbV is the ADC's resolution as set.
func (c *mcp960x) lsbV() float64 { return 2e-6 * [4]float64{1, 4, 16, 64}[c.device>>5&3] }

func (c *mcp960x) settle(tS float64) {
	if c.device&3 == 1 || tS < c.startS { // shut down, or not yet awake
		return
	}
	coldS, coldLSB := 0.250, 0.0625
	if c.device&(1<<7) != 0 {
		coldS, coldLSB = 0.063, 0.25
	}
	if k := int64((tS - c.startS) / coldS); k > c.coldDone {
		c.coldDone = k
		s := c.sense(c.place, c.startS+float64(k)*coldS, c.count+uint64(k), 1)
		c.cold = int16(math.Round(s.coldC/coldLSB) * coldLSB / 0.0625)
	}
	n := int64((tS - c.startS) / c.periodS())
	if c.left >= 0 {
		n = min(n, c.left)
	}
	if n == c.done {
		return
	}
	passed := n - c.done
	c.done = n
	c.count += uint64(passed)
	c.take(c.sense(c.place, c.startS+float64(n)*c.periodS()-calc96S, c.count, 1), passed)
	c.status |= s96Update
	if n == c.left {
		c.status |= s96Burst
	}
}

// take stores one conversion; passed of them went by since the last one stored.
func (c *mcp960x) take(s sensed, passed int64) {
	volts := math.Round(s.volts/c.lsbV()) * c.lsbV()
	if s.open { // the bias resistors pull the inputs apart
		volts = 0.26
	}
	c.status &^= s96Range | s96Short
	switch {
	case c.detects && (s.ground || s.supply):
		c.status |= s96Short
	case s.ground || s.supply:
		volts = 0
	}
	c.raw = code(volts, 2e-6, 18)
	f := c.front
	f.couple = types960x()[c.sensor>>4&7]
	f.loC, f.hiC = f.couple.InvertibleRange()
	hot, in := f.temp(f.emf(s.coldC) + volts)
	if !in {
		c.status |= s96Range
		return // hot junction and difference stay as they are
	}
	if n := c.sensor & 7; n != 0 && !c.fresh {
		k := 2 / (math.Exp2(float64(n)) + 1)
		c.filter += (1 - math.Pow(1-k, float64(passed))) * (hot - c.filter)
	} else {
		c.filter = hot
	}
	c.fresh = false
	c.hot = int16(code(c.filter, 0.0625, 16))
	c.delta = int16(code(c.filter-s.coldC, 0.0625, 16))
}

func (c *mcp960x) tx(tS float64, w, r []byte) {
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) > 1 {
		c.write(tS, w[1])
	}
	var b [4]byte
	n := 2
	switch c.pointer {
	case r96Hot:
		binary.BigEndian.PutUint16(b[:], uint16(c.hot))
	case r96Delta:
		binary.BigEndian.PutUint16(b[:], uint16(c.delta))
	case r96Cold:
		binary.BigEndian.PutUint16(b[:], uint16(c.cold))
	case r96Raw:
		b[0], b[1], b[2], n = byte(c.raw>>16), byte(c.raw>>8), byte(c.raw), 3
	case r96Status:
		b[0], n = c.status, 1
	case r96Sensor:
		b[0], n = c.sensor, 1
	case r96Device:
		b[0], n = c.device, 1
	case r96ID:
		binary.BigEndian.PutUint16(b[:], c.id)
	}
	for i := range r {
		r[i] = 0xff // nothing drives the line after the register
		if i < n {
			r[i] = b[i]
		}
	}
}

func (c *mcp960x) write(tS float64, b byte) {
	switch c.pointer {
	case r96Status: // zeros clear the two flags
		c.status &= b | ^byte(s96Update|s96Burst)
	case r96Sensor:
		c.sensor = b & 0x77
		c.fresh = true
	case r96Device:
		c.device = b
		c.start(tS)
	}
}
