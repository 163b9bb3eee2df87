package metrics

import (
	"math/bits"
	"time"

	dto "github.com/prometheus/client_model/go"

	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// staleAfter is how many periods old a reading may be.
const staleAfter = 3

// staleFloor is real time that is always granted, so that a busy board does not take
// a live channel for a dead one.
const staleFloor = 500 * time.Millisecond

// channel is what the page knows of one channel.
type channel struct {
	record.Channel
	everyNS int64
	source  string

	labels     []*dto.LabelPair   // channel, role
	infoLabels []*dto.LabelPair   // of channel_info
	faultPairs [][]*dto.LabelPair // channel, fault, role; by fault bit

	seen   bool
	boot   record.BootID
	at     int64 // middle of the newest conversion, ns monotonic
	value  convert.Value
	good   reading // newest good reading
	isGood bool    // good holds, and is of this boot

	failures uint64
	byFault  []uint64 // by fault bit; nil: none yet
	window   *window  // nil: the kind has no maxima
	runMax   float64
	hasMax   bool // runMax holds

	energyJ    float64
	uncoveredS float64
	bounds     []*bound
}

// bound is one limit as it applies to one channel.
type bound struct {
	record.Limit
	labels []*dto.LabelPair // channel, limit, role, severity, side
	timed  bool             // overNS counts
	over   bool             // the newest good reading was beyond it
	overNS int64            // time beyond it
	counts []*dto.LabelPair // channel, limit, role
}

// arrival is a reading of a channel as it comes in.
type arrival struct {
	convert.Value
	boot  record.BootID
	at    int64 // CLOCK_BOOTTIME, ns
	inRun bool  // a run is open
	count bool  // false while the past is followed again after a restart: what happened then was counted then
}

// take takes in a reading of the channel.
func (c *channel) take(v arrival, ambient func() (float64, bool)) {
	if v.boot != c.boot {
		c.boot, c.isGood = v.boot, false
		if c.window != nil {
			c.window.clear()
		}
	}
	c.seen, c.at, c.value = true, v.at, v.Value
	if v.Faults != 0 {
		if v.count {
			c.countFaults(v.Faults)
		}
		return
	}
	value := v.Value.Value
	if c.isGood && v.count {
		c.integrate(v.at, value)
	}
	c.good, c.isGood = reading{v.at, value}, true
	if c.window != nil {
		c.window.add(v.at, value)
		if v.inRun && (!c.hasMax || value > c.runMax) {
			c.runMax, c.hasMax = value, true
		}
	}
	for _, b := range c.bounds {
		b.over = b.beyond(value, ambient)
	}
}

func (c *channel) countFaults(f record.Faults) {
	c.failures++
	if c.byFault == nil {
		c.byFault = make([]uint64, len(c.faultPairs))
	}
	for rest := uint32(f); rest != 0; rest &= rest - 1 {
		if i := bits.TrailingZeros32(rest); i < len(c.byFault) {
			c.byFault[i]++
		}
	}
}

// integrate counts the time from the newest good reading to one at a later instant.
// Readings more than three periods apart say nothing about the time between them.
func (c *channel) integrate(at int64, value float64) {
	dt := at - c.good.at
	if dt <= 0 {
		return
	}
	s := float64(dt) / 1e9
	if dt > staleAfter*c.everyNS {
		c.uncoveredS += s
		return
	}
	if c.Kind == record.Power {
		c.energyJ += s * (max(c.good.value, 0) + max(value, 0)) / 2
	}
	for _, b := range c.bounds {
		if b.timed && b.over {
			b.overNS += dt
		}
	}
}

// beyond tells whether a value is on the wrong side of the bound.
func (b *bound) beyond(value float64, ambient func() (float64, bool)) bool {
	switch b.Quantity {
	case "value", "":
	case "rise":
		room, ok := ambient()
		if !ok {
			return false
		}
		value -= room
	default:
		return false
	}
	if b.Below {
		return value < b.Bound
	}
	return value > b.Bound
}

// faults are those that stand in the place of a value now; zero: there is a value.
// A channel that was never read, or not lately, is stale.
func (c *channel) faults(now record.Stamp, speed float64) record.Faults {
	if !c.seen || c.boot != now.Boot {
		return record.Stale
	}
	limit := max(staleAfter*c.everyNS, int64(float64(staleFloor)*speed))
	if now.BootNS-c.at > limit {
		return record.Stale | c.value.Faults
	}
	return c.value.Faults
}

// inherit takes over what an earlier layout's channel of the same name counted.
func (c *channel) inherit(old *channel) {
	c.seen, c.boot, c.at, c.value = old.seen, old.boot, old.at, old.value
	c.good, c.isGood = old.good, old.isGood
	c.failures, c.byFault = old.failures, old.byFault
	c.energyJ, c.uncoveredS = old.energyJ, old.uncoveredS
	c.runMax, c.hasMax = old.runMax, old.hasMax
	if old.window != nil && c.window != nil {
		c.window = old.window
	}
}
