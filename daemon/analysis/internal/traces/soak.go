package traces

import (
	"fmt"
	"math"
	"math/rand/v2"

	"soakrig/daemon/record"
)

// soak is a trace in the making.
type soak struct {
	o     Options
	r     *rand.Rand
	board *board
	trace Trace

	hot              int
	idleW, stepW     float64
	idleP            float64 // heat at idle as a share of full
	load             float64 // share of the step now
	loopS, gapS, gap float64
	level, levelTill float64
	boostTill, boost float64
	crash, back      float64
	tripK, hystK     float64 // rise at which the limiter acts
	tripTo           float64
	tripped          bool
	regulated        float64
	fall             float64
	eventS           float64
	room             float64
	swing, period    float64
	phase, drift     float64
	full             []loaded // load by time while the program runs
	window           [][]float64
	joules           float64
	meterAvg         float64
	meterN           int
	spikeTill        []float64
	spike            []float64
	probe            int
	faultS           float64
	stuckAt          float64
	fallen           float64
}

type loaded struct{ at, load, room float64 }

func newSoak(o Options) *soak {
	r := rand.New(rand.NewPCG(o.Seed, 0x50a4))
	s := &soak{o: o, r: r, board: newBoard(r, o.Probes), regulated: 1}
	s.hot = s.board.hottest()
	s.idleW, s.stepW, s.idleP = span(r, 25, 70), span(r, 90, 320), span(r, 0.03, 0.12)
	s.loopS, s.gapS, s.gap = span(r, 50, 180), span(r, 4, 20), span(r, 0.1, 0.6)
	s.boost, s.boostTill = span(r, 1.12, 1.35), span(r, 25, 60)
	s.crash = o.BaselineS + o.LoadS*span(r, 0.2, 0.9)
	s.back = s.crash + span(r, 8, 40)
	s.swing, s.period, s.phase = span(r, 0.1, 0.4), span(r, 700, 1500), span(r, 0, 2*math.Pi)
	s.drift = span(r, -0.2, 0.2)
	s.tripK = s.board.final(s.hot) * span(r, 0.8, 0.97)
	s.hystK, s.tripTo = span(r, 1, 4), span(r, 0.3, 0.75)
	s.fall, s.eventS = span(r, 0.05, 0.15), o.BaselineS+o.LoadS*span(r, 0.4, 0.7)
	s.probe = r.IntN(o.Probes)
	s.faultS = o.BaselineS + o.LoadS*span(r, 0.3, 0.85)
	s.trace.Truth = Truth{StartS: o.BaselineS, EndS: o.BaselineS + o.LoadS, Probe: -1}
	s.channels()
	if o.Fault != Healthy {
		s.trace.Truth.Probe, s.trace.Truth.FaultS = s.probe, s.faultS
	}
	switch o.Load {
	case CrashIdle, CrashOff, Restart:
		s.trace.Truth.CrashS, s.trace.Truth.EndS = s.crash, s.crash
	}
	for k := range s.board.state {
		s.board.state[k] = s.idleP
	}
	for i := range s.board.fast {
		s.board.fast[i] = s.idleP
	}
	s.window = make([][]float64, o.Probes)
	s.spikeTill, s.spike = make([]float64, o.Probes), make([]float64, o.Probes)
	return s
}

func (s *soak) channels() {
	for i := range s.o.Probes {
		s.trace.Channels = append(s.trace.Channels, Channel{fmt.Sprintf("vr%d", i+1), record.Temperature, "degC", record.RoleProbe})
		s.trace.Truth.PeakC = append(s.trace.Truth.PeakC, math.Inf(-1))
	}
	if !s.o.NoRoom {
		s.trace.Channels = append(s.trace.Channels, Channel{"room", record.Temperature, "degC", record.RoleAmbient})
	}
	if !s.o.NoPower {
		s.trace.Channels = append(s.trace.Channels, Channel{"wall", record.Power, "W", record.RoleSupply})
		if s.o.Counter {
			s.trace.Channels = append(s.trace.Channels, Channel{"wall_energy", record.Energy, "J", record.RoleSupply})
		}
	}
}

// program is the share of the step that the load program asks for.
func (s *soak) program(t float64) float64 {
	since := t - s.o.BaselineS
	if since < 0 || since >= s.o.LoadS {
		return 0
	}
	switch s.o.Load {
	case RenderLoop, LoopTrip, LoopFlat:
		if math.Mod(since, s.loopS+s.gapS) >= s.loopS {
			return s.gap
		}
	case Boost:
		if since < s.boostTill {
			return s.boost
		}
	case Levels:
		if since >= s.levelTill {
			s.level, s.levelTill = span(s.r, 0.75, 1), since+span(s.r, 120, 600)
		}
		return s.level
	case SlowFall:
		if since > 600 {
			return 1 - s.fall*min((since-600)/(s.o.LoadS-900), 1)
		}
	case CrashIdle, CrashOff, Restart:
		if t >= s.crash {
			return 0
		}
	}
	return 1
}

// limit lowers the load as the unit's limiter does.
func (s *soak) limit(load, dt float64) float64 {
	rise := s.board.rise(s.hot)
	switch s.o.Load {
	case Trip, LoopTrip:
		if load > 0 && rise > s.tripK {
			s.tripped = true
		}
		if rise < s.tripK-s.hystK {
			s.tripped = false
		}
		if s.tripped && load > s.tripTo {
			s.trace.Truth.Thermal = true
			return s.tripTo
		}
	case FlatTop, LoopFlat:
		s.regulated = min(max(s.regulated+0.002*(s.tripK-rise)*dt, 0.3), 1)
		if s.regulated < 1 && load > s.regulated {
			s.trace.Truth.Thermal = true
			return s.regulated
		}
	}
	return load
}

func (s *soak) step(t, dt float64) {
	s.load = s.limit(s.program(t), dt)
	heat := s.idleP + (1-s.idleP)*s.load
	if s.o.Load == CrashOff && t >= s.crash || s.o.Load == Restart && t >= s.crash && t < s.back {
		heat = 0
	}
	if s.o.Load == FanFail && t >= s.eventS {
		s.board.fan = 1.15
	}
	s.board.step(heat, dt)
	s.room = 23 + s.swing*math.Sin(2*math.Pi*t/s.period+s.phase) + s.drift*t/3600
	if s.o.Load == RoomStep && t > s.eventS {
		s.room += 5 * (1 - math.Exp(-(t-s.eventS)/600))
	}
	w := s.watts(t)
	s.joules += w * dt
	s.meterAvg += w
	s.meterN++
	if t >= s.trace.Truth.StartS && t < s.trace.Truth.EndS {
		s.trace.Truth.EnergyJ += w * dt
		if t == math.Trunc(t) {
			s.truth(t)
		}
	}
}

func (s *soak) watts(t float64) float64 {
	switch {
	case s.o.Load == CrashOff && t >= s.crash, s.o.Load == Restart && t >= s.crash && t < s.back:
		return 1.5
	}
	w := s.idleW + s.stepW*s.load
	return w + s.r.NormFloat64()*(0.4+0.006*s.stepW*min(s.load*4, 1))
}

// truth follows the true held peaks and the load while the program runs.
func (s *soak) truth(t float64) {
	s.full = append(s.full, loaded{t, s.load, s.room})
	for i := range s.window {
		s.window[i] = append(s.window[i], s.room+s.board.rise(i))
		if len(s.window[i]) > 10 {
			s.window[i] = s.window[i][1:]
		}
		low := math.Inf(1)
		for _, v := range s.window[i] {
			low = min(low, v)
		}
		if len(s.window[i]) == 10 {
			s.trace.Truth.PeakC[i] = max(s.trace.Truth.PeakC[i], low)
		}
	}
}

// readProbes adds what the converters deliver.
func (s *soak) readProbes(t float64) {
	for i := range s.o.Probes {
		v, faults := s.probeValue(i, t)
		s.add(t, i, v, faults)
	}
	if !s.o.NoRoom && math.Mod(t, 2) < s.o.PeriodS {
		s.add(t, s.o.Probes, round(s.room+0.02*s.r.NormFloat64(), 0.0625), 0)
	}
}

func (s *soak) add(t float64, channel int, v float64, f record.Faults) {
	if s.o.Missing > 0 && s.r.Float64() < s.o.Missing {
		return
	}
	s.trace.Readings = append(s.trace.Readings, Reading{t, channel, v, f})
}

func (s *soak) probeValue(i int, t float64) (float64, record.Faults) {
	v := s.room + s.board.rise(i)
	noise := s.o.NoiseK
	if i == s.probe {
		switch s.o.Fault {
		case Stuck:
			if t >= s.faultS {
				if s.stuckAt == 0 {
					s.stuckAt = round(v, s.o.StepK)
				}
				return s.stuckAt, 0
			}
		case OpenCircuit:
			if t >= s.faultS {
				return 0, record.Open
			}
		default:
			v, noise = s.ill(v, t, noise)
		}
	}
	v += noise * s.r.NormFloat64()
	if s.o.SpikesPer > 0 {
		if s.r.Float64() < s.o.PeriodS/s.o.SpikesPer {
			s.spike[i] = s.r.ExpFloat64() * 8
			if s.r.IntN(2) == 0 {
				s.spike[i] = -s.spike[i]
			}
			s.spikeTill[i] = t
			if s.r.Float64() < 0.15 {
				s.spikeTill[i] = t + span(s.r, 1, 2)
			}
		}
		if t <= s.spikeTill[i] {
			v += s.spike[i]
		}
	}
	return round(v, s.o.StepK), 0
}

// ill is what a probe shows whose bead or wires are not right.
func (s *soak) ill(v, t, noise float64) (float64, float64) {
	rise := v - s.room
	part := map[Fault]float64{Detached: 0.1, HalfDetached: 0.5, QuarterDetached: 0.75}
	switch s.o.Fault {
	case Detached, HalfDetached, QuarterDetached:
		if t < s.faultS {
			s.fallen = 1
			return v, noise
		}
		s.fallen += (part[s.o.Fault] - s.fallen) * (1 - math.Exp(-s.o.PeriodS/3))
		return s.room + rise*s.fallen, noise * 2
	case NeverAttached:
		return s.room + 0.1*rise, noise * 2
	case Reversed:
		return s.room + 4 - rise*0.95, noise
	case PickupUp, PickupDown:
		if s.load > 0 && s.o.Fault == PickupUp {
			return v + 2, noise
		} else if s.load > 0 {
			return v - 2, noise
		}
	case Drift:
		if t > s.faultS {
			return v + (t-s.faultS)/3600*3, noise
		}
	}
	return v, noise
}

func (s *soak) readMeter(t float64) {
	if s.o.NoPower {
		return
	}
	at := len(s.trace.Channels) - 1
	if s.o.Counter {
		at--
	}
	w := s.meterAvg / float64(max(s.meterN, 1))
	s.meterAvg, s.meterN = 0, 0
	s.add(t, at, round(w+s.o.MeterW*0.3*s.r.NormFloat64(), s.o.MeterW), 0)
	if s.o.Counter {
		s.add(t, at+1, math.Floor(s.joules/100)*100, 0)
	}
}

func round(v, step float64) float64 { return math.Round(v/step) * step }

// finish works out the truth that needs the whole run.
func (s *soak) finish() {
	tr := &s.trace.Truth
	for i := range s.o.Probes {
		tr.FinalC = append(tr.FinalC, 23+s.board.final(i))
		if tr.PeakC[i] > tr.PeakC[tr.HotSpot] {
			tr.HotSpot = i
		}
	}
	n := tr.EndS - tr.StartS
	early, late, ne, nl, dip := 0.0, 0.0, 0.0, 0.0, false
	room, nr := 0.0, 0.0
	for _, l := range s.full {
		since := l.at - tr.StartS
		if since >= 30 && since < min(900, n/3) {
			early, ne = early+l.load, ne+1
		}
		if since >= n*2/3 {
			late, nl = late+l.load, nl+1
		}
		if since >= n-900 {
			room, nr = room+l.room, nr+1
		}
		if low := l.load < 0.9; low != dip {
			dip = low
			if low {
				tr.Dips++
			}
		}
	}
	tr.RoomEndC = room / max(nr, 1)
	if ne > 0 && nl > 0 {
		tr.Loss = early/ne - late/nl
	}
}
