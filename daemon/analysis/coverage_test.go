package analysis

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// coverageTrials is how many instruments or pairs of runs a coverage test draws; its
// figure then has a standard error of 0.25 %.
var coverageTrials = flag.Int("coverage.trials", 8000, "instruments drawn by the coverage tests")

var coverageSeed = flag.Uint64("coverage.seed", 20260502, "seed of the coverage tests")

// lab draws instruments and runs. Everything comes from its seed.
type lab struct {
	*rand.Rand
	t     testing.TB
	fixed map[string]float64 // draws that stay: by key of what they belong to
}

func newLab(t testing.TB) *lab {
	t.Helper()
	t.Logf("seed %d (-coverage.seed), %d trials (-coverage.trials)", *coverageSeed, *coverageTrials)
	return &lab{Rand: rand.New(rand.NewPCG(*coverageSeed, 1)), t: t, fixed: map[string]float64{}}
}

// unit is a draw with standard deviation 1: rectangular, or normal where the line
// states its limits in standard deviations.
func (l *lab) unit(sigma float64) float64 {
	if sigma > 0 {
		return l.NormFloat64()
	}
	return (2*l.Float64() - 1) * math.Sqrt(3)
}

// kept is the same draw for the same key until the lab is emptied.
func (l *lab) kept(key string, sigma float64) float64 {
	if v, ok := l.fixed[key]; ok {
		return v
	}
	v := l.unit(sigma)
	l.fixed[key] = v
	return v
}

// forget draws new instruments.
func (l *lab) forget() { clear(l.fixed) }

// errorOf is the error of a line in one run, of standard deviation u: a part that
// stays for key and keeps the line's distribution, and a normal residue that does not
// stay. Without a key nothing stays.
func (l *lab) errorOf(key, name string, u, sigma, residue float64) float64 {
	if key == "" {
		return u * l.unit(sigma)
	}
	own := min(residue, u)
	return math.Sqrt(u*u-own*own)*l.kept(key+"|"+name, sigma) + own*l.NormFloat64()
}

// bench is a rig with eight probes of one kind.
type bench struct {
	rig    string
	layout *record.Layout
	table  *convert.Table
	couple its90.Type
	tolK   float64 // of the wire
	raw    [1]record.Raw
	values [1]convert.Value
}

func newBench(t testing.TB, rig string, ch record.Channel, channels int) *bench {
	t.Helper()
	l := &record.Layout{ID: 1, Rig: rig}
	for i := range channels {
		c := ch
		c.Name = fmt.Sprintf("vr%d", i+1)
		l.Channels = append(l.Channels, c)
		l.Sources = append(l.Sources, record.Source{Name: c.Name, Channels: []int{i}})
	}
	table, err := convert.New(l)
	if err != nil {
		t.Fatal(err)
	}
	couple, err := its90.ParseType(ch.Couple)
	if err != nil {
		t.Fatal(err)
	}
	class, err := its90.ParseClass(ch.Class)
	if err != nil {
		t.Fatal(err)
	}
	tolK, _, err := its90.Tolerance(couple, class, workedC)
	if err != nil {
		t.Fatal(err)
	}
	return &bench{rig: rig, layout: l, table: table, couple: couple, tolK: tolK}
}

// seen is what reaches the converter in one run.
type seen struct{ probeC, sensedC, addedVolts, gain float64 }

// disturb draws the errors of a channel's lines, each where it acts.
func (b *bench) disturb(l *lab, ch *record.Channel, s *seen, slope float64) {
	draw := func(lines []record.Line, residueK float64) {
		for _, line := range lines {
			if strings.HasPrefix(line.Name, "step of") {
				continue // the codes themselves do that
			}
			key, divisor := "", math.Sqrt(3)
			if line.SharedBy != "" {
				key = b.rig + "/" + ch.Name
			}
			if line.Sigma > 0 {
				divisor = line.Sigma
			}
			switch line.In {
			case "emf":
				s.addedVolts += l.errorOf(key, line.Name, line.Half/divisor, line.Sigma, residueK*slope)
				s.gain += l.errorOf(key, line.Name+", relative", line.Rel/divisor, line.Sigma, 0)
			case "cold":
				s.sensedC += l.errorOf(key, line.Name, line.Half/divisor, line.Sigma, residueK)
			default:
				s.probeC += l.errorOf(key, line.Name, line.Half/divisor, line.Sigma, residueK)
			}
		}
	}
	draw(ch.Converter.Lines, 0.10)
	draw(ch.Lines, 0)
}

func (l *lab) must(v float64, err error) float64 {
	if err != nil {
		l.t.Fatal(err)
	}
	return v
}

// measure sends a board temperature through wire, terminals, converter and its codes
// in one run, with the errors that the lab draws, and converts it like the daemon.
func (b *bench) measure(l *lab, channel int, boardC float64) convert.Value {
	ch := &b.layout.Channels[channel]
	spool := ch.Spool
	if spool == "" {
		spool = "of " + b.rig
	}
	s := seen{probeC: boardC, sensedC: workedColdC, gain: 1}
	s.probeC += l.errorOf("spool "+spool, "wire", b.tolK/math.Sqrt(3), 0, 0.07)
	b.disturb(l, ch, &s, l.must(b.couple.Seebeck(boardC)))
	volts := (l.must(b.couple.EMFVolts(s.probeC))-l.must(b.couple.EMFVolts(workedColdC)))*s.gain + s.addedVolts
	conv := &ch.Converter
	code := 0.0
	switch conv.Law {
	case record.LawEMF:
		code = volts
	case record.LawFixedSlope:
		code = s.sensedC + volts/conv.SlopeVoltsPerK
	case record.LawLinearised:
		code = l.must(b.couple.TempC(l.must(b.couple.EMFVolts(s.sensedC)) + volts))
	}
	b.raw[0] = record.Raw{Has: record.HasCode | record.HasCold,
		Code: int64(math.Round(code / conv.PerCode)), Cold: int64(math.Round(s.sensedC / conv.ColdPerCode))}
	if err := b.table.Convert(&record.Sample{Layout: 1, Source: uint16(channel), Raw: b.raw[:]}, b.values[:]); err != nil {
		l.t.Fatal(err)
	}
	if b.values[0].Faults != 0 {
		l.t.Fatalf("fault %v at %g degC", b.values[0].Faults, boardC)
	}
	return b.values[0]
}

// probe is a channel behind a converter with the limits of its data sheet: MAX31856
// 19-7534 page 3, MAX31855 19-5793 pages 3 and 4, ADS1118 SBAS457F page 5.
func probe(model string) record.Channel {
	ch := precise("vr1")
	switch model {
	case "MAX31856, host":
		ch.Converter = record.Converter{Model: model, Law: record.LawEMF, PerCode: 78.125e-3 * 2 / (1 << 19), ColdPerCode: 1.0 / 64, Lines: []record.Line{
			{Name: "full scale and linearity as gain", Rel: 0.0015, In: "emf", SharedBy: "converter"},
			{Name: "offset", Half: 11.7e-6, In: "emf", SharedBy: "converter"},
			{Name: "cold junction", Half: 0.7, In: "cold", SharedBy: "converter"},
			{Name: "step of the code", Half: 78.125e-3 / (1 << 19), In: "emf"},
		}}
	case "MAX31855":
		ch.Converter = record.Converter{Model: model, Law: record.LawFixedSlope, PerCode: 0.25, ColdPerCode: 0.0625, SlopeVoltsPerK: 41.276e-6, Lines: []record.Line{
			{Name: "gain, offset and linearity", Half: 2 * 41.276e-6, In: "emf", SharedBy: "converter"},
			{Name: "cold junction", Half: 2, In: "cold", SharedBy: "converter"},
			{Name: "step of the code", Half: 0.125 * 41.276e-6, In: "emf"},
		}}
	case "ADS1118":
		ch.Converter = record.Converter{Model: model, Law: record.LawEMF, PerCode: 7.8125e-6, ColdPerCode: 0.03125, Lines: []record.Line{
			{Name: "gain", Rel: 0.0015, In: "emf", SharedBy: "converter"},
			{Name: "cold junction", Half: 0.5, In: "cold", SharedBy: "converter"},
			{Name: "noise", Half: 7.81e-6, Sigma: 1, In: "emf"},
			{Name: "offset", Half: 7.8125e-6, In: "emf", SharedBy: "converter"},
			{Name: "step of the code", Half: 3.9e-6, In: "emf"},
		}}
	}
	return ch
}

// counted is how often an interval held the truth.
type counted struct{ in, high, low, trials int }

func (c *counted) add(errorK, expandedK float64) { c.addBetween(errorK, expandedK, expandedK) }

// addBetween counts an interval from belowK below the reading to aboveK above it.
func (c *counted) addBetween(errorK, belowK, expandedK float64) {
	c.trials++
	switch {
	case errorK > belowK:
		c.high++
	case errorK < -expandedK:
		c.low++
	default:
		c.in++
	}
}

func (c *counted) percent(n int) float64 { return 100 * float64(n) / float64(c.trials) }

// check wants 95 % within 93 to 97.
func (c *counted) check(t *testing.T, name string, expandedK float64) {
	t.Helper()
	t.Logf("%-44s U %.2f K, inside %.1f %%, above %.1f %%, below %.1f %%", name, expandedK, c.percent(c.in), c.percent(c.high), c.percent(c.low))
	if p := c.percent(c.in); p < 93 || p > 97 {
		t.Errorf("%s: %.2f %% of the intervals hold the truth, want 93 to 97", name, p)
	}
}

// TestCoverageOfChannels: a channel's own interval, as every reading carries it.
func TestCoverageOfChannels(t *testing.T) {
	for _, model := range []string{"MAX31856", "MAX31856, host", "MAX31855", "ADS1118"} {
		for _, boardC := range []float64{40, 85, 150} {
			l, n := newLab(t), counted{}
			b := newBench(t, "bench-1", probe(model), 1)
			U := 0.0
			for range *coverageTrials {
				l.forget()
				v := b.measure(l, 0, boardC)
				U = v.Expanded
				n.add(v.Value-boardC, U)
			}
			n.check(t, fmt.Sprintf("%s at %g degC", model, boardC), U)
		}
	}
}

// runError is what a run adds to all its probes alike, by the constants of the
// analysis: remounted repeats, settling, repeatability of the load.
func (l *lab) runError(c constants.Set) float64 {
	return c.RunToRunK*l.NormFloat64() + c.UnsettledK/math.Sqrt(3)*l.unit(0) + c.LoadRepeatShare*workedRiseK/math.Sqrt(3)*l.unit(0)
}

// highest draws boards whose eight places spread by spreadK (standard deviation) and
// counts how often the interval of the hottest reading holds the board's hottest place:
// by U on both sides, and by what the result states below where places can't be told
// apart.
func highest(t *testing.T, model string, spreadK float64) (n, stated counted, expandedK float64) {
	t.Helper()
	c := constants.Default()
	l, b := newLab(t), newBench(t, "bench-1", probe(model), 8)
	r := workedResult(t, "bench-1", "carrier", "r1", probe(model))
	other := workedResult(t, "bench-1", "carrier", "r1", otherChannel(probe(model)))
	expandedK = r.Peak.ExpandedK
	difference := budget.Difference(r.Budget, other.Budget)
	for range *coverageTrials {
		l.forget()
		run, hottestC := l.runError(c), math.Inf(-1)
		var reads [8]float64
		for i := range reads {
			placeC := workedC - 1.42*spreadK + spreadK*l.NormFloat64() // the highest of eight is 1.42 standard deviations up
			hottestC = max(hottestC, placeC)
			reads[i] = b.measure(l, i, placeC+run+c.PeakNoiseK*l.NormFloat64()).Value
		}
		readC, equal := slices.Max(reads[:]), 0
		for _, v := range reads {
			if readC-v < c.CoverageFactor*difference {
				equal++
			}
		}
		n.add(readC-hottestC, expandedK)
		stated.addBetween(readC-hottestC, expandedBelow(c, equal, budget.Combine(r.Budget)), expandedK)
	}
	return n, stated, expandedK
}

// otherChannel is the same chip on another input of the rig.
func otherChannel(ch record.Channel) record.Channel {
	ch.Name = "vr2"
	return ch
}

// TestCoverageOfHighest: the peak of eight probes, with the budget that a result gives
// its hot spot.
func TestCoverageOfHighest(t *testing.T) {
	for _, model := range []string{"MAX31856", "MAX31855"} {
		for _, spreadK := range []float64{1, 4} {
			n, stated, U := highest(t, model, spreadK)
			n.check(t, fmt.Sprintf("highest of eight, %s, places spread by %g K", model, spreadK), U)
			t.Logf("%-44s inside %.1f %%, above %.1f %%, below %.1f %%", "  with what is stated below", stated.percent(stated.in), stated.percent(stated.high), stated.percent(stated.low))
			if p := stated.percent(stated.in); p < 95 {
				t.Errorf("%s, spread by %g K: the stated interval holds %.2f %%, want at least 95", model, spreadK, p)
			}
		}
	}
}

// TestHighestOfEquals: eight places at exactly one temperature are the worst case. The
// highest of eight readings then errs upwards, never down: a limit that passes still
// passes for a stated reason, and the interval that the result states holds the truth.
func TestHighestOfEquals(t *testing.T) {
	n, stated, U := highest(t, "MAX31856", 0)
	t.Logf("highest of eight equals: U %.2f K, inside %.1f %%, above %.1f %%, below %.2f %%", U, n.percent(n.in), n.percent(n.high), n.percent(n.low))
	t.Logf("with what is stated below: inside %.1f %%, above %.1f %%, below %.2f %%", stated.percent(stated.in), stated.percent(stated.high), stated.percent(stated.low))
	if n.percent(n.low) > 0.1 || n.percent(n.in) < 85 || stated.percent(stated.in) < 95 {
		t.Errorf("inside %.2f %%, below %.2f %%; stated %.2f %%", n.percent(n.in), n.percent(n.low), stated.percent(stated.in))
	}
}

// TestCoverageOfDifferences: the difference of two boards, with the uncertainty that a
// comparison states for what the two runs share and don't.
func TestCoverageOfDifferences(t *testing.T) {
	lot := probe("MAX31856")
	lot.Spool = "lot 12"
	for _, c := range []struct {
		name       string
		ch         record.Channel
		rigs       [2]string
		channels   [2]int
		atLeast, U float64 // bounds of the expanded uncertainty
	}{
		{"same rig, same probe, MAX31856", probe("MAX31856"), [2]string{"bench-1", "bench-1"}, [2]int{0, 0}, 2.3, 2.5},
		{"same rig, same probe, MAX31855", probe("MAX31855"), [2]string{"bench-1", "bench-1"}, [2]int{0, 0}, 2.3, 2.6},
		{"same rig, two probes of one spool", probe("MAX31856"), [2]string{"bench-1", "bench-1"}, [2]int{0, 2}, 2.6, 3.3},
		{"two rigs, one spool", lot, [2]string{"bench-1", "bench-2"}, [2]int{0, 0}, 2.6, 3.3},
		{"two rigs, own spools", probe("MAX31856"), [2]string{"bench-1", "bench-2"}, [2]int{0, 0}, 3.9, 4.1},
	} {
		l, n, k := newLab(t), counted{}, constants.Default()
		benches, results := [2]*bench{}, [2]record.Result{}
		for i := range benches {
			benches[i] = newBench(t, c.rigs[i], c.ch, 3)
			ch := c.ch
			ch.Name = fmt.Sprintf("vr%d", c.channels[i]+1)
			results[i] = workedResult(t, c.rigs[i], fmt.Sprintf("carrier-%d", i), fmt.Sprintf("r%d", i), ch)
		}
		U := expandedDifference(t, results[0], results[1])
		if U < c.atLeast || U > c.U {
			t.Errorf("%s: U = %.2f K, want %g to %g", c.name, U, c.atLeast, c.U)
		}
		boardsC := [2]float64{workedC, workedC - 3}
		for range *coverageTrials {
			l.forget()
			var readC [2]float64
			for i, b := range benches {
				readC[i] = b.measure(l, c.channels[i], boardsC[i]+l.runError(k)+math.Hypot(k.PeakNoiseK, k.AmbientU)*l.NormFloat64()).Value
			}
			n.add(readC[0]-readC[1]-3, U)
		}
		n.check(t, c.name, U)
	}
}
