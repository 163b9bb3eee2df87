package report

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"flag"
	"fmt"
	"math"
	"math/rand"
	"os"
	"sort"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"soakrig/daemon/analysis"
	"soakrig/daemon/record"
)

var update = flag.Bool("update", false, "write the golden files")

func p(v float64) *float64 { return &v }

// testResult is a run of an invented carrier: limited, one probe lost, a gap, marks.
func testResult() *record.Result {
	return &record.Result{
		Algorithm: "test/1", Rig: "bench-2", Run: "2026-05-02-1", Unit: "carrier-7", Revision: "B", Setup: "boosted",
		Conditions: map[string]string{"fans": "stock"}, Started: "2026-05-02T08:00:00Z", DurationS: 4500, Verdict: record.VerdictVoid, Limited: true, Final: true,
		Reasons: []record.Reason{{Code: "thermal_limiting", Text: "thermal limiting was seen: 92.1 +- 2.4 degC is the limiter's set point"}},
		Peak: &record.Peak{Channel: "vr3", Place: "behind phase 3", HeldC: 92.13, ExpandedK: 2.44, CoverageFactor: 2, AtS: 1800, LowerBound: true,
			RiseK: p(69.1), RiseExpandedK: p(2.5), AmbientC: p(23.0), ReferenceC: p(92.1), ReferenceExpandedK: p(2.5), ReferenceAmbientC: p(23),
			Second: "vr2", SecondHeldC: p(91.9), GapK: p(0.23), Ambiguous: true, ProbesGood: 2, ProbesTotal: 3},
		Probes: []record.ProbeResult{
			{Channel: "vr1", Health: "lost", HeldC: p(70), ExpandedK: p(2.3), HeldAtS: p(900), Coverage: 0.2, Faults: map[string]int{"open": 12}, Note: "no value from 0:20:00"},
			{Channel: "vr2", Health: "good", Counts: true, HeldC: p(91.9), ExpandedK: p(2.4), HeldAtS: p(1790), Coverage: 0.9998},
			{Channel: "vr3", Place: "behind phase 3", Health: "good", Counts: true, HeldC: p(92.13), ExpandedK: p(2.44), HeldAtS: p(1800), RawMaxC: p(93), RiseK: p(69.1), SlopeKPerH: p(-0.04), Coverage: 1},
		},
		Ambient: &record.Ambient{Channel: "room", MeanC: 23.02, MinC: 22.8, MaxC: 23.4, InBand: 1, BandLowC: 21, BandHighC: 25, DriftKPerH: p(0.1), Coverage: 1},
		Load: &record.Load{Channel: "wall", Source: "detected", StartS: p(300), EndS: p(3900), PlannedS: p(3600), IdleW: p(61.8), MeanW: p(281.2), MeanExpandedW: p(3.3),
			MeanBy: "integral", EnergyJ: p(1012320), EnergyBy: "integral", LossShare: p(0.083), Pattern: "thermal_cycling", Outcome: "complete",
			Dips: &record.Dips{Count: 31, MedianS: 14, IntervalS: p(72), MeanDepthW: 83, Duty: 0.12, OnsetC: p(92)}},
		Steady:    &record.Steady{Tier: "steady", Channel: "vr3", SlopeKPerH: -0.04, Valid: false, ExtrapolationNote: "not extrapolated: power was not held"},
		Phases:    []record.PhaseResult{{Phase: record.PhaseBaseline, StartS: 0, EndS: 300}, {Phase: record.PhaseLoad, StartS: 300, EndS: 3900}},
		Limits:    []record.LimitResult{{Name: "probe", Channel: "vr3", Quantity: "value", Unit: "degC", Bound: 105, Value: p(92.13), Expanded: p(2.44), GuardBand: p(2.44), Outcome: record.VerdictPass, Severity: "fail"}},
		Findings:  []record.Finding{{Code: "thermal_limiting", Severity: "warning", FromS: p(1800), ToS: p(3890), Seen: "power fell 31 times when vr3 was at 92 degC", Consistent: "a limiter on the hottest stage"}},
		Gaps:      []record.GapResult{{FromS: 2000, ToS: 2060, DurationS: 60, Cause: "restart", Text: "the board restarted"}},
		Marks:     []record.MarkResult{{AtS: 290, Text: "load script <started> & running", Author: "script"}},
		Budget:    []record.BudgetLine{{Name: "wire, type K class iec-1", HalfWidth: 1.5, Unit: "K", Distribution: "rectangular", StandardK: 0.87, Share: 0.51, SharedBy: "spool", Source: "tolerance class"}},
		Constants: map[string]float64{"peak_hold_s": 10},
	}
}

func TestMeasured(t *testing.T) {
	for _, c := range []struct {
		v, u float64
		want string
	}{
		{92.13, 2.44, "92.1 ± 2.4"}, {92.13, 0.444, "92.13 ± 0.44"}, {92.15, 12.4, "92 ± 12"}, {1234, 123, "1230 ± 120"}, {-0.04, 2, "0.0 ± 2.0"},
		{5, 0.996, "5.0 ± 1.0"}, {5, 9.96, "5 ± 10"}, {-3.21, 0.5, "−3.21 ± 0.50"}, {92.13, 0, "92.1"}, {92.13, math.NaN(), "92.1"}, {0.00012, 0.00001, "0.000120 ± 0.000010"},
	} {
		if got := Measured(c.v, c.u); got != c.want {
			t.Errorf("Measured(%v, %v) = %q, want %q", c.v, c.u, got, c.want)
		}
	}
}

func TestLengthsAndTimes(t *testing.T) {
	for s, want := range map[float64]string{0: "0 s", 0.4: "0.4 s", 59.6: "1 min", 60: "1 min", 3492: "58 min 12 s", 3600: "1 h", 3661: "1 h 01 min 01 s",
		7260: "2 h 01 min", 36061: "10 h 01 min", -90: "−1 min 30 s"} {
		if got := Length(s); got != want {
			t.Errorf("Length(%v) = %q, want %q", s, got, want)
		}
	}
	for s, want := range map[float64]string{0: "0:00:00", 3723: "1:02:03", 36000.6: "10:00:01", -5: "−0:00:05"} {
		if got := RunTime(s); got != want {
			t.Errorf("RunTime(%v) = %q, want %q", s, got, want)
		}
	}
	for share, want := range map[float64]string{1: "100 %", 0.9999: "> 99.9 %", 0.993: "99.3 %", 0.5: "50 %", 0.004: "0.4 %", 0: "0 %"} {
		if got := Percent(share); got != want {
			t.Errorf("Percent(%v) = %q, want %q", share, got, want)
		}
	}
}

func TestText(t *testing.T) {
	var b bytes.Buffer
	if err := Text(&b, testResult()); err != nil {
		t.Fatal(err)
	}
	golden(t, "testdata/limited.txt", b.String())
	b.Reset()
	if err := Text(&b, &record.Result{Algorithm: "test/1", Verdict: record.VerdictNone}); err != nil {
		t.Fatal(err)
	}
	golden(t, "testdata/nothing.txt", b.String())
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want, err := os.ReadFile(file); err != nil || string(want) != got {
		t.Errorf("%s: got\n%s\nwant\n%s (%v)", file, got, want, err)
	}
}

func testChannels() []record.Channel {
	return []record.Channel{
		{Name: "vr1", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe}, {Name: "vr2", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe},
		{Name: "vr3", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Place: "behind phase 3"},
		{Name: "room", Kind: record.Temperature, Unit: "degC", Role: record.RoleAmbient}, {Name: "wall", Kind: record.Power, Unit: "W", Role: record.RoleSupply},
		{Name: "wall_energy", Kind: record.Energy, Unit: "J", Role: record.RoleSupply},
	}
}

// testTraces is 4,500 s of readings at the given rate.
func testTraces(perSecond int) *Traces {
	b := NewTraceBuilder(testChannels(), 0, 4500)
	for i := range 4500 * perSecond {
		at := float64(i) / float64(perSecond)
		if at >= 2000 && at < 2060 {
			continue
		}
		up := 0.0
		if at > 300 {
			up = 1 - math.Exp(-(at-300)/400)
		}
		f := record.Faults(0)
		if at > 1200 {
			f = record.Open
		}
		b.Add(0, at, 23+50*up, f)
		b.Add(1, at, 23+68*up, 0)
		b.Add(2, at, 23+69*up+math.Sin(at*40)/10, 0)
		b.Add(3, at, 23, 0)
		b.Add(4, at, 62+220*math.Ceil(up), 0)
		b.Add(5, at, at*280, 0)
	}
	return b.Finish()
}

// TestTracesKeepLowestAndHighest: whatever the readings, each step of a trace holds
// the lowest and the highest of its readings and nothing else.
func TestTracesKeepLowestAndHighest(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		to := rapid.Float64Range(1, 100000).Draw(rt, "to")
		b := NewTraceBuilder(testChannels()[:1], 0, to)
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
			low, high, ok := tr.Channels[0].span(2*step, 2*step+2)
			w, has := want[step]
			if ok != has || has && (low != w.low || high != w.high) {
				rt.Fatalf("step %d: got %v to %v (%v), want %+v (%v)", step, low, high, ok, w, has)
			}
		}
	})
}

func TestTracesBreakAtGapsAndFaults(t *testing.T) {
	tr := testTraces(2)
	breaks := func(i int) (n int) {
		for _, v := range tr.Channels[i].Values {
			if math.IsNaN(v) {
				n++
			}
		}
		return n
	}
	if breaks(1) != 1 || breaks(4) != 1 {
		t.Errorf("the gap breaks the curves %d and %d times", breaks(1), breaks(4))
	}
	if len(tr.Faults) != 1 || tr.Faults[0].Channel != 0 || tr.Faults[0].Faults != record.Open || tr.Faults[0].FromS != 1200.5 {
		t.Errorf("faults %+v", tr.Faults)
	}
	for at := 2400; at < 2*tr.Steps; at++ { // vr1 was lost at 1,200 s: nothing is drawn
		if v := tr.Channels[0].Values[at]; at > 2402 && !math.IsInf(v, 1) && !math.IsNaN(v) {
			t.Fatalf("place %d holds %v behind the fault", at, v)
		}
	}
	slow := NewTraceBuilder(testChannels()[:1], 0, 4500) // read every 10 s: no gaps
	for i := range 450 {
		slow.Add(0, float64(10*i), 1, 0)
	}
	for _, v := range slow.Finish().Channels[0].Values {
		if math.IsNaN(v) {
			t.Fatal("slow reading is taken for a gap")
		}
	}
}

func TestPage(t *testing.T) {
	page := &Page{Title: "Soak: carrier-7", Runs: []PageRun{{testResult(), testTraces(2)}}, Written: "Written by a test."}
	var b bytes.Buffer
	if err := page.Write(&b); err != nil {
		t.Fatal(err)
	}
	html := b.String()
	for _, want := range []string{
		"<title>Soak: carrier-7</title>", "void, limited", "≥ 92.1", "the hot spot is vr3 or vr2", "default-src 'none'", "MIT License",
		"load script &lt;started&gt; &amp; running", "31 dips", "Uncertainty of ≥ 92.1 ± 2.4 °C on vr3", "the board restarted", "prefers-color-scheme", "@page{size:A4",
	} {
		if !strings.Contains(html, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, bad := range []string{`src="http`, `href="http`, "url(", "@import", "fetch(", "XMLHttpRequest", "ZgotmplZ"} {
		if strings.Contains(html, bad) {
			t.Errorf("the page has %q", bad)
		}
	}
	_, data, _ := strings.Cut(html, `<script type="application/json" id="run0-data">`)
	data, _, _ = strings.Cut(data, "</script>")
	var d chartData
	if err := json.Unmarshal([]byte(data), &d); err != nil || len(d.Channels) != 6 || d.Step != 1 || len(d.Gaps) != 1 || d.Peak.Channel != "vr3" {
		t.Errorf("chart data: %v, %d channels, step %v", err, len(d.Channels), d.Step)
	}
	if d.Channels[5].Unit != "Wh" {
		t.Errorf("energy in %s", d.Channels[5].Unit)
	}
}

// comparable is a result that may be compared.
func comparable(unit, setup, run string, peakC float64) record.Result {
	r := *testResult()
	r.Unit, r.Setup, r.Run, r.Revision, r.Verdict, r.Limited, r.Conditions, r.Gaps = unit, setup, run, "", record.VerdictPass, false, nil, nil
	peak, load := *r.Peak, *r.Load
	peak.HeldC, peak.LowerBound, peak.RiseK, peak.ProbesGood = peakC, false, p(peakC-23), 3
	load.Pattern, load.LossShare, load.Held, load.Dips = "constant", p(0.0), true, nil
	r.Peak, r.Load = &peak, &load
	r.Steady = &record.Steady{Tier: "steady", Channel: "vr3", Valid: true}
	return r
}

func testCompared(t *testing.T) *Compared {
	t.Helper()
	limited := comparable("birch", "boosted", "4", 91)
	limited.Limited, limited.Verdict = true, record.VerdictVoid
	c, err := Compare([]record.Result{comparable("alder", "rated", "1", 80), comparable("alder", "boosted", "2", 90), comparable("birch", "rated", "3", 99), limited},
		analysis.CompareOptions{Override: []string{"all"}})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestComparison(t *testing.T) {
	c := testCompared(t)
	text := ComparisonTable(c).Plain()
	for _, want := range []string{"alder", "void, limited", "80.0 ± 1.7"} {
		if !strings.Contains(text, want) {
			t.Errorf("the table lacks %q:\n%s", want, text)
		}
	}
	notes, rule := c.Notes()
	if len(notes) == 0 || !strings.Contains(strings.Join(notes, "\n"), "limit") || !strings.Contains(rule, "coolest first") {
		t.Errorf("notes %q, rule %q", notes, rule)
	}
	var b bytes.Buffer
	if err := ComparisonCSV(c).CSV(&b); err != nil || strings.Count(b.String(), "\r\n") != 5 {
		t.Errorf("CSV: %v\n%s", err, b.String())
	}
}

func TestCharts(t *testing.T) {
	c := testCompared(t)
	magic := map[string]string{"svg": "<?xml", "png": "\x89PNG", "pdf": "%PDF"}
	for format, want := range magic {
		var peaks, curves bytes.Buffer
		if err := PeaksChart(c, "held", &peaks, format); err != nil || !strings.HasPrefix(peaks.String(), want) {
			t.Errorf("peaks as %s: %v, begins %.8q", format, err, peaks.String())
		}
		list := []Curve{{&c.results[0], testTraces(1)}, {&c.results[1], testTraces(1)}, {&record.Result{}, nil}}
		if err := CurvesChart(list, &curves, format); err != nil || !strings.HasPrefix(curves.String(), want) {
			t.Errorf("curves as %s: %v, begins %.8q", format, err, curves.String())
		}
	}
	var svg bytes.Buffer
	if err := PeaksChart(c, "rise", &svg, "svg"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`role="img" aria-label="Rise of the hot spot`, "birch boosted 68.0 ± 1.8 K (void, limited)", ">57.0 ± 1.8<"} {
		if !strings.Contains(svg.String(), want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
	if err := PeaksChart(c, "held", &svg, "gif"); err == nil {
		t.Error("a gif was drawn")
	}
	if err := CurvesChart(nil, &svg, "svg"); err != ErrNothingToDraw {
		t.Errorf("no curves: %v", err)
	}
	empty, err := Compare([]record.Result{{Unit: "x", Run: "1"}}, analysis.CompareOptions{})
	if err == nil {
		if err := PeaksChart(empty, "held", &svg, "svg"); err != ErrNothingToDraw {
			t.Errorf("no peaks: %v", err)
		}
	}
}

func TestTicks(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		low := rapid.Float64Range(-1000, 1000).Draw(rt, "low")
		span := rapid.Float64Range(0.5, 1000).Draw(rt, "span")
		got := ticks(low, low+span)
		if len(got) < 3 || len(got) > 11 || got[0] < low-1e-9 || got[len(got)-1] > low+span+1e-9 {
			rt.Fatalf("ticks from %v to %v: %v", low, low+span, got)
		}
	})
}

// unpack reads what packed wrote, as the page's script does.
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
		got := unpack(t, tr.packed(2), 100)
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
	b := NewTraceBuilder([]record.Channel{{Name: "e", Kind: record.Energy, Unit: "J"}}, 0, 100)
	for s := range 100 {
		b.Add(0, float64(s), 1.5e9+3600*float64(s), 0)
	}
	tr := b.Finish()
	got := tr.forPeople()
	low, high, ok := got.Channels[0].span(0, 2*got.Steps)
	if !ok || low != 0 || math.Abs(high-99) > 1e-6 || got.Channels[0].Channel.Unit != "Wh" || tr.Channels[0].Channel.Unit != "J" {
		t.Errorf("from %v to %v %s", low, high, got.Channels[0].Channel.Unit)
	}
}

// TestDrawing: the picture for paper has every curve with its name, limit, marks, gaps
// and what was noticed, and says its content in words.
func TestDrawing(t *testing.T) {
	r := testResult()
	r.Marks = append(r.Marks, record.MarkResult{AtS: 300, Text: "lid <closed>"}, record.MarkResult{AtS: 4490, Text: "a text that would run out of the picture at its right edge"})
	svg := drawRun(r, testTraces(1).forPeople(), []noticedData{{1, 1800, 3890, true}, {2, 1810, 1810, false}})
	for _, want := range []string{`role="img" aria-label="Curves of 6 channels over`, "Peak ≥ 92.1 ± 2.4 °C on vr3 at 08:30:00.", "wall_energy 0.0 to", ">vr1<", ">vr2<", ">vr3<",
		"limit 105 °C", "load script &lt;started&gt;", "lid &lt;closed&gt;", `text-anchor="end" fill="var(--soft)">a text that`, "Energy since the run began, Wh", ">2<"} {
		if !strings.Contains(svg, want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
	if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
		t.Error("the picture has places that are no numbers")
	}
	if err := xml.Unmarshal([]byte(svg), new(struct{})); err != nil {
		t.Errorf("the picture is no XML: %v", err)
	}
	// A run without load, peak or values still has a picture.
	empty := NewTraceBuilder(testChannels(), 0, 1).Finish()
	if svg := drawRun(&record.Result{}, empty, nil); !strings.Contains(svg, "no value") || strings.Contains(svg, "NaN") {
		t.Errorf("an empty run: %s", svg)
	}
}

func TestShortNumbers(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 45: "45", -20: "−20", 413200: "413.2 k", 100000: "100 k", 2.5e6: "2.5 M", 3.2e9: "3.2 G", -1.2e6: "−1.2 M"} {
		if got := short(v, 1000); got != want {
			t.Errorf("short(%v) = %q, want %q", v, got, want)
		}
	}
	if got := short(0.5, 2); got != "0.5" {
		t.Errorf("short(0.5, 2) = %q", got)
	}
}

// TestApart: names keep their order and distance.
func TestApart(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		y := rapid.SliceOfN(rapid.Float64Range(-50, 550), 1, 12).Draw(rt, "y")
		sort.Float64s(y)
		apart(y, 36, 0, 500)
		for i := range y {
			if i > 0 && y[i]-y[i-1] < 36-1e-9 || y[i] > 500+1e-9 {
				rt.Fatalf("%v", y)
			}
		}
	})
}

// TestReferenceChart: peaks moved to the reference room stand beside the measured ones;
// rooms that differ are not put on one axis.
func TestReferenceChart(t *testing.T) {
	warm := comparable("alder", "rated", "1", 84)
	warm.Peak.ReferenceC, warm.Peak.RiseK, warm.Peak.AmbientC = p(80), p(57), p(27)
	other := comparable("birch", "rated", "2", 90)
	other.Peak.ReferenceC = p(90)
	c, err := Compare([]record.Result{warm, other}, analysis.CompareOptions{Override: []string{"all"}})
	if err != nil {
		t.Fatal(err)
	}
	var svg, csv bytes.Buffer
	if err := PeaksChart(c, analysis.CompareReference, &svg, "svg"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Peak moved to a room at 23 °C", "alder rated 80.0 ±", "measured 84.0", "tick: the peak as measured"} {
		if !strings.Contains(svg.String(), want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
	if err := ComparisonCSV(c).CSV(&csv); err != nil || !strings.Contains(csv.String(), ",reference_c,reference_expanded_k,") {
		t.Errorf("%v: %s", err, csv.String())
	}
	c.results[1].Peak.ReferenceAmbientC = p(25)
	if err := PeaksChart(c, analysis.CompareReference, &svg, "svg"); err != ErrNothingToDraw {
		t.Errorf("two reference rooms on one axis: %v", err)
	}
	if c.Row(&warm) != 0 || c.Row(&other) != 1 || c.Row(&record.Result{Unit: "cedar"}) != 2 {
		t.Error("rows of results")
	}
}

// TestConstantsOnce: what all runs of a page share stands there once.
func TestConstantsOnce(t *testing.T) {
	a, b := comparable("alder", "rated", "1", 80), comparable("birch", "rated", "2", 90)
	write := func() string {
		var out bytes.Buffer
		if err := (&Page{Title: "two", Runs: []PageRun{{Result: &a}, {Result: &b}}}).Write(&out); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	if page := write(); strings.Count(page, "peak_hold_s") != 1 || !strings.Contains(page, "the same for every run") {
		t.Errorf("%d times", strings.Count(page, "peak_hold_s"))
	}
	b.Constants = map[string]float64{"peak_hold_s": 30}
	if page := write(); strings.Count(page, "peak_hold_s") != 2 || strings.Contains(page, "the same for every run") {
		t.Errorf("%d times although they differ", strings.Count(page, "peak_hold_s"))
	}
}

// TestLongPageIsSmall: 8 h of ten channels at 10 Hz are a page of bounded size; how soon
// it opens hangs on little else.
func TestLongPageIsSmall(t *testing.T) {
	channels := []record.Channel{{Name: "room", Kind: record.Temperature, Unit: "degC", Role: record.RoleAmbient}}
	for i := range 9 {
		channels = append(channels, record.Channel{Name: fmt.Sprint("vr", i+1), Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe})
	}
	b := NewTraceBuilder(channels, 0, 28800)
	rnd := rand.New(rand.NewSource(1))
	for i := range 288000 {
		for ch := range channels {
			b.Add(ch, float64(i)/10, 50+float64(ch)+0.25*math.Round(rnd.NormFloat64()), 0)
		}
	}
	r := testResult()
	r.DurationS = 28800
	var page bytes.Buffer
	if err := (&Page{Title: "long", Runs: []PageRun{{r, b.Finish()}}}).Write(&page); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d kB", page.Len()/1000)
	if page.Len() > 500_000 {
		t.Errorf("the page has %d bytes, want at most 500,000", page.Len())
	}
}
