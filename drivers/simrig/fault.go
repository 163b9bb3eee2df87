package simrig

import (
	"math"
	"sort"
	"strconv"
	"strings"
)

// faultKind is what breaks.
type faultKind uint8

const (
	_ faultKind = iota
	faultDetached
	faultOpen
	faultShort
	faultReversed
	faultToGround
	faultToSupply
	faultPickup
	faultSpikes
	faultNoisy
	faultNoChip
	faultBrownOut
	faultFrozen
	faultBusError
	faultRepeatByte
	faultSilent
	faultException
	faultNaN
	faultFanStop
)

// faultSpec says what a kind of fault can hit and what its value means.
type faultSpec struct {
	kind   faultKind
	target string // probe, stage, chip, meter, both (chip or meter), unit
	help   string
}

func faultSpecs() map[string]faultSpec {
	return map[string]faultSpec{
		"detached":        {faultDetached, "stage", "the bead lets go; value: part of the contact that is left, 0..1"},
		"open":            {faultOpen, "probe", "a lead is off"},
		"short":           {faultShort, "probe", "the leads touch each other at the terminals; no chip can flag it"},
		"reversed":        {faultReversed, "probe", "polarity swapped"},
		"short_to_ground": {faultToGround, "probe", "a lead touches ground"},
		"short_to_supply": {faultToSupply, "probe", "a lead touches the supply"},
		"pickup":          {faultPickup, "probe", "an offset while the unit is loaded; value: K"},
		"spikes":          {faultSpikes, "probe", "bursts, most of one conversion, some of 2 to 3 s; value: mean height, K; every: mean time between"},
		"noisy":           {faultNoisy, "probe", "value: factor on the noise"},
		"no_chip":         {faultNoChip, "chip", "the chip does not answer; the line floats as miso says, I2C gets no acknowledgement"},
		"brown_out":       {faultBrownOut, "chip", "its supply dips for the given time (at least 1 ms) and it starts anew"},
		"frozen":          {faultFrozen, "both", "it goes on answering with its last result"},
		"bus_error":       {faultBusError, "chip", "transfers fail"},
		"repeat_byte":     {faultRepeatByte, "chip", "I2C: the first byte is read again and again"},
		"silent":          {faultSilent, "meter", "no answer"},
		"exception":       {faultException, "meter", "Modbus exception 4"},
		"nan":             {faultNaN, "meter", "not-a-number in every register pair"},
		"fan_stop":        {faultFanStop, "unit", "value: factor on the heatsink's resistance"},
	}
}

// FaultKinds lists the kinds of faults with what they hit and what their value
// means, one per line, sorted.
func FaultKinds() []string {
	var lines []string
	for name, s := range faultSpecs() {
		lines = append(lines, name+" ("+s.target+"): "+s.help)
	}
	sort.Strings(lines)
	return lines
}

// fault is a Fault at work.
type fault struct {
	kind       faultKind
	chip       string // id; empty: any
	place      int    // -1: any
	from       string
	atS, forS  float64
	value      float64
	everyS     float64
	stream     uint64
	ofUnit     bool
	begin, end float64 // s, rig time; +Inf: not yet known
}

func newFault(o Fault, ofUnit bool, index int) *fault {
	f := &fault{
		kind: faultSpecs()[o.Kind].kind, chip: o.Chip, place: -1, from: o.from(ofUnit),
		atS: o.At.Seconds(), forS: o.For.Seconds(), value: o.Value, everyS: o.Every.Seconds(),
		stream: stream("fault " + o.Kind + " " + o.Chip + o.Place + strconv.Itoa(index)),
		ofUnit: ofUnit, begin: math.Inf(1), end: math.Inf(1),
	}
	if o.Place != "" {
		f.place, _ = parsePlace(o.Place)
	}
	if f.chip != "" && f.chip != meterName {
		f.chip = canonicalChip(f.chip)
	}
	if f.kind == faultBrownOut && f.forS < 0.001 {
		f.forS = 0.001
	}
	f.anchor(fromStart, 0)
	return f
}

// from is what At counts from.
func (o *Fault) from(ofUnit bool) string {
	switch {
	case o.From != "":
		return o.From
	case ofUnit:
		return fromLoad
	}
	return fromStart
}

// What a fault's time can count from.
const (
	fromStart = "start"
	fromMount = "mount"
	fromLoad  = "load"
)

// anchor tells the fault when something it may count from happened.
func (f *fault) anchor(from string, t float64) {
	if f.from != from {
		return
	}
	f.begin = t + f.atS
	f.end = math.Inf(1)
	if f.forS > 0 {
		f.end = f.begin + f.forS
	}
}

func (f *fault) active(t float64) bool { return t >= f.begin && t < f.end }

func (f *fault) hits(place int) bool { return f.place < 0 || f.place == place }

// spikeSlotS is the grid on which spikes are drawn: at most one in each.
const spikeSlotS = 4.0

// spikeK is the height of the spike at t, 0 between spikes.
func (f *fault) spikeK(d dice, t float64) float64 {
	slot := uint64(int64(math.Floor(t / spikeSlotS)))
	if d.uniform(f.stream, slot*4) >= spikeSlotS/max(f.everyS, spikeSlotS) {
		return 0
	}
	lasts := 0.12
	if u := d.uniform(f.stream, slot*4+1); u < 0.15 {
		lasts = 2 + u/0.15
	}
	begin := d.uniform(f.stream, slot*4+2) * (spikeSlotS - lasts)
	if in := t - math.Floor(t/spikeSlotS)*spikeSlotS; in < begin || in >= begin+lasts {
		return 0
	}
	b := d.bits(f.stream, slot*4+3)
	height := f.value * d.exponential(f.stream+1, slot)
	if b&1 == 0 {
		return -height
	}
	return height
}

// canonicalChip writes a chip's name in one way: hexadecimal addresses, upper case.
func canonicalChip(name string) string {
	port, rest, ok := strings.Cut(name, "/")
	port = strings.ToUpper(port)
	if !ok {
		return port
	}
	if n, err := strconv.ParseUint(rest, 0, 7); err == nil {
		return port + "/0x" + strconv.FormatUint(n, 16)
	}
	return port + "/" + strings.ToUpper(rest)
}

// id is the chip's name in faults and messages.
func (c *Chip) id() string {
	switch {
	case c.Select != "":
		return canonicalChip(c.Port + "/" + c.Select)
	case c.Address != 0:
		return canonicalChip(c.Port + "/" + strconv.Itoa(c.Address))
	}
	return canonicalChip(c.Port)
}
