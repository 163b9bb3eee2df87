package simrig

import (
	"encoding/binary"
	"math"

	"periph.io/x/conn/v3/physic"
)

// Bits of the ADS1118's config register (data sheet SBAS457F, table 7) and its
// power-on value.
const (
	cfg18Start   = 1 << 15
	cfg18Single  = 1 << 8
	cfg18Sensor  = 1 << 4
	cfg18Nop     = 3 << 1
	cfg18NopOK   = 1 << 1
	cfg18PowerOn = 0x058B
)

// ads1118 converts inputs 0-1 (a thermocouple), 2-3 (another) or its own
// temperature. A new setting in continuous mode starts with the next conversion,
// so a word may still belong to the old one.
type ads1118 struct {
	front
	place23 int     // -1: nothing there
	rate    float64 // this chip's clock against the nominal one, within 10 %
	offsetV float64
	config  uint16 // as read back
	active  uint16 // what the conversion in progress uses
	next    uint16 // what the one after it uses
	busy    bool
	startS  float64
	count   uint64
	data    uint16
	in      [2]byte
	bytes   int
}

func newADS1118(r *Rig, o *Chip) chip {
	c := &ads1118{front: newFront(r, o), place23: -1, config: cfg18PowerOn, active: cfg18PowerOn, next: cfg18PowerOn}
	if o.Place23 != "" {
		c.place23, _ = parsePlace(o.Place23)
	}
	c.rate = 1
	if e := r.opts.Errors.OffsetK; e != 0 {
		c.rate = 0.92 + 0.16*c.drawn(0)
		c.offsetV = 40e-6 * (2*c.drawn(1) - 1) // before the host's offset calibration
	}
	return c
}

func (c *ads1118) needs() (bool, physic.Frequency) { return true, 4 * physic.MegaHertz }

func (c *ads1118) boot(float64) {
	c.config, c.active, c.next = cfg18PowerOn, cfg18PowerOn, cfg18PowerOn
	c.busy, c.data = false, 0
}

// lasts is the time of one conversion under cfg.
func (c *ads1118) lasts(cfg uint16) float64 {
	return 1 / (c.rate * [8]float64{8, 16, 32, 64, 128, 250, 475, 860}[cfg>>5&7])
}

func (c *ads1118) settle(tS float64) {
	for c.busy {
		d := c.lasts(c.active)
		if c.active == c.next && c.active&cfg18Single == 0 {
			// Nothing changes from one to the next: go to the last.
			if n := math.Floor((tS - c.startS) / d); n > 1 {
				c.startS += (n - 1) * d
				c.count += uint64(n - 1)
			}
		}
		ends := c.startS + d
		if ends > tS {
			return
		}
		c.count++
		c.data = c.convert(c.active, ends)
		c.busy = c.next&cfg18Single == 0
		c.active, c.startS = c.next, ends
	}
}

// convert is the word of one conversion that ends at tS.
func (c *ads1118) convert(cfg uint16, tS float64) uint16 {
	if cfg&cfg18Sensor != 0 {
		return uint16(code(c.sense(c.place, tS, c.count, 1).coldC, 0.03125, 14)) << 2
	}
	place, sign := c.place, 1.0
	switch cfg >> 12 & 7 {
	case 0, 4: // 0-1; 0 against ground, where 1 is held
	case 3, 6:
		place = c.place23
	case 5, 7: // the inputs held at ground
		place = -1
	default: // 0-3, 1-3: from a thermocouple to a held input
		if cfg>>12&7 == 2 {
			place = -1
		}
	}
	fs := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[cfg>>9&7]
	volts := c.offsetV
	if place >= 0 {
		s := c.sense(place, tS, c.count, 1)
		volts += s.volts
		switch {
		case s.open || s.supply: // the bias resistors pull the inputs apart
			return 0x7FFF
		case s.ground: // clips below ground
			volts = max(0, volts)
		}
	}
	return uint16(code(sign*volts, 2*fs/65536, 16))
}

func (c *ads1118) fall() { c.bytes, c.in = 0, [2]byte{} }

// shift gives the conversion word and takes a setting in at the same time; two more
// bytes read back the setting in force from then on (data sheet, 32-bit data
// transmission cycle). A 16-bit transfer ends before them.
func (c *ads1118) shift(w, r []byte) {
	for i := range r {
		switch at := c.bytes % 4; at {
		case 0, 1:
			r[i] = byte(c.data >> (8 - 8*at))
			if c.bytes < 2 {
				c.in[at] = w[i]
			}
		default:
			r[i] = byte(c.readback() >> (24 - 8*at))
		}
		c.bytes++
	}
}

// readback is the setting in force once the word shifted in is heeded: its two bits
// before the last must say 01.
func (c *ads1118) readback() uint16 {
	if w := binary.BigEndian.Uint16(c.in[:]); w&cfg18Nop == cfg18NopOK {
		return w&^cfg18Start | 1
	}
	return c.config
}

// rise heeds a setting.
func (c *ads1118) rise(tS float64) {
	if c.bytes < 2 {
		return
	}
	w := binary.BigEndian.Uint16(c.in[:])
	if w&cfg18Nop != cfg18NopOK {
		return
	}
	c.config = c.readback()
	c.next = c.config
	switch {
	case c.busy && c.active&cfg18Single == 0:
		// continuous: the conversion in progress is finished first
	case c.busy:
		// a single one is finished first; a further start is ignored
	case c.config&cfg18Single == 0 || w&cfg18Start != 0:
		c.busy, c.active, c.startS = true, c.config, tS
	default:
		c.active = c.config
	}
}
