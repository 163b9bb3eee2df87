package metrics

import (
	"cmp"
	"maps"
	"runtime"
	"slices"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"soakrig/daemon/record"
)

// Describe implements prometheus.Collector.
func (m *Metrics) Describe(ch chan<- *prometheus.Desc) {
	for _, f := range m.f.all {
		ch <- f.desc
	}
}

// Collect implements prometheus.Collector. It copies the snapshot and calls nothing
// that could wait.
func (m *Metrics) Collect(ch chan<- prometheus.Metric) {
	var s scrape
	m.points(&s)
	for i := range s.points {
		ch <- &s.points[i]
	}
}

// points adds the snapshot's points to a page.
func (m *Metrics) points(s *scrape) {
	now := m.o.Clock.Now()
	m.mu.Lock()
	s.points = slices.Grow(s.points, 64+14*len(m.state.channels)+8*len(m.status.sources))
	m.state.collect(s, now, m.o.Clock.Speed())
	status := m.status
	m.mu.Unlock()
	m.rigPoints(s, now)
	status.collect(s, m.f)
}

// collect adds what journal entries have said.
func (s *state) collect(out *scrape, now record.Stamp, speed float64) {
	byRole := map[record.Role]int{}
	for _, c := range s.channels {
		byRole[c.Role]++
		s.channel(out, c, now, c.faults(now, speed))
	}
	for _, role := range slices.Sorted(maps.Keys(byRole)) {
		out.add(s.f.channels, float64(byRole[role]), string(role))
	}
	out.add(s.f.samples, float64(s.samples))
	if s.hasLast {
		out.add(s.f.lastSample, seconds(s.last.WallNS))
	}
	out.add(s.f.clockSteps, float64(s.clockSteps))
	if _, band := s.inForce(); band != nil {
		out.add(s.f.ambientLow, band.Low)
		out.add(s.f.ambientHigh, band.High)
	}
	if s.run != nil {
		out.add(s.f.runStart, seconds(s.runAt.WallNS))
	}
	for _, v := range verdicts() {
		out.add(s.f.runs, float64(s.ended[v]), string(v))
	}
	if l := s.lastRun; l != nil {
		out.add(s.f.lastEnd, seconds(l.at.WallNS))
		states(out, s.f.lastVerdict, verdicts(), l.verdict)
		out.add(s.f.lastLimited, truth(l.limited))
		if l.peakC != nil {
			out.add(s.f.lastPeak, *l.peakC)
		}
	}
}

// channel adds the series of one channel.
func (s *state) channel(out *scrape, c *channel, now record.Stamp, faults record.Faults) {
	q := s.f.byKind[c.Kind]
	out.put(s.f.channelInfo, c.infoLabels, 1)
	out.put(s.f.channelUp, c.labels, truth(faults == 0))
	out.put(s.f.channelFailures, c.labels, float64(c.failures))
	for i := range c.faultPairs {
		if faults&(1<<i) != 0 {
			out.put(s.f.channelFault, c.faultPairs[i], 1)
		}
		if c.byFault != nil && c.byFault[i] > 0 {
			out.put(s.f.channelFaults, c.faultPairs[i], float64(c.byFault[i]))
		}
	}
	if q == nil {
		return
	}
	if faults == 0 {
		out.put(q.value, c.labels, c.value.Value)
		if q.uncertainty != nil && c.value.Expanded > 0 {
			out.put(q.uncertainty, c.labels, c.value.Expanded)
		}
	}
	if c.window != nil {
		s.maxima(out, c, q, now)
	}
	if c.Kind == record.Power {
		out.put(s.f.energy, c.labels, c.energyJ)
		out.put(s.f.energyUncovered, c.labels, c.uncoveredS)
	}
	for _, b := range c.bounds {
		out.put(s.f.limitOf(b.Limit, c), b.labels, b.Bound)
		if b.timed {
			out.put(s.f.overLimit, b.counts, seconds(b.overNS))
		}
	}
}

// maxima adds the maxima of a channel. They are of good readings, so they stand
// beside a fault until the window has moved on: a peak before the fault is not lost.
func (s *state) maxima(out *scrape, c *channel, q *quantity, now record.Stamp) {
	if c.boot == now.Boot {
		if v, ok := c.window.max(now.BootNS, 32e9); ok {
			out.put(q.max32, c.labels, v)
		}
		if v, ok := c.window.max(now.BootNS, 60e9); ok {
			out.put(q.max60, c.labels, v)
		}
	}
	if s.run != nil && c.hasMax {
		out.put(q.runMax, c.labels, c.runMax)
	}
}

// rigPoints adds what is true of rig and build.
func (m *Metrics) rigPoints(out *scrape, now record.Stamp) {
	out.add(m.f.rigInfo, 1, m.o.Rig, strconv.FormatBool(m.o.Simulated))
	out.add(m.f.buildInfo, 1, runtime.Version(), m.o.Version)
	out.add(m.f.rigTime, seconds(now.WallNS))
	out.add(m.f.rigSpeed, m.o.Clock.Speed())
	out.add(m.f.clockSynced, truth(now.Synced))
}

// collect adds what was asked of the rest of the daemon.
func (s *status) collect(out *scrape, f *families) {
	if s.at.IsZero() {
		return // nothing was asked yet
	}
	out.add(f.statusAge, time.Since(s.at).Seconds())
	if s.hasServing {
		out.add(f.serving, truth(s.serving))
	}
	if s.hasReload {
		out.add(f.reloadOK, truth(s.reloadOK))
		out.add(f.reloadAt, float64(s.reloadAt.UnixNano())/1e9)
	}
	s.journalPoints(out, f)
	for _, h := range s.sources {
		out.add(f.sourceUp, truth(h.Up), h.Source)
		out.add(f.sourceReads, float64(h.Reads), h.Source)
		out.add(f.sourceFailures, float64(h.Failures), h.Source)
		out.add(f.sourceLate, float64(h.Late), h.Source)
		out.add(f.sourcePeriod, float64(h.EveryNS)/1e9, h.Source)
		out.add(f.sourceInfo, 1, h.Driver, h.Source)
		if h.HasLast {
			out.add(f.sourceLast, seconds(h.Last.WallNS), h.Source)
		}
	}
	if s.hasSubscribers {
		out.add(f.subscribers, float64(len(s.subscribers)))
		slowest := uint64(0)
		for _, sub := range s.subscribers {
			slowest = max(slowest, sub.Lag)
		}
		out.add(f.subscriberLag, float64(slowest))
	}
	if s.hasLive {
		s.runPoints(out, f)
	}
}

// runPoints adds the state of the open run.
func (s *status) runPoints(out *scrape, f *families) {
	out.add(f.runOpen, truth(s.open))
	if !s.open {
		return
	}
	l := &s.live
	out.add(f.runInfo, 1, l.Run, l.Setup, l.Unit)
	states(out, f.runPhase, phases(), l.Phase)
	states(out, f.runVerdict, verdicts(), l.VerdictSoFar)
	out.add(f.runElapsed, l.ElapsedS)
	out.add(f.runPhaseElapsed, l.PhaseS)
	out.add(f.runGood, float64(l.ProbesGood))
	out.add(f.runProbes, float64(l.ProbesTotal))
	for _, v := range []struct {
		f *family
		v *float64
	}{
		{f.runRemaining, l.RemainingS}, {f.runPeak, l.PeakC}, {f.runRise, l.RiseK}, {f.runAmbient, l.AmbientC},
		{f.runSlope, l.SlopeKPerH}, {f.runEnergy, l.EnergyJ}, {f.runPower, l.PowerW},
	} {
		if v.v != nil {
			out.add(v.f, *v.v)
		}
	}
	type kind struct{ code, severity string }
	found := map[kind]int{}
	for _, w := range l.Warnings {
		found[kind{w.Code, w.Severity}]++
	}
	for _, k := range slices.SortedFunc(maps.Keys(found), func(a, b kind) int {
		return cmp.Or(cmp.Compare(a.code, b.code), cmp.Compare(a.severity, b.severity))
	}) {
		out.add(f.runFinding, float64(found[k]), k.code, k.severity)
	}
}

// states adds a state set: one series for each word, 1 for the one that holds.
func states[T ~string](s *scrape, f *family, words []T, holds T) {
	for _, w := range words {
		s.add(f, truth(w == holds), string(w))
	}
}

func verdicts() []record.Verdict {
	return []record.Verdict{record.VerdictPass, record.VerdictMarginal, record.VerdictFail, record.VerdictVoid, record.VerdictNone}
}

func phases() []record.Phase {
	return []record.Phase{record.PhaseWaiting, record.PhaseBaseline, record.PhaseLoad, record.PhaseCooldown, record.PhaseEnded}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func seconds(ns int64) float64 { return float64(ns) / 1e9 }
