package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"soakrig/daemon/record"
)

// Table is a table to be shown as text, CSV or HTML.
type Table struct {
	Head  []string
	Rows  [][]string
	Right []bool // by column: align right
}

// drop takes a column out.
func (t *Table) drop(head string) {
	i := slices.Index(t.Head, head)
	t.Head = slices.Delete(t.Head, i, i+1)
	if i < len(t.Right) {
		t.Right = slices.Delete(t.Right, i, i+1)
	}
	for j := range t.Rows {
		t.Rows[j] = slices.Delete(t.Rows[j], i, i+1)
	}
}

// Plain is the table in columns for a terminal.
func (t Table) Plain() string {
	width := make([]int, len(t.Head))
	for _, row := range append([][]string{t.Head}, t.Rows...) {
		for i, c := range row {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	var b strings.Builder
	for _, row := range append([][]string{t.Head}, t.Rows...) {
		line := ""
		for i, c := range row {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if i < len(t.Right) && t.Right[i] {
				c, pad = pad+c, ""
			}
			line += "  " + c + pad
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	return b.String()
}

// CSV writes the table as RFC 4180.
func (t Table) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.WriteAll(append([][]string{t.Head}, t.Rows...)); err != nil {
		return fmt.Errorf("write table: %w", err)
	}
	return nil
}

// probeTable lists the probes, hottest first.
func probeTable(r *record.Result) Table {
	t := Table{
		Head: []string{"probe", "place", "held peak °C", "at", "rise K", "raw max °C", "after load °C", "slope K/h", "coverage", "health"},
	}
	t.Right = []bool{false, false, true, true, true, true, true, true, true, false}
	probes := append([]record.ProbeResult(nil), r.Probes...)
	sort.SliceStable(probes, func(i, j int) bool {
		a, b := probes[i].HeldC, probes[j].HeldC
		return a != nil && (b == nil || *a > *b)
	})
	for i := range probes {
		p := &probes[i]
		at := noValue
		if p.HeldAtS != nil {
			at = clockTime(r, *p.HeldAtS)
		}
		t.Rows = append(t.Rows, []string{
			p.Channel, orDash(p.Place), optionalMeasured(p.HeldC, p.ExpandedK, ""), at, optional(p.RiseK, 1, ""),
			optional(p.RawMaxC, 1, ""), optional(p.AfterLoadMaxC, 1, ""), optional(p.SlopeKPerH, 1, ""), percent(p.Coverage), health(r, p),
		})
	}
	return t
}

func orDash(s string) string {
	if s == "" {
		return noValue
	}
	return s
}

func health(r *record.Result, p *record.ProbeResult) string {
	s := strings.ReplaceAll(p.Health, "_", " ")
	if from := untrusted(r, p.Channel); from != "" {
		s += " " + from
	}
	if !p.Counts {
		s += ", not counted"
	}
	if len(p.Faults) > 0 {
		words := make([]string, 0, len(p.Faults))
		for w, n := range p.Faults {
			words = append(words, fmt.Sprintf("%s %d×", strings.ReplaceAll(w, "_", " "), n))
		}
		sort.Strings(words)
		s += " [" + strings.Join(words, ", ") + "]"
	}
	return s
}

// ResultTable lists results for a spreadsheet: one row for each, numbers bare, units
// in the head, empty where there is no value.
func ResultTable(results []*record.Result) Table {
	t := Table{Head: []string{
		"unit", "revision", "setup", "rig", "run", "started", "verdict", "limited", "reasons",
		"peak_c", "peak_expanded_k", "peak_lower_bound", "hot_spot", "peak_at_s", "rise_k", "rise_expanded_k", "second", "gap_k",
		"ambient_mean_c", "ambient_in_band", "load_start_s", "load_end_s", "load_planned_s", "load_outcome", "mean_w", "energy_j",
		"power_held", "power_pattern", "loss_share", "tier", "slope_k_per_h", "probes_good", "probes_total", "gaps",
	}}
	for _, r := range results {
		t.Rows = append(t.Rows, resultRow(r))
	}
	return t
}

func resultRow(r *record.Result) []string {
	var codes []string
	for _, why := range r.Reasons {
		codes = append(codes, why.Code)
	}
	row := []string{r.Unit, r.Revision, r.Setup, r.Rig, r.Run, r.Started, string(r.Verdict), fmt.Sprint(r.Limited), strings.Join(codes, " ")}
	if p := r.Peak; p != nil {
		row = append(row, bare(&p.HeldC), bare(&p.ExpandedK), fmt.Sprint(p.LowerBound), p.Channel, bare(&p.AtS), bare(p.RiseK), bare(p.RiseExpandedK), p.Second, bare(p.GapK))
	} else {
		row = append(row, make([]string, 9)...)
	}
	if a := r.Ambient; a != nil {
		row = append(row, bare(&a.MeanC), bare(&a.InBand))
	} else {
		row = append(row, "", "")
	}
	if l := r.Load; l != nil {
		row = append(row, bare(l.StartS), bare(l.EndS), bare(l.PlannedS), l.Outcome, bare(l.MeanW), bare(l.EnergyJ), fmt.Sprint(l.Held), l.Pattern, bare(l.LossShare))
	} else {
		row = append(row, make([]string, 9)...)
	}
	if s := r.Steady; s != nil {
		row = append(row, s.Tier, bare(&s.SlopeKPerH))
	} else {
		row = append(row, "", "")
	}
	good := 0
	for i := range r.Probes {
		if r.Probes[i].Health == "good" {
			good++
		}
	}
	return append(row, fmt.Sprint(good), fmt.Sprint(len(r.Probes)), fmt.Sprint(len(r.Gaps)))
}

// bare is a number for a program; empty when there is none. Six significant digits
// are more than any measurement here has.
func bare(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'g', 6, 64)
}

// limitTable lists the limits as they were met.
func limitTable(r *record.Result) Table {
	t := Table{Head: []string{"limit", "quantity", "bound", "worst channel", "measured", "guard band", "outcome", "first exceeded"},
		Right: []bool{false, false, true, false, true, true, false, true}}
	for _, l := range r.Limits {
		first := noValue
		if l.FirstAtS != nil {
			first = clockTime(r, *l.FirstAtS)
		}
		outcome := string(l.Outcome)
		if l.Side != "" {
			outcome += ", " + l.Side
		}
		t.Rows = append(t.Rows, []string{l.Name, l.Quantity, withUnit(trimmed(l.Bound), l.Unit), orDash(l.Channel),
			optionalMeasured(l.Value, l.Expanded, l.Unit), optional(l.GuardBand, 1, differenceUnit(l.Unit)), outcome, first})
	}
	return t
}

func differenceUnit(unit string) string {
	if unit == "degC" {
		return "K"
	}
	return unit
}

// budgetTable is the uncertainty budget of the hot spot's held peak.
func budgetTable(r *record.Result) Table {
	t := Table{Head: []string{"contribution", "limits ±", "distribution", "standard K", "share", "shared between runs by", "source"},
		Right: []bool{false, true, false, true, true, false, false}}
	sum := 0.0
	for _, b := range r.Budget {
		half := noValue
		if b.HalfWidth != 0 {
			half = withUnit(Fixed(b.HalfWidth, 2), b.Unit)
		}
		sum += b.StandardK * b.StandardK
		t.Rows = append(t.Rows, []string{Prose(b.Name), half, b.Distribution, Fixed(b.StandardK, 2), percent(b.Share), orDash(b.SharedBy), orDash(b.Source)})
	}
	if len(r.Budget) > 0 && r.Peak != nil {
		t.Rows = append(t.Rows, []string{"combined, standard", "", "", Fixed(math.Sqrt(sum), 2), "", "", ""},
			[]string{fmt.Sprintf("expanded, k = %g", r.Peak.CoverageFactor), "", "", Fixed(r.Peak.ExpandedK, 2), "", "", ""})
	}
	return t
}

// loadTable lists what was measured of the load.
func loadTable(r *record.Result) Table {
	t := Table{Head: []string{"load", "value"}, Right: []bool{false, false}}
	l := r.Load
	if l == nil {
		return t
	}
	add := func(name, value string) {
		if value != noValue && value != "" {
			t.Rows = append(t.Rows, []string{name, value})
		}
	}
	at := func(v *float64) string {
		if v == nil {
			return noValue
		}
		return clockTime(r, *v)
	}
	length := func(v *float64) string {
		if v == nil {
			return noValue
		}
		return Length(*v)
	}
	add("power channel", l.Channel)
	add("start "+l.Source, at(l.StartS))
	add("end", at(l.EndS))
	add("planned", length(l.PlannedS))
	add("idle", optional(l.IdleW, 1, "W"))
	add("mean on load, by "+l.MeanBy, optionalMeasured(l.MeanW, l.MeanExpandedW, "W"))
	add("median", optional(l.MedianW, 1, "W"))
	if l.P5W != nil && l.P95W != nil {
		add("5th to 95th percentile", Fixed(*l.P5W, 1)+" to "+optional(l.P95W, 1, "W"))
	}
	add("highest held 10 s", optional(l.HeldMaxW, 1, "W"))
	if l.EnergyJ != nil {
		text := Energy(*l.EnergyJ)
		if l.EnergyExpandedJ != nil {
			text = Measured(*l.EnergyJ/3600, *l.EnergyExpandedJ/3600) + " Wh"
		}
		if l.EnergyCoverage != nil {
			text += ", covers " + percent(*l.EnergyCoverage)
		}
		add("energy, by "+l.EnergyBy, text)
	}
	if l.LossShare != nil {
		add("lost from early to last third", Fixed(*l.LossShare*100, 1)+" % of the step")
	}
	add("early step", optional(l.EarlyStepW, 1, "W"))
	if d := l.Dips; d != nil {
		add("dips", fmt.Sprintf("%d of %s, mean depth %s W, %s of the load", d.Count, Length(d.MedianS), Fixed(d.MeanDepthW, 1), percent(d.Duty)))
		if d.IntervalS != nil {
			add("interval of the dips", Length(*d.IntervalS))
		}
		add("hot spot when they begin", optional(d.OnsetC, 1, "degC"))
	}
	return t
}

func wordsTable(what string, m map[string]string) Table {
	t := Table{Head: []string{what, "value"}}
	for _, k := range slices.Sorted(maps.Keys(m)) {
		t.Rows = append(t.Rows, []string{strings.ReplaceAll(k, "_", " "), m[k]})
	}
	return t
}

func constantsTable(r *record.Result) Table {
	t := Table{Head: []string{"constant", "value"}, Right: []bool{false, true}}
	for _, k := range slices.Sorted(maps.Keys(r.Constants)) {
		t.Rows = append(t.Rows, []string{k, strconv.FormatFloat(r.Constants[k], 'g', -1, 64)})
	}
	return t
}

func statisticsTable(r *record.Result) Table {
	t := Table{Head: []string{"number", "channel", "value", "at", "what it is"}, Right: []bool{false, false, true, true, false}}
	for _, s := range r.Statistics {
		at := noValue
		if s.AtS != nil {
			at = clockTime(r, *s.AtS)
		}
		if s.Unit == "J" { // people read energy in Wh
			s.Value, s.Unit = s.Value/3600, "Wh"
			if s.Expanded != nil {
				u := *s.Expanded / 3600
				s.Expanded = &u
			}
		}
		value := withUnit(strings.Replace(strconv.FormatFloat(s.Value, 'g', 5, 64), "-", minus, 1), s.Unit)
		if s.Expanded != nil {
			value = withUnit(Measured(s.Value, *s.Expanded), s.Unit)
		}
		t.Rows = append(t.Rows, []string{strings.ReplaceAll(s.Name, "_", " "), orDash(s.Channel), value, at, Prose(s.Text)})
	}
	return t
}
