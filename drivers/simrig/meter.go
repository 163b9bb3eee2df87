package simrig

import (
	"encoding/binary"
	"math"
)

// meterName is the meter's name in faults and for Dial.
const meterName = "meter"

// Register addresses of the meter: pairs of registers holding a float32, most
// significant byte first, as single-phase DIN-rail meters of a common family have
// them (active power at 12, import energy at 72).
const (
	regVolts    = 0
	regAmps     = 6
	regWatts    = 12
	regVA       = 18
	regVAR      = 24
	regFactor   = 30
	regHz       = 70
	regImport   = 72
	regTotal    = 342
	regsEnd     = 400
	powerFactor = 0.97
)

// meter is the wall-power meter: it looks once a second.
type meter struct {
	o      Meter
	gain   float64
	sumW   float64
	steps  int
	kWh    float64
	faults []*fault
	regs   [regsEnd]uint16
}

func newMeter(o Meter, d dice) meter {
	return meter{o: o, gain: 1 + o.GainError*d.gauss(stream(meterName), 1<<40), kWh: o.CounterKWh}
}

func (m *meter) link(all []*fault) {
	m.faults = m.faults[:0]
	for _, f := range all {
		if f.chip == meterName {
			m.faults = append(m.faults, f)
		}
	}
}

// has tells whether the meter has this fault at tS.
func (m *meter) has(kind faultKind, tS float64) bool {
	for _, f := range m.faults {
		if f.kind == kind && f.active(tS) {
			return true
		}
	}
	return false
}

// add takes in one step's power.
func (m *meter) add(wallW float64) {
	m.sumW += wallW
	m.steps++
}

// update ends second number second.
func (m *meter) update(d dice, second int64) {
	m.tick(d, second, m.sumW/float64(m.steps), 1)
	m.sumW, m.steps = 0, 0
}

// tick shows a mean power that lasted for lastedS.
func (m *meter) tick(d dice, second int64, wallW, lastedS float64) {
	m.kWh += wallW * m.gain * lastedS / 3.6e6
	if m.has(faultFrozen, float64(second)) {
		return
	}
	k, s := uint64(second), stream(meterName)
	watts := round(wallW*m.gain*(1+m.o.Noise*d.gauss(s, k)), m.o.PowerStepW)
	volts := round(m.o.VoltageV*(1+0.004*math.Sin(float64(second)/700)+0.0005*d.gauss(s+1, k)), 0.1)
	m.set(regVolts, volts)
	m.set(regAmps, round(watts/volts/powerFactor, 0.001))
	m.set(regWatts, watts)
	m.set(regVA, round(watts/powerFactor, m.o.PowerStepW))
	m.set(regVAR, round(watts*math.Tan(math.Acos(powerFactor)), m.o.PowerStepW))
	m.set(regFactor, powerFactor)
	m.set(regHz, round(m.o.MainsHz+0.015*d.gauss(s+2, k/4), 0.01))
	m.set(regImport, math.Floor(m.kWh/max(m.o.EnergyStep, 1e-9))*max(m.o.EnergyStep, 1e-9))
	m.regs[regTotal], m.regs[regTotal+1] = m.regs[regImport], m.regs[regImport+1]
}

func (m *meter) set(reg int, v float64) {
	b := math.Float32bits(float32(v))
	m.regs[reg], m.regs[reg+1] = uint16(b>>16), uint16(b)
}

func round(v, step float64) float64 {
	if step <= 0 {
		return v
	}
	return math.Round(v/step) * step
}

// Modbus function codes and exceptions that the meter knows.
const (
	readHolding    = 3
	readInput      = 4
	badFunction    = 1
	badAddress     = 2
	badValue       = 3
	deviceFailure  = 4
	gatewayNoReply = 11
	meterUnit      = 1
	mostRegisters  = 125
)

// answer is the reply to one request: function and body. nil: none.
func (r *Rig) answer(unit byte, pdu []byte) []byte {
	defer r.enter()()
	t, m := float64(r.n)*stepS, &r.meter
	exception := func(code byte) []byte { return []byte{pdu[0] | 0x80, code} }
	switch {
	case m.has(faultSilent, t):
		return nil
	case unit != meterUnit:
		return exception(gatewayNoReply)
	case pdu[0] != readHolding && pdu[0] != readInput:
		return exception(badFunction)
	case len(pdu) != 5:
		return exception(badValue)
	case m.has(faultException, t):
		return exception(deviceFailure)
	}
	from, count := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	switch {
	case count < 1 || count > mostRegisters || count%2 != 0:
		return exception(badValue) // values are pairs
	case from%2 != 0 || from+count > regsEnd:
		return exception(badAddress)
	}
	nan := m.has(faultNaN, t)
	out := append(make([]byte, 0, 2+2*count), pdu[0], byte(2*count))
	for i := from; i < from+count; i++ {
		v := m.regs[i]
		if nan {
			v = [2]uint16{0x7fc0, 0}[i%2]
		}
		out = binary.BigEndian.AppendUint16(out, v)
	}
	return out
}
