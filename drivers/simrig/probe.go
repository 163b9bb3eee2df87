package simrig

import (
	"errors"
	"math"
	"slices"
	"strings"
	"syscall"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers/its90"
)

// chip is an emulated converter. Its methods run under the rig's lock.
type chip interface {
	common() *front
	// settle takes in every conversion that was complete at rig time tS.
	settle(tS float64)
	// boot starts the chip anew with its power-on settings at tS.
	boot(tS float64)
}

// spiChip answers while its chip select is low, from fall to rise.
type spiChip interface {
	chip
	needs() (cpha bool, fastest physic.Frequency)
	fall()
	shift(w, r []byte) // both of one length, r all zero
	rise(tS float64)
}

// i2cChip answers to its address.
type i2cChip interface {
	chip
	fastest() physic.Frequency
	tx(tS float64, w, r []byte)
}

// front is what stands before every converter: the probe, its wire, the terminal,
// and the errors that this chip was made with.
type front struct {
	rig        *Rig
	id         string
	place      int
	couple     its90.Type
	perK       float64 // V/K of the couple at 25 degC
	loC, hiC   float64 // range of the couple
	stream     uint64
	wireGain   float64 // of the EMF, fraction
	offsetK    float64
	coldErrK   float64
	spreadK    float64 // cold junction above the mean of the electronics
	noiseK     float64
	faults     []*fault
	bootS      float64 // rig time of the last start
	selected   bool    // held low by a pin
	everywhere bool    // probe faults without a place concern it
}

func newFront(r *Rig, c *Chip) front {
	e, s := &r.opts.Errors, stream("chip "+c.id())
	ty := its90.K
	if c.Couple != "" {
		ty, _ = its90.ParseType(c.Couple)
	}
	f := front{
		rig: r, id: c.id(), couple: ty, stream: s, bootS: math.Inf(-1), everywhere: c.Model != "mcp9808",
		wireGain: e.WireGain * r.dice.gauss(s, 1<<40),
		offsetK:  e.OffsetK * r.dice.gauss(s, 1<<40+1),
		coldErrK: e.ColdK * r.dice.gauss(s, 1<<40+2),
		spreadK:  e.SelfSpreadK * (2*r.dice.uniform(s, 1<<40+3) - 1),
		noiseK:   e.NoiseK,
	}
	f.place, _ = parsePlace(c.Place)
	f.perK, _ = ty.Seebeck(25)
	f.loC, f.hiC = ty.InvertibleRange()
	return f
}

func (f *front) common() *front { return f }

// longAgoS is how long before the rig's start the chips were switched on, s.
const longAgoS = 10.0

// drawn is a number of this chip's own making in [0, 1).
func (f *front) drawn(k uint64) float64 { return f.rig.dice.uniform(f.stream, 1<<41+k) }

// sensed is what one conversion meets at the chip's pins.
type sensed struct {
	volts                float64 // between the inputs
	coldC                float64 // what the chip's own sensor says
	open, ground, supply bool
}

// sense is conversion k, which ends at tS, of the probe on place. calm scales the
// converter's noise (averaging lowers it).
func (f *front) sense(place int, tS float64, k uint64, calm float64) sensed {
	r := f.rig
	cold := r.hist.at(atElectronics, tS) + f.spreadK
	volts := (f.emf(r.hist.at(place, tS)) - f.emf(cold)) * (1 + f.wireGain)
	var s sensed
	extraK := 0.0
	noise := calm * f.noiseK
	for _, x := range f.faults {
		if !x.hits(place) || !x.active(tS) {
			continue
		}
		switch x.kind {
		case faultOpen:
			s.open = true
		case faultToGround:
			s.ground = true
		case faultToSupply:
			s.supply = true
		case faultShort:
			volts = 0
		case faultReversed:
			volts = -volts
		case faultPickup:
			extraK += x.value * r.hist.at(atLoaded, tS)
		case faultSpikes:
			extraK += x.spikeK(r.dice, tS)
		case faultNoisy:
			noise *= x.value
		}
	}
	s.volts = volts + (f.offsetK+extraK+noise*r.dice.gauss(f.stream, k))*f.perK
	s.coldC = cold + f.coldErrK + calm*0.3*f.noiseK*r.dice.gauss(f.stream+1, k)
	return s
}

// emf is the couple's reference function, held at the ends of its range.
func (f *front) emf(tempC float64) float64 {
	v, err := f.couple.EMFVolts(tempC)
	if err != nil {
		lo, hi := f.couple.Range()
		v, _ = f.couple.EMFVolts(min(hi, max(lo, tempC)))
	}
	return v
}

// temp is the inverse of emf; in says whether the EMF was in range.
func (f *front) temp(volts float64) (tempC float64, in bool) {
	t, err := f.couple.TempC(volts)
	if err == nil {
		return t, true
	}
	if lo, _ := f.couple.EMFVolts(f.loC); volts <= lo {
		return f.loC, false
	}
	return f.hiC, false
}

// link picks the faults that concern this chip.
func (f *front) link(all []*fault, places ...int) {
	f.faults = f.faults[:0]
	for _, x := range all {
		if x.chip == f.id || x.chip == "" && (x.place < 0 && f.everywhere || slices.Contains(places, x.place)) {
			f.faults = append(f.faults, x)
		}
	}
}

// How a chip meets a transfer.
var (
	errAbsent = errors.New("the chip is not there")
	errBroken = error(syscall.EIO)
)

// wake brings c up to date for a transfer at tS. errAbsent: nothing answers;
// errBroken: the transfer fails.
func wake(c chip, tS float64) error {
	f := c.common()
	boot, frozen := f.bootS, false
	for _, x := range f.faults {
		switch x.kind {
		case faultNoChip:
			if x.active(tS) {
				return errAbsent
			}
		case faultBusError:
			if x.active(tS) {
				return errBroken
			}
		case faultBrownOut:
			if x.active(tS) {
				return errAbsent
			}
			if x.end <= tS {
				boot = max(boot, x.end)
			}
		case faultFrozen:
			frozen = frozen || x.active(tS)
		}
	}
	if boot > f.bootS {
		f.bootS = boot
		c.boot(boot)
	}
	if !frozen {
		c.settle(tS)
	}
	return nil
}

// code rounds v/lsb and keeps it within bits of two's complement.
func code(v, lsb float64, bits uint) int32 {
	top := float64(int32(1)<<(bits-1) - 1)
	return int32(max(-top-1, min(top, math.Round(v/lsb))))
}

// chipModel is what is known of a kind of chip before it is made.
type chipModel struct {
	i2c       bool
	low, high int // I2C addresses
	make      func(r *Rig, c *Chip) chip
}

func (m chipModel) bus() string {
	if m.i2c {
		return "I2C, for instance I2C1"
	}
	return "SPI, for instance SPI0.0"
}

func modelNames() []string {
	var names []string
	for name := range models() {
		names = append(names, name)
	}
	slices.SortFunc(names, strings.Compare)
	return names
}

func models() map[string]chipModel {
	return map[string]chipModel{
		"max31855": {make: newMAX31855},
		"max31856": {make: newMAX31856},
		"ads1118":  {make: newADS1118},
		"mcp9600":  {i2c: true, low: 0x60, high: 0x67, make: newMCP9600},
		"mcp9601":  {i2c: true, low: 0x60, high: 0x67, make: newMCP9601},
		"mcp9808":  {i2c: true, low: 0x18, high: 0x1f, make: newMCP9808},
	}
}
