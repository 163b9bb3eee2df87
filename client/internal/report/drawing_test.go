package report

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"math"
	"math/rand"
	"strings"
	"testing"

	"soakrig/client/internal/trace"
	"soakrig/daemon/analysis/compare"
	"soakrig/daemon/record"
)

// TestDrawing: the picture for paper has every curve with its name, limit, marks, gaps
// and what was noticed, and says its content in words.
func TestDrawing(t *testing.T) {
	r := testResult()
	r.Marks = append(r.Marks, record.MarkResult{AtS: 300, Text: "lid <closed>"}, record.MarkResult{AtS: 4490, Text: "a text that would run out of the picture at its right edge"})
	svg := drawRun(r, testTraces(1).ForPeople(), []noticedData{{1, 1800, 3890, true}, {2, 1810, 1810, false}})
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
	empty := trace.New(testChannels(), 0, 1).Finish()
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

// TestReferenceChart: peaks moved to the reference room stand beside the measured ones;
// rooms that differ are not put on one axis.
func TestReferenceChart(t *testing.T) {
	warm := comparable("alder", "rated", "1", 84)
	warm.Peak.ReferenceC, warm.Peak.RiseK, warm.Peak.AmbientC = p(80), p(57), p(27)
	other := comparable("birch", "rated", "2", 90)
	other.Peak.ReferenceC = p(90)
	c, err := Compare([]record.Result{warm, other}, compare.Options{Override: []string{"all"}})
	if err != nil {
		t.Fatal(err)
	}
	var svg, csv bytes.Buffer
	if err := PeaksChart(c, compare.Reference, &svg, "svg"); err != nil {
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
	if err := PeaksChart(c, compare.Reference, &svg, "svg"); err != ErrNothingToDraw {
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
		if err := (&Page{Title: "two", Runs: []Run{{Result: &a}, {Result: &b}}}).Write(&out); err != nil {
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
	b := trace.New(channels, 0, 28800)
	rnd := rand.New(rand.NewSource(1))
	for i := range 288000 {
		for ch := range channels {
			b.Add(ch, float64(i)/10, 50+float64(ch)+0.25*math.Round(rnd.NormFloat64()), 0)
		}
	}
	r := testResult()
	r.DurationS = 28800
	var page bytes.Buffer
	if err := (&Page{Title: "long", Runs: []Run{{Result: r, Traces: b.Finish()}}}).Write(&page); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d kB", page.Len()/1000)
	if page.Len() > 500_000 {
		t.Errorf("the page has %d bytes, want at most 500,000", page.Len())
	}
}
