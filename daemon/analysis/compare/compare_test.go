package compare

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/analysis/internal/finite"
	"soakrig/daemon/analysis/internal/worked"
	"soakrig/daemon/record"
)

// resultOf is a run's result as far as a comparison reads it: with the budget of the
// worked example.
func resultOf(unit, run string, held, room float64) record.Result {
	c := constants.Default()
	rise := held - room
	lines := budget.WithShares(worked.Lines(run))
	u := c.CoverageFactor * budget.Combine(lines)
	ref := held - (room - 23)
	start, end, planned := 300.0, 3900.0, 3600.0
	return record.Result{Algorithm: "soakrig-analysis/2", Rig: "bench", Run: run, Unit: unit, Setup: "rated", Verdict: record.VerdictPass,
		Conditions: map[string]string{"fans": "two", "voltage": "12"}, MustMatch: []string{"fans"}, Constants: c.Map(),
		Peak:    &record.Peak{Channel: "vr1", HeldC: held, ExpandedK: u, RiseK: &rise, RiseExpandedK: &u, AmbientC: &room, ReferenceC: &ref, ReferenceExpandedK: &u},
		Probes:  make([]record.ProbeResult, 8),
		Load:    &record.Load{StartS: &start, EndS: &end, PlannedS: &planned, Outcome: "complete", Pattern: "constant", Held: true},
		Ambient: &record.Ambient{MeanC: room}, Steady: &record.Steady{Tier: "settled"}, Budget: lines}
}

// TestPairOfTheWorkedExample: two boards on one rig differ when they are more than
// 2.4 K apart; the same single value has U = 2.8 K.
func TestPairOfTheWorkedExample(t *testing.T) {
	for _, c := range []struct {
		apart float64
		same  bool
	}{{1, true}, {2.3, true}, {2.5, false}} {
		cmp, err := Runs([]record.Result{resultOf("b", "1", 85+c.apart, 23), resultOf("a", "2", 85, 23)}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		finite.Check(t, cmp)
		if cmp.Quantity != Rise || len(cmp.Pairs) != 1 {
			t.Fatalf("%s, %d pairs", cmp.Quantity, len(cmp.Pairs))
		}
		p := cmp.Pairs[0]
		if math.Abs(p.Expanded-2.42) > 0.02 || p.Indistinguishable != c.same || math.Abs(p.Difference-c.apart) > 1e-9 {
			t.Errorf("apart %g: %+v", c.apart, p)
		}
		cool, hot := cmp.Rows[0], cmp.Rows[1]
		if cool.Unit != "a" || hot.Unit != "b" || cool.Best != 1 || hot.Worst != 2 {
			t.Errorf("order %s %d..%d, %s %d..%d", cool.Unit, cool.Best, cool.Worst, hot.Unit, hot.Best, hot.Worst)
		}
		if c.same != (cool.Worst == 2) || c.same != (hot.Best == 1) {
			t.Errorf("apart %g: ranks %d..%d and %d..%d", c.apart, cool.Best, cool.Worst, hot.Best, hot.Worst)
		}
	}
}

// TestRoomSensorWidensRows: a table says of a rise what the run's own page says, and two
// boards under one room sensor differ as if it had no error; under two it counts twice.
func TestRoomSensorWidensRows(t *testing.T) {
	const rise = 5.0 // U of the rise on the run's page, K
	made := func(unit, run, rig string) record.Result {
		r := resultOf(unit, run, 85, 23)
		r.Rig = rig
		u := rise
		r.Peak.RiseExpandedK, r.Peak.ReferenceExpandedK = &u, &u
		return r
	}
	for _, quantity := range []string{Rise, Reference} {
		for _, c := range []struct {
			rig  string
			want float64
		}{
			{"bench", 2.42},
			{"other", math.Sqrt(2.42*2.42 + 2*(rise*rise-2.83*2.83-0.4*0.4))},
		} {
			cmp, err := Runs([]record.Result{made("a", "1", "bench"), made("b", "2", c.rig)}, Options{Quantity: quantity, Override: []string{"all"}})
			if err != nil {
				t.Fatal(err)
			}
			for _, row := range cmp.Rows {
				if math.Abs(*row.Expanded-rise) > 1e-9 {
					t.Errorf("%s: the row says %.3f K, the run %g K", quantity, *row.Expanded, rise)
				}
			}
			if p := cmp.Pairs[0]; math.Abs(p.Expanded-c.want) > 0.05 {
				t.Errorf("%s, %s and bench: U of the difference is %.2f K, want %.2f", quantity, c.rig, p.Expanded, c.want)
			}
		}
	}
}

// TestRanksAreNotTransitive: A equals B, B equals C, A is cooler than C. Groups
// would mislead; intervals do not.
func TestRanksAreNotTransitive(t *testing.T) {
	cmp, err := Runs([]record.Result{resultOf("a", "1", 80, 23), resultOf("b", "2", 82, 23), resultOf("c", "3", 84, 23)}, Options{Quantity: Held})
	if err != nil {
		t.Fatal(err)
	}
	want := [][2]int{{1, 2}, {1, 3}, {2, 3}}
	for i, r := range cmp.Rows {
		if r.Best != want[i][0] || r.Worst != want[i][1] {
			t.Errorf("%s ranks %d..%d, want %v", r.Unit, r.Best, r.Worst, want[i])
		}
	}
}

// TestPublishedFactor: Bonferroni for 4, 8 and 12 boards: k = 2.64, 3.12, 3.37 for
// an error of 5 % over the table.
func TestPublishedFactor(t *testing.T) {
	for n, want := range map[int]float64{4: 2.64, 8: 3.12, 12: 3.37} {
		var rs []record.Result
		for i := range n {
			rs = append(rs, resultOf(fmt.Sprintf("u%02d", i), fmt.Sprint(i), 80, 23))
		}
		cmp, err := Runs(rs, Options{Public: true})
		if err != nil || math.Abs(cmp.CoverageFactor-want) > 0.006 {
			t.Errorf("%d boards: k = %.3f, want %.2f; %v", n, cmp.CoverageFactor, want, err)
		}
		if inside, _ := Runs(rs, Options{}); inside.CoverageFactor != 2 || !strings.Contains(inside.Rule, "pair by pair") {
			t.Errorf("inside the lab k = %v: %s", inside.CoverageFactor, inside.Rule)
		}
	}
}

// TestFalseOrdersInATable: eight equal boards, errors independent with u = 0.86 K as
// in the example. With k = 2 about half of all tables claim some order; the published
// factor holds it near 4 %.
func TestFalseOrdersInATable(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	count := func(public bool) int {
		wrong := 0
		for range 400 {
			var rs []record.Result
			for i := range 8 {
				rs = append(rs, resultOf(fmt.Sprint(i), fmt.Sprint(i), 80+0.855*r.NormFloat64(), 23))
			}
			cmp, err := Runs(rs, Options{Public: public})
			if err != nil {
				t.Fatal(err)
			}
			for _, row := range cmp.Rows {
				if row.Best > 1 || row.Worst < 8 {
					wrong++
					break
				}
			}
		}
		return wrong
	}
	if pairs := count(false); pairs < 140 || pairs > 250 {
		t.Errorf("k = 2: %d of 400 tables claim an order that is not there; about 190 were expected", pairs)
	}
	if public := count(true); public > 40 {
		t.Errorf("published: %d of 400 tables, about 16 were expected", public)
	}
}

func TestMismatchesAreRefusedUnlessOverridden(t *testing.T) {
	for _, c := range []struct {
		key    string
		change func(*record.Result)
	}{
		{"fans", func(r *record.Result) { r.Conditions = map[string]string{"fans": "one"} }},
		{"probe_map", func(r *record.Result) {
			r.MustMatch = append(r.MustMatch, "probe_map")
			r.Settings = map[string]string{"probe_map": "v2"}
		}},
		{"load_length", func(r *record.Result) { v := 7200.0; r.Load.PlannedS = &v }},
		{"ambient", func(r *record.Result) { r.Ambient.MeanC = 24.5 }},
		{"settled", func(r *record.Result) { r.Steady.Tier = "rising" }},
		{"probes", func(r *record.Result) { r.Probes = r.Probes[:7] }},
		{"load_pattern", func(r *record.Result) { r.Load.Pattern = "load_pattern" }},
		{"load_pattern", func(r *record.Result) { r.Load.Pattern, r.Load.Held = "not_held", false }},
		{"load_seen", func(r *record.Result) { r.Load = nil }},
		{"ambient", func(r *record.Result) { r.Ambient = nil }},
		{"probe_places", func(r *record.Result) {
			for i := range r.Probes {
				r.Probes[i].Place = fmt.Sprint("lid ", i)
			}
		}},
		{"algorithm", func(r *record.Result) { r.Algorithm = "older" }},
		{"peak_hold_s", func(r *record.Result) { r.Constants = map[string]float64{"peak_hold_s": 30} }},
	} {
		rs := []record.Result{resultOf("a", "1", 80, 23), resultOf("b", "2", 85, 23), resultOf("c", "3", 90, 23)}
		for i := range rs {
			for j := range rs[i].Probes {
				rs[i].Probes[j].Place = fmt.Sprint("behind stage ", j)
			}
		}
		c.change(&rs[2])
		cmp, err := Runs(rs, Options{})
		var refused *MismatchError
		if !errors.As(err, &refused) || len(refused.Mismatches) != 1 || refused.Mismatches[0].Key != c.key || !strings.Contains(err.Error(), c.key) {
			t.Errorf("%s: %v", c.key, err)
			continue
		}
		if len(cmp.Rows) != 3 || len(cmp.Mismatches) != 1 {
			t.Errorf("%s: the table is not filled beside the error", c.key)
		}
		for _, o := range [][]string{{c.key}, {"all"}} {
			cmp, err = Runs(rs, Options{Override: o})
			if err != nil {
				t.Errorf("%s overridden by %v: %v", c.key, o, err)
			}
			if len(cmp.Footnotes) != 1 || !strings.Contains(cmp.Footnotes[0], "(overridden)") || len(cmp.Rows[2].Marks) != 1 {
				t.Errorf("%s: the override is not printed: %v %v", c.key, cmp.Footnotes, cmp.Rows[2].Marks)
			}
		}
		if _, err = Runs(rs, Options{Override: []string{"something else"}}); err == nil {
			t.Errorf("%s: overriding another key let it through", c.key)
		}
	}
}

// TestWhoGetsNoPlace: a limited unit and one that lost a probe stand in the table,
// with their reason and without a rank, and do not make it incomparable.
func TestWhoGetsNoPlace(t *testing.T) {
	limited := resultOf("hotrod", "3", 70, 23)
	limited.Limited, limited.Verdict = true, record.VerdictVoid
	limited.Steady.Tier = "rising"
	lost := resultOf("loose", "4", 60, 23)
	lost.Verdict, lost.Peak.LowerBound = record.VerdictVoid, true
	void := resultOf("warm", "5", 75, 27)
	void.Verdict, void.Reasons = record.VerdictVoid, []record.Reason{{Code: "ambient_band", Text: "the room was warm"}}
	none := resultOf("mute", "6", 75, 23)
	none.Peak, none.Verdict = nil, record.VerdictVoid
	cmp, err := Runs([]record.Result{resultOf("a", "1", 80, 23), resultOf("b", "2", 90, 23), limited, lost, void, none}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	finite.Check(t, cmp)
	want := map[string]string{"hotrod rated": "thermal_limiting", "loose rated": "lower_bound", "warm rated": "void", "mute rated": "no_value"}
	if len(cmp.NotRanked) != len(want) {
		t.Fatalf("without a place: %+v", cmp.NotRanked)
	}
	for _, n := range cmp.NotRanked {
		found := false
		for name, code := range want {
			found = found || strings.HasPrefix(n.Text, name) && n.Code == code
		}
		if !found {
			t.Errorf("%+v", n)
		}
	}
	for _, r := range cmp.Rows {
		_, out := want[r.name()]
		if r.Ranked == out || (r.Best == 0) != out || (len(r.Marks) > 0) != out {
			t.Errorf("%s: ranked %v %d..%d marks %v", r.Unit, r.Ranked, r.Best, r.Worst, r.Marks)
		}
	}
	if len(cmp.Pairs) != 1 || cmp.Rows[len(cmp.Rows)-1].Unit != "mute" {
		t.Errorf("pairs %v; last row %s", cmp.Pairs, cmp.Rows[len(cmp.Rows)-1].Unit)
	}
}

// TestPooledRepeats: two runs each of four boards, deviation by hand.
func TestPooledRepeats(t *testing.T) {
	var rs []record.Result
	apart := []float64{0.2, 0.4, 0.6, 0.8}
	for i, d := range apart {
		unit := fmt.Sprint("u", i)
		rs = append(rs, resultOf(unit, unit+"-1", 80+5*float64(i)-d/2, 23), resultOf(unit, unit+"-2", 80+5*float64(i)+d/2, 23))
	}
	sum := 0.0
	for _, d := range apart {
		sum += d * d / 2
	}
	cmp, err := Runs(rs, Options{})
	if err != nil {
		t.Fatal(err)
	}
	p := cmp.Pooled
	if p == nil || p.Degrees != 4 || p.Units != 4 || math.Abs(p.SD-math.Sqrt(sum/4)) > 1e-9 || p.Used {
		t.Fatalf("pooled %+v, by hand %.4f", p, math.Sqrt(sum/4))
	}
	single, _ := Runs([]record.Result{rs[0], rs[2]}, Options{})
	if len(cmp.Rows) != 4 || len(cmp.Rows[0].Runs) != 2 || *cmp.Rows[0].Expanded >= *single.Rows[0].Expanded {
		t.Errorf("a mean of two runs has U %v, one run %v", *cmp.Rows[0].Expanded, *single.Rows[0].Expanded)
	}
	if cmp.Pairs[0].Expanded >= single.Pairs[0].Expanded || single.Pooled != nil {
		t.Errorf("difference of means %v, of single runs %v", cmp.Pairs[0].Expanded, single.Pairs[0].Expanded)
	}
	again, err := Runs(rs, Options{Remounted: true})
	if err != nil || !again.Pooled.Used || again.Pairs[0].Expanded >= cmp.Pairs[0].Expanded {
		t.Errorf("remounted: %+v, pair %v against %v; %v", again.Pooled, again.Pairs[0].Expanded, cmp.Pairs[0].Expanded, err)
	}
}

// TestAVoidRepeatDoesNotSpoilTheRow: the valid run counts, the void one is named.
func TestAVoidRepeatDoesNotSpoilTheRow(t *testing.T) {
	bad := resultOf("a", "a-2", 120, 23)
	bad.Verdict = record.VerdictVoid
	cmp, err := Runs([]record.Result{resultOf("a", "a-1", 80, 23), bad, resultOf("b", "b-1", 90, 23)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := cmp.Rows[0]
	if r.Unit != "a" || math.Abs(*r.HeldC-80) > 1e-9 || !r.Ranked || len(r.LeftOut) != 1 || r.LeftOut[0] != "a-2" {
		t.Errorf("%+v", r)
	}
}

func TestCompareBadInput(t *testing.T) {
	if _, err := Runs(nil, Options{}); !errors.Is(err, ErrNothing) {
		t.Error(err)
	}
	if _, err := Runs([]record.Result{resultOf("a", "1", 80, 23)}, Options{Quantity: "colour"}); err == nil || !strings.Contains(err.Error(), "held, rise or reference") {
		t.Error(err)
	}
	cmp, err := Runs([]record.Result{resultOf("a", "1", 80, 23)}, Options{Quantity: Reference, Public: true})
	if err != nil || len(cmp.Rows) != 1 || cmp.Rows[0].Best != 1 || cmp.Rows[0].Worst != 1 || len(cmp.Pairs) != 0 {
		t.Errorf("one row: %+v %v", cmp, err)
	}
}

// TestAThousandRuns ranks on every pair and lists some; daemon/speed holds the time.
func TestAThousandRuns(t *testing.T) {
	var rs []record.Result
	for i := range 1000 {
		rs = append(rs, resultOf(fmt.Sprint("u", i), fmt.Sprint(i), 80+float64(i%37)/3, 23))
	}
	began := time.Now()
	cmp, err := Runs(rs, Options{})
	if err != nil || len(cmp.Rows) != 1000 || len(cmp.Pairs) != 2016 || cmp.PairsLeftOut != 499500-2016 {
		t.Fatalf("%d rows, %d pairs, %d left out, %v", len(cmp.Rows), len(cmp.Pairs), cmp.PairsLeftOut, err)
	}
	t.Logf("a thousand runs in %v", time.Since(began))
}

// TestRowsAreToldApart: what is said of a row names it among rows of the same unit.
func TestRowsAreToldApart(t *testing.T) {
	one, lost, void, old := resultOf("a", "1", 80, 23), resultOf("a", "1", 81, 23), resultOf("a", "1", 82, 23), resultOf("a", "0", 79, 23)
	lost.Rig, lost.Peak.LowerBound = "bench-2", true
	void.Rig, void.Verdict, void.Reasons = "bench-3", record.VerdictVoid, []record.Reason{{Text: "the room was warm"}}
	old.Revision = "A"
	cmp, err := Runs([]record.Result{one, lost, void, old}, Options{Quantity: Held})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for i := range cmp.Rows {
		names = append(names, cmp.Rows[i].name())
	}
	if got, want := strings.Join(names, "; "), "a rev. A rated; a rated on bench; a rated on bench-2; a rated on bench-3"; got != want {
		t.Errorf("rows %s, want %s", got, want)
	}
	for i, want := range map[int]string{2: "no place: a rated on bench-2 lost a probe", 3: "no place: a rated on bench-3 proves nothing: the room was warm"} {
		if m := cmp.Rows[i].Marks; len(m) != 1 || !strings.HasPrefix(cmp.Footnotes[m[0]-1], want) {
			t.Errorf("row %d has the notes %v of %v, want %q", i, m, cmp.Footnotes, want)
		}
	}
}
