package simrig

import (
	"math"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers/its90"
)

// Registers of the MAX31856 and their power-on values (data sheet 19-7534 rev 0,
// register map).
const (
	r56CR0, r56CR1      = 0x00, 0x01
	r56CJHigh, r56CJLow = 0x03, 0x04
	r56TCHigh, r56TCLow = 0x05, 0x07
	r56CJTO             = 0x09
	r56CJ, r56TC        = 0x0A, 0x0C
	r56SR               = 0x0F
)

// Bits of its status register.
const (
	s56Open, s56OVUV            = 1 << 0, 1 << 1
	s56TCLow, s56TCHigh         = 1 << 2, 1 << 3
	s56CJLow, s56CJHigh         = 1 << 4, 1 << 5
	s56TCRange, s56CJRange byte = 1 << 6, 1 << 7
)

func powerOn56() [16]byte {
	return [16]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00}
}

// types56 are the couples by the type code of CR1.
func types56() [8]its90.Type {
	return [8]its90.Type{its90.B, its90.E, its90.J, its90.K, its90.N, its90.R, its90.S, its90.T}
}

// openTestEvery is how many conversions pass between two open-circuit tests in
// automatic mode.
const openTestEvery = 16

// max31856 converts when told to: CR0 bit 7 goes on, bit 6 once.
type max31856 struct {
	front
	reg     [16]byte
	seen    [16]byte // what a burst reads: the registers when chip select fell
	address int      // -1: the next byte is one
	writing bool
	started bool    // something of the transfer changed CR0 or CR1
	startS  float64 // rig time at which conversions began
	running bool
	once    bool
	done    int64  // conversions since startS
	count   uint64 // conversions ever, for the noise
	opened  bool   // the last open-circuit test found no path
}

func newMAX31856(r *Rig, o *Chip) chip {
	c := &max31856{front: newFront(r, o), reg: powerOn56()}
	c.seen = c.reg
	return c
}

func (c *max31856) needs() (bool, physic.Frequency) { return true, 5 * physic.MegaHertz }

func (c *max31856) boot(float64) {
	c.reg = powerOn56()
	c.running, c.opened, c.done = false, false, 0
}

// times are the first conversion's length and the later ones' (typical values of
// the data sheet, with averaging).
func (c *max31856) times() (first, next float64) {
	n := float64(c.averages() - 1)
	if c.reg[r56CR0]&1 != 0 { // 50 Hz
		first, next = 0.169+n*0.040, 0.098+n*0.020
	} else {
		first, next = 0.143+n/30, 0.082+n/60
	}
	if c.once {
		return first, math.Inf(1)
	}
	return first, next
}

func (c *max31856) averages() int { return 1 << min(4, c.reg[r56CR1]>>4&7) }

func (c *max31856) settle(tS float64) {
	if !c.running {
		return
	}
	first, next := c.times()
	since := tS - c.startS - first
	if since < 0 {
		return
	}
	n := int64(1)
	if !c.once {
		n += int64(since / next)
	}
	if n == c.done {
		return
	}
	skipped := n - c.done
	c.done = n
	c.count += uint64(skipped)
	ends := c.startS + first
	if n > 1 {
		ends += float64(n-1) * next
	}
	if back := (n - 1) % openTestEvery; !c.once && back < skipped {
		c.openTest(ends - float64(back)*next)
	}
	if c.once {
		c.openTest(ends)
		c.running = false
		c.reg[r56CR0] &^= 1 << 6
	}
	c.convert(c.sense(c.place, ends, c.count, 1/math.Sqrt(float64(c.averages()))))
}

// openTest looks for an open circuit as CR0 bits 5 and 4 tell it to.
func (c *max31856) openTest(tS float64) {
	c.opened = false
	if c.reg[r56CR0]&0x30 != 0 {
		c.opened = c.sense(c.place, tS, c.count, 0).open
	}
}

// convert writes what one conversion found into the registers.
func (c *max31856) convert(s sensed) {
	if s.supply { // inputs out of range: conversions stand still
		c.status(s56OVUV, true)
		return
	}
	c.status(s56OVUV, false)
	c.status(s56Open, c.opened)
	cold := s.coldC
	if c.reg[r56CR0]&(1<<3) == 0 {
		cold = min(125, max(-64, cold+float64(int8(c.reg[r56CJTO]))*0.0625))
		put14 := code(cold, 0.015625, 14) << 2
		c.reg[r56CJ], c.reg[r56CJ+1] = byte(put14>>8), byte(put14)
		c.status(s56CJRange, s.coldC < -55 || s.coldC > 125)
	} else {
		cold = float64(int16(uint16(c.reg[r56CJ])<<8|uint16(c.reg[r56CJ+1]))>>2) * 0.015625
	}
	volts := s.volts
	if s.ground { // below the input range: no flag, and not to be trusted
		volts -= 2 * c.perK
	}
	if s.open { // until the test finds it: the inputs drift about
		volts = 0.3 * (c.rig.dice.uniform(c.stream+2, c.count) - 0.5) * 1e-3
	}
	out := c.linearise(volts, cold)
	c.reg[r56TC], c.reg[r56TC+1], c.reg[r56TC+2] = byte(out>>11), byte(out>>3), byte(out<<5)
	c.thresholds(out, cold)
}

// linearise is the thermocouple code, 19 bits of 2^-7 degC, or in voltage mode
// gain * 1.6 * 2^17 * V.
func (c *max31856) linearise(volts, cold float64) int32 {
	kind := c.reg[r56CR1] & 0xf
	if kind >= 8 {
		gain := 8.0
		if kind >= 12 {
			gain = 32
		}
		return code(volts*gain*1.6*(1<<17), 1, 19)
	}
	f := c.front
	f.couple = types56()[kind]
	f.loC, f.hiC = f.couple.InvertibleRange()
	t, in := f.temp(f.emf(cold) + volts)
	c.status(s56TCRange, !in)
	return code(t, 1.0/128, 19)
}

// thresholds compares with the limits that the user set.
func (c *max31856) thresholds(out int32, cold float64) {
	tc := float64(out) / 128
	pair := func(r int) float64 { return float64(int16(uint16(c.reg[r])<<8|uint16(c.reg[r+1]))) * 0.0625 }
	c.status(s56CJHigh, cold > float64(int8(c.reg[r56CJHigh])))
	c.status(s56CJLow, cold < float64(int8(c.reg[r56CJLow])))
	c.status(s56TCHigh, tc > pair(r56TCHigh))
	c.status(s56TCLow, tc < pair(r56TCLow))
}

// status sets or clears a bit; in interrupt mode (CR0 bit 2) bits stay set until
// CR0 bit 1 clears them.
func (c *max31856) status(bit byte, on bool) {
	if on {
		c.reg[r56SR] |= bit
	} else if c.reg[r56CR0]&(1<<2) == 0 {
		c.reg[r56SR] &^= bit
	}
}

func (c *max31856) fall() {
	c.address = -1
	c.started = false
	c.seen = c.reg
}

func (c *max31856) shift(w, r []byte) {
	for i, b := range w {
		if c.address < 0 {
			c.address, c.writing = int(b&0x7f), b&0x80 != 0
			continue
		}
		switch {
		case c.address >= len(c.reg):
			r[i] = 0xff // unused addresses
		case c.writing:
			c.write(c.address, b)
		default:
			r[i] = c.seen[c.address]
		}
		c.address++
	}
}

func (c *max31856) write(address int, b byte) {
	switch {
	case address >= r56TC: // read only
		return
	case address == r56CR0 || address == r56CR1:
		c.started = true
		if address == r56CR0 && b&2 != 0 { // fault clear, clears itself
			c.reg[r56SR] = 0
			b &^= 2
		}
	}
	c.reg[address] = b
}

// rise starts or stops conversions as the settings written say. What does not
// change the pace leaves the conversion in progress alone.
func (c *max31856) rise(tS float64) {
	if !c.started {
		return
	}
	c.started = false
	auto, once := c.reg[r56CR0]&(1<<7) != 0, c.reg[r56CR0]&(1<<6) != 0
	pace := (c.reg[r56CR0]^c.seen[r56CR0])&0x81 != 0 || (c.reg[r56CR1]^c.seen[r56CR1])&0x70 != 0
	switch {
	case !auto && !once:
		c.running = false
	case !auto || !c.running || pace:
		c.running, c.once = true, !auto
		c.startS, c.done = tS, 0
	}
}
