package report

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"strings"
	"testing"

	"soakrig/client/internal/trace"
	"soakrig/daemon/analysis/compare"
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
		if got := percent(share); got != want {
			t.Errorf("percent(%v) = %q, want %q", share, got, want)
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
func testTraces(perSecond int) *trace.Set {
	b := trace.New(testChannels(), 0, 4500)
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

func TestPage(t *testing.T) {
	page := &Page{Title: "Soak: carrier-7", Runs: []Run{{Result: testResult(), Traces: testTraces(2)}}, Written: "Written by a test."}
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
		compare.Options{Override: []string{"all"}})
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
		list := []Run{{Result: &c.results[0], Traces: testTraces(1)}, {Result: &c.results[1], Traces: testTraces(1)}, {Result: &record.Result{}}}
		if err := CurvesChart(list, &curves, format); err != nil || !strings.HasPrefix(curves.String(), want) {
			t.Errorf("curves as %s: %v, begins %.8q", format, err, curves.String())
		}
	}
	var svg bytes.Buffer
	if err := PeaksChart(c, "rise", &svg, "svg"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`role="img" aria-label="Rise of the hot spot`, "birch boosted 68.0 ± 2.5 K (void, limited)", ">57.0 ± 2.5<"} {
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
	empty, err := Compare([]record.Result{{Unit: "x", Run: "1"}}, compare.Options{})
	if err == nil {
		if err := PeaksChart(empty, "held", &svg, "svg"); err != ErrNothingToDraw {
			t.Errorf("no peaks: %v", err)
		}
	}
}
