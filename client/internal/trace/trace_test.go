package trace

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"soakrig/daemon/record"
)

func probes(names ...string) (all []record.Channel) {
	for _, n := range names {
		all = append(all, record.Channel{Name: n, Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe})
	}
	return all
}

// TestTracesKeepLowestAndHighest: whatever the readings, each step of a trace holds
// the lowest and the highest of its readings and nothing else.
func TestTracesKeepLowestAndHighest(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		to := rapid.Float64Range(1, 100000).Draw(rt, "to")
		b := New(probes("vr1"), 0, to)
		n := rapid.IntRange(1, 400).Draw(rt, "n")
		type span struct{ low, high float64 }
		want := map[int]span{}
		at := 0.0
		for range n {
			at += rapid.Float64Range(0, to/50).Draw(rt, "dt")
			v := rapid.Float64Range(-50, 300).Draw(rt, "v")
			b.Add(0, at, v, 0)
			step := int(math.Floor(at / b.t.StepS))
			if step >= b.t.Steps {
				continue
			}
			s, ok := want[step]
			if !ok {
				s = span{v, v}
			}
			want[step] = span{min(s.low, v), max(s.high, v)}
		}
		tr := b.Finish()
		if tr.Steps > 2*maxSteps {
			rt.Fatalf("%d steps", tr.Steps)
		}
		for step := range tr.Steps {
			low, high, ok := tr.Channels[0].Span(2*step, 2*step+2)
			w, has := want[step]
			if ok != has || has && (low != w.low || high != w.high) {
				rt.Fatalf("step %d: got %v to %v (%v), want %+v (%v)", step, low, high, ok, w, has)
			}
		}
	})
}

func TestTracesBreakAtGapsAndFaults(t *testing.T) {
	b := New(probes("vr1", "vr2"), 0, 4500) // read twice a second
	for i := range 9000 {
		at := float64(i) / 2
		if at >= 2000 && at < 2060 {
			continue
		}
		faults := record.Faults(0)
		if at > 1200 {
			faults = record.Open
		}
		b.Add(0, at, 23+at/100, faults)
		b.Add(1, at, 23+at/90, 0)
	}
	tr := b.Finish()
	breaks := func(i int) (n int) {
		for _, v := range tr.Channels[i].Values {
			if math.IsNaN(v) {
				n++
			}
		}
		return n
	}
	if breaks(1) != 1 {
		t.Errorf("the gap breaks the curve %d times", breaks(1))
	}
	if len(tr.Faults) != 1 || tr.Faults[0].Channel != 0 || tr.Faults[0].Faults != record.Open || tr.Faults[0].FromS != 1200.5 {
		t.Errorf("faults %+v", tr.Faults)
	}
	for at := 2400; at < 2*tr.Steps; at++ { // vr1 was lost at 1,200 s: nothing is drawn
		if v := tr.Channels[0].Values[at]; at > 2402 && !math.IsInf(v, 1) && !math.IsNaN(v) {
			t.Fatalf("place %d holds %v behind the fault", at, v)
		}
	}
	slow := New(probes("vr1"), 0, 4500) // read every 10 s: no gaps
	for i := range 450 {
		slow.Add(0, float64(10*i), 1, 0)
	}
	for _, v := range slow.Finish().Channels[0].Values {
		if math.IsNaN(v) {
			t.Fatal("slow reading is taken for a gap")
		}
	}
}

// unpack reads what Packed wrote, as the page's script does.
func unpack(t *testing.T, text string, scale float64) []float64 {
	t.Helper()
	var out []float64
	last := 0.0
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case '.':
			out = append(out, math.Inf(1))
			continue
		case '!':
			out = append(out, math.NaN())
			continue
		}
		u, power := 0.0, 1.0
		for {
			d := strings.IndexByte(packDigits, text[i])
			u += float64(d&31) * power
			if power *= 32; d < 32 {
				break
			}
			i++
		}
		if math.Mod(u, 2) == 1 {
			last -= (u + 1) / 2
		} else {
			last += u / 2
		}
		out = append(out, last/scale)
	}
	return out
}

// TestPacked: what a page holds is the trace, to the digits that it promises.
func TestPacked(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var tr Trace
		for range rapid.IntRange(1, 60).Draw(rt, "n") {
			tr.Values = append(tr.Values, rapid.OneOf(rapid.Float64Range(-300, 2000), rapid.Float64Range(-1e10, 1e10),
				rapid.Just(math.NaN()), rapid.Just(math.Inf(1)), rapid.Just(0.0)).Draw(rt, "v"))
		}
		got := unpack(t, tr.Packed(2), 100)
		if len(got) != len(tr.Values) {
			rt.Fatalf("%d values, want %d", len(got), len(tr.Values))
		}
		for i, v := range tr.Values {
			if math.IsNaN(v) != math.IsNaN(got[i]) || math.IsInf(v, 1) != math.IsInf(got[i], 1) || math.Abs(got[i]-v) > 0.0051+math.Abs(v)*1e-15 {
				rt.Fatalf("place %d is %v, want %v", i, got[i], v)
			}
		}
	})
}

// TestEnergyBeginsAtZero: a meter's counter stands at anything when a run begins.
func TestEnergyBeginsAtZero(t *testing.T) {
	b := New([]record.Channel{{Name: "e", Kind: record.Energy, Unit: "J"}}, 0, 100)
	for s := range 100 {
		b.Add(0, float64(s), 1.5e9+3600*float64(s), 0)
	}
	tr := b.Finish()
	got := tr.ForPeople()
	low, high, ok := got.Channels[0].Span(0, 2*got.Steps)
	if !ok || low != 0 || math.Abs(high-99) > 1e-6 || got.Channels[0].Channel.Unit != "Wh" || tr.Channels[0].Channel.Unit != "J" {
		t.Errorf("from %v to %v %s", low, high, got.Channels[0].Channel.Unit)
	}
}
