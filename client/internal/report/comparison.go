package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"soakrig/daemon/analysis/compare"
	"soakrig/daemon/record"
)

// Compared is a comparison with what its table and charts also show.
type Compared struct {
	compare.Comparison
	Held, Rise, Reference *compare.Comparison // the same rows by another quantity; nil: no row has it
	Simulated             bool                // runs are of simulated rigs: charts say so
	results               []record.Result
}

// Compare compares results. With a *compare.MismatchError the comparison is
// refused, and only the error counts.
func Compare(results []record.Result, o compare.Options) (*Compared, error) {
	main, err := compare.Runs(results, o)
	if err != nil {
		return nil, err
	}
	c := &Compared{Comparison: main, results: results}
	for _, q := range []struct {
		name string
		to   **compare.Comparison
	}{{compare.Held, &c.Held}, {compare.Rise, &c.Rise}, {compare.Reference, &c.Reference}} {
		o.Quantity = q.name
		if other, err := compare.Runs(results, o); err == nil {
			*q.to = &other
		}
	}
	return c, nil
}

// of finds the results that a row stands for.
func (c *Compared) of(row *compare.Row) []*record.Result {
	var out []*record.Result
	for i := range c.results {
		r := &c.results[i]
		if r.Unit == row.Unit && r.Revision == row.Revision && r.Setup == row.Setup && r.Rig == row.Rig {
			for _, run := range row.Runs {
				if run == r.Run {
					out = append(out, r)
					break
				}
			}
		}
	}
	return out
}

// Row is the row that a result belongs to, from 0; behind all rows when it has none.
func (c *Compared) Row(r *record.Result) int {
	for i := range c.Rows {
		row := &c.Rows[i]
		if r.Unit == row.Unit && r.Revision == row.Revision && r.Setup == row.Setup && r.Rig == row.Rig && (slices.Contains(row.Runs, r.Run) || slices.Contains(row.LeftOut, r.Run)) {
			return i
		}
	}
	return len(c.Rows)
}

// unitOf is the unit of a row, with its rig where another rig had the same one.
func (c *Compared) unitOf(row *compare.Row) string {
	name := unitName(row.Unit, row.Revision)
	for i := range c.Rows {
		r := &c.Rows[i]
		if r.Unit == row.Unit && r.Revision == row.Revision && r.Setup == row.Setup && r.Rig != row.Rig {
			return name + " on " + row.Rig
		}
	}
	return name
}

// same finds a row in another comparison of the same results; nil: it has none.
func same(c *compare.Comparison, row *compare.Row) *compare.Row {
	if c == nil {
		return nil
	}
	for i := range c.Rows {
		r := &c.Rows[i]
		if r.Unit == row.Unit && r.Revision == row.Revision && r.Setup == row.Setup && r.Rig == row.Rig && strings.Join(r.Runs, " ") == strings.Join(row.Runs, " ") {
			return r
		}
	}
	return nil
}

// places is a rank interval.
func places(row *compare.Row) string {
	switch {
	case !row.Ranked:
		return noValue
	case row.Best == row.Worst:
		return fmt.Sprint(row.Best)
	}
	return fmt.Sprintf("%d–%d", row.Best, row.Worst)
}

func rowVerdict(row *compare.Row) string {
	v := string(row.Verdict)
	if row.Verdict == record.VerdictNone {
		v = "no limit"
	}
	if row.Limited {
		v += ", limited"
	}
	return v
}

func rowValue(row *compare.Row) string {
	if row == nil || row.Value == nil {
		return noValue
	}
	s := ""
	if row.LowerBound {
		s = "≥ "
	}
	u := 0.0
	if row.Expanded != nil {
		u = *row.Expanded
	}
	return s + Measured(*row.Value, u)
}

// ComparisonTable is the table that people publish.
func ComparisonTable(c *Compared) Table {
	t := Table{
		Head: []string{"place", "unit", "setup", "verdict", "peak °C", "rise K", "hot spot", "room °C", "power W", "energy", "power held",
			"settled", "load", "probes", "runs", "notes"},
		Right: []bool{false, false, false, false, true, true, false, true, true, true, false, false, true, true, true, false},
	}
	for i := range c.Rows {
		row := &c.Rows[i]
		probes, hot := probesOf(c.of(row)), orDash(row.HotSpot)
		energy, load := noValue, noValue
		if row.EnergyJ != nil {
			energy = Energy(*row.EnergyJ)
		}
		if row.LoadS != nil {
			load = loadText(*row.LoadS)
		}
		held := map[string]string{"constant": "yes", "load_pattern": "yes, pattern", "not_held": "no", "thermal_cycling": "no, thermal", "flat_top": "no, thermal"}[row.Pattern]
		if row.LossShare != nil && *row.LossShare >= 0.005 && held != "" {
			held += fmt.Sprintf(", %s lost", percent(*row.LossShare))
		}
		var marks []string
		for _, m := range row.Marks {
			marks = append(marks, fmt.Sprint(m))
		}
		t.Rows = append(t.Rows, []string{places(row), c.unitOf(row), orDash(row.Setup), rowVerdict(row), rowValue(same(c.Held, row)), rowValue(same(c.Rise, row)),
			hot, optional(row.AmbientC, 1, ""), optional(row.MeanW, 0, ""), energy, orDash(held), orDash(row.Tier), load, probes, fmt.Sprint(len(row.Runs)), strings.Join(marks, " ")})
	}
	if !slices.ContainsFunc(c.Rows, func(r compare.Row) bool { return len(r.Runs) != 1 }) {
		t.drop("runs")
	}
	if !slices.ContainsFunc(c.Rows, func(r compare.Row) bool { return len(r.Marks) > 0 }) {
		t.drop("notes")
	}
	return t
}

// loadText is the length of a load to the minute, as it was planned; short ones in full.
func loadText(s float64) string {
	if s >= 600 {
		s = math.Round(s/60) * 60
	}
	return Length(s)
}

func probesOf(results []*record.Result) string {
	good, total := -1, 0
	for _, r := range results {
		if r.Peak == nil {
			continue
		}
		if good < 0 || r.Peak.ProbesGood < good {
			good, total = r.Peak.ProbesGood, r.Peak.ProbesTotal
		}
	}
	if good < 0 {
		return noValue
	}
	return fmt.Sprintf("%d of %d", good, total)
}

// Notes are the footnotes of the table, numbered from 1, and the rule of the places.
func (c *Compared) Notes() (footnotes []string, rule string) {
	for _, f := range c.Footnotes {
		footnotes = append(footnotes, Prose(f))
	}
	rule = "Places are by " + map[string]string{"held": "peak", "rise": "rise", "reference": "peak in the reference room"}[c.Quantity] +
		", coolest first; a row holds any place of its interval. " + strings.ToUpper(c.Rule[:1]) + c.Rule[1:] + "."
	if c.Pooled != nil {
		rule += fmt.Sprintf(" Run-to-run standard deviation %s K, pooled over %d units (%d degrees of freedom).", Fixed(c.Pooled.SD, 2), c.Pooled.Units, c.Pooled.Degrees)
	}
	if c.PairsLeftOut > 0 {
		rule += fmt.Sprintf(" %d pairs are not listed.", c.PairsLeftOut)
	}
	return footnotes, Prose(rule)
}

// ComparisonCSV is the table for a spreadsheet: bare numbers, units in the head.
func ComparisonCSV(c *Compared) Table {
	t := Table{Head: []string{"best_place", "worst_place", "unit", "revision", "setup", "rig", "runs", "verdict", "limited", "lower_bound",
		"peak_c", "peak_expanded_k", "rise_k", "rise_expanded_k", "reference_c", "reference_expanded_k", "hot_spot", "ambient_c", "mean_w", "energy_j", "power_pattern",
		"loss_share", "tier", "load_s", "footnotes"}}
	for i := range c.Rows {
		row := &c.Rows[i]
		held, rise, moved := same(c.Held, row), same(c.Rise, row), same(c.Reference, row)
		best, worst := "", ""
		if row.Ranked {
			best, worst = fmt.Sprint(row.Best), fmt.Sprint(row.Worst)
		}
		var notes []string
		for _, m := range row.Marks {
			notes = append(notes, c.Footnotes[m-1])
		}
		pair := func(r *compare.Row) (string, string) {
			if r == nil {
				return "", ""
			}
			return bare(r.Value), bare(r.Expanded)
		}
		peak, peakU := pair(held)
		up, upU := pair(rise)
		ref, refU := pair(moved)
		t.Rows = append(t.Rows, []string{best, worst, row.Unit, row.Revision, row.Setup, row.Rig, strings.Join(row.Runs, " "), string(row.Verdict),
			fmt.Sprint(row.Limited), fmt.Sprint(row.LowerBound), peak, peakU, up, upU, ref, refU, row.HotSpot, bare(row.AmbientC), bare(row.MeanW),
			bare(row.EnergyJ), row.Pattern, bare(row.LossShare), row.Tier, bare(row.LoadS), strings.Join(notes, "; ")})
	}
	return t
}
