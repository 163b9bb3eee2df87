package compare

import (
	"math"
	"slices"
	"strings"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// meanLines are the budget lines of the mean of the row's runs. What a run has anew
// shrinks with their number; what stays from run to run does not, and what belongs to a
// channel is averaged over the channels that held the peaks.
func (r *Row) meanLines(quantity string, c constants.Set, remounted bool) []record.BudgetLine {
	var m meanOfLines
	n := 0
	for i := range r.results {
		if v, _ := valueOf(&r.results[i], quantity); series.Known(v) {
			n++
			for _, l := range r.linesOf(&r.results[i], quantity, c) {
				m.add(l, r.stays(&l, &r.results[i], remounted))
			}
		}
	}
	return m.over(float64(max(n, 1)))
}

// linesOf are the lines of one run's quantity.
func (r *Row) linesOf(x *record.Result, quantity string, c constants.Set) []record.BudgetLine {
	_, expanded := valueOf(x, quantity)
	if len(x.Budget) == 0 { // the run's uncertainty stands as a whole
		if !series.Known(expanded) {
			expanded = c.DefaultExpK
		}
		return []record.BudgetLine{budget.Normal("as reported", expanded/c.CoverageFactor, "", "", "the run's expanded uncertainty")}
	}
	if quantity == Held {
		return x.Budget
	}
	lines := append(slices.Clone(x.Budget), budget.Normal(ambientCorrection, c.AmbientU, "", "", "constants ambient_u_k"))
	// What the run's own uncertainty of a rise has beyond these is the room sensor's.
	// Runs on one rig share it, so it widens a row and not their difference. There is
	// nothing beyond where the sensor shares errors with the probes.
	if u := budget.Combine(lines); series.Known(expanded) && expanded/c.CoverageFactor > u {
		room := math.Sqrt(float64(expanded/c.CoverageFactor*(expanded/c.CoverageFactor)) - float64(u*u))
		lines = append(lines, budget.Normal("room sensor", room, "channel", "room of "+r.Rig, "the runs' expanded uncertainty of the rise"))
	}
	return lines
}

const ambientCorrection = "ambient correction"

// stays names what a row's runs share of a line beyond its key; empty: each has it anew.
// A board that is soaked again has the same probes at the same places, unless they were
// remounted, and the same pickup; a figure that nothing is known of stays altogether.
func (r *Row) stays(l *record.BudgetLine, x *record.Result, remounted bool) string {
	mounting := strings.HasPrefix(l.Name, "mounting")
	switch {
	case mounting && remounted, l.SharedKey != "" && !mounting, l.SharedBy == "run", l.Name == ambientCorrection, l.Name == budget.PeakEstimator:
		return ""
	case mounting && x.Peak != nil:
		return strings.Join([]string{"row", r.Unit, r.Revision, r.Setup, r.Rig, x.Peak.Channel}, "\x00")
	}
	return strings.Join([]string{"row", r.Unit, r.Revision, r.Setup, r.Rig}, "\x00")
}

// meanOfLines adds up the lines of runs. The zero value is empty.
type meanOfLines struct {
	lines []record.BudgetLine
	sums  []lineSum
	at    map[[2]string]int // key and name -> index
}

// lineSum is the sum of one line over runs: deviations of what they share, variances of
// what is each run's own.
type lineSum struct{ shared, own float64 }

// add takes a line of one run; stays names what the runs of the row share of its rest.
func (m *meanOfLines) add(l record.BudgetLine, stays string) {
	share := l.SharedCorrelation
	if l.SharedKey == "" {
		share = 0
	}
	rest := float64(l.StandardK*l.StandardK) * (1 - share)
	sum := lineSum{shared: l.StandardK * math.Sqrt(share)}
	if stays == "" {
		sum.own = rest
	} else if rest > 0 {
		m.sum(record.BudgetLine{Name: l.Name, Unit: l.Unit, Distribution: l.Distribution, SharedKey: stays, Source: l.Source}, lineSum{shared: math.Sqrt(rest)})
	}
	if stays == "" || share > 0 {
		m.sum(l, sum)
	}
}

func (m *meanOfLines) sum(l record.BudgetLine, s lineSum) {
	key := [2]string{l.SharedKey, l.Name}
	i, ok := m.at[key]
	if !ok {
		if m.at == nil {
			m.at = map[[2]string]int{}
		}
		i = len(m.lines)
		m.at[key] = i
		m.lines, m.sums = append(m.lines, l), append(m.sums, lineSum{})
	}
	m.sums[i].shared += s.shared
	m.sums[i].own += s.own
}

// over gives the lines of the mean of n runs.
func (m *meanOfLines) over(n float64) []record.BudgetLine {
	for i := range m.lines {
		l, s := &m.lines[i], m.sums[i]
		shared := float64(s.shared / n * (s.shared / n))
		v := shared + s.own/(n*n)
		l.StandardK, l.SharedCorrelation = math.Sqrt(v), 0
		if v > 0 {
			l.SharedCorrelation = shared / v
		}
	}
	return m.lines
}
