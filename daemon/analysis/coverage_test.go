package analysis

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// coverageTrials is how many instruments or pairs of runs a coverage test draws; its
// figure then has a standard error of 0.25 %.
var coverageTrials = flag.Int("coverage.trials", 8000, "instruments drawn by the coverage tests")

var coverageSeed = flag.Uint64("coverage.seed", 20260502, "seed of the coverage tests")

// errors of one line: what results share, and what each has alone. A line's shared
// part keeps its distribution; what is left over of it is normal.
type drawn struct{ half, residue float64 } // limits of the shared part, standard deviation of the rest

// lab draws instruments and runs. Everything comes from its seed.
type lab struct {
	*rand.Rand
	t     testing.TB
	fixed map[string]float64 // draws that stay: by key of what they belong to
}

func newLab(t testing.TB) *lab {
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

// errorOf is the error of a line in one run: u of it split by key and residue, in the
// unit of u.
func (l *lab) errorOf(key, name string, u, sigma, residue float64) float64 {
	if key == "" {
		return u * l.unit(sigma)
	}
	own := min(residue, u)
	return math.Sqrt(u*u-own*own)*l.kept(key+"|"+name, sigma) + own*l.NormFloat64()
}

// bench is a rig with eight probes of one kind.
type bench struct {
	rig     string
	layout  *record.Layout
	table   *convert.Table
	couple  its90.Type
	samples [1]record.Raw
	values  [1]convert.Value
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
	return &bench{rig: rig, layout: l, table: table, couple: couple}
}

// measure sends a board temperature through wire, terminals, converter and its codes
// in one run, with the errors that the lab has drawn, and converts it like the daemon.
func (b *bench) measure(l *lab, channel int, boardC, coldC float64) convert.Value {
	ch := &b.layout.Channels[channel]
	here := b.rig + "/" + ch.Name
	volt := func(c float64) float64 {
		v, err := b.couple.EMFVolts(c)
		if err != nil {
			l.t.Fatal(err)
		}
		return v
	}
	slope, err := b.couple.Seebeck(boardC)
	if err != nil {
		l.t.Fatal(err)
	}
	class, _ := its90.ParseClass(ch.Class)
	tolK, _, err := its90.Tolerance(b.couple, class, boardC)
	if err != nil {
		l.t.Fatal(err)
	}
	probeC := boardC + l.errorOf("spool "+b.rig+ch.Spool, "wire", tolK/math.Sqrt(3), 0, 0.07)
	terminalC, sensedC, addedVolts, gain := coldC, coldC, 0.0, 1.0
	draw := func(lines []record.Line, residueK float64) {
		for _, s := range lines {
			key, sigma := "", s.Sigma
			if s.SharedBy != "" {
				key = here
			}
			divisor := math.Sqrt(3)
			if sigma > 0 {
				divisor = sigma
			}
			switch s.In {
			case "emf":
				addedVolts += l.errorOf(key, s.Name, s.Half/divisor, sigma, residueK*slope)
				gain += l.errorOf(key, s.Name+" rel", s.Rel/divisor, sigma, 0)
			case "cold":
				sensedC += l.errorOf(key, s.Name, s.Half/divisor, sigma, residueK)
			default:
				probeC += l.errorOf(key, s.Name, s.Half/divisor, sigma, residueK)
			}
		}
	}
	draw(withoutSteps(ch.Converter.Lines), 0.10)
	draw(ch.Lines, 0)
	volts := (volt(probeC)-volt(terminalC))*gain + addedVolts
	raw := record.Raw{Has: record.HasCode | record.HasCold, Cold: int64(math.Round(sensedC / ch.Converter.ColdPerCode))}
	switch ch.Converter.Law {
	case record.LawEMF:
		raw.Code = int64(math.Round(volts / ch.Converter.PerCode))
	case record.LawFixedSlope:
		raw.Code = int64(math.Round((sensedC + volts/ch.Converter.SlopeVoltsPerK) / ch.Converter.PerCode))
	case record.LawLinearised:
		chipC, err := b.couple.TempC(volt(sensedC) + volts)
		if err != nil {
			l.t.Fatal(err)
		}
		raw.Code = int64(math.Round(chipC / ch.Converter.PerCode))
	}
	b.samples[0] = raw
	if err := b.table.Convert(&record.Sample{Layout: 1, Source: uint16(channel), Raw: b.samples[:]}, b.values[:]); err != nil {
		l.t.Fatal(err)
	}
	if b.values[0].Faults != 0 {
		l.t.Fatalf("fault %v at %g degC", b.values[0].Faults, boardC)
	}
	return b.values[0]
}

// withoutSteps leaves out what the codes themselves do.
func withoutSteps(lines []record.Line) (out []record.Line) {
	for _, l := range lines {
		if len(l.Name) < 7 || l.Name[:7] != "step of" {
			out = append(out, l)
		}
	}
	return out
}

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

func TestProto(t *testing.T) {
	for _, m := range []string{"MAX31856", "MAX31856, host", "MAX31855", "ADS1118"} {
		for _, at := range []float64{40, 85, 150} {
			l := newLab(t)
			b := newBench(t, "bench-1", probe(m), 1)
			in := 0
			U := 0.0
			var ss float64
			for range *coverageTrials {
				clear(l.fixed)
				v := b.measure(l, 0, at, 30)
				U = v.Expanded
				ss += (v.Value - at) * (v.Value - at)
				if math.Abs(v.Value-at) <= v.Expanded {
					in++
				}
			}
			fmt.Printf("%s %g: U %.2f cover %.2f 2sd %.2f\n", m, at, U, 100*float64(in)/float64(*coverageTrials), 2*math.Sqrt(ss/float64(*coverageTrials)))
		}
	}
}
