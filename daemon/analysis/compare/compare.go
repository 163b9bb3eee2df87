// Package compare ranks units by the results of their runs: it refuses what does not
// match, takes repeats together, and says which differences the uncertainty allows to
// claim. It needs finished results only, judges no run, and draws no table.
package compare

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/budget"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// Quantities that runs are compared by.
const (
	Held      = "held"      // the peak held, degC
	Rise      = "rise"      // the peak above the room, K
	Reference = "reference" // the peak moved to the reference ambient, degC
)

// Options say how runs are compared.
type Options struct {
	Quantity string   `json:"quantity,omitempty"`  // held, rise, reference; empty: rise if every row has one, else held
	Public   bool     `json:"public,omitempty"`    // true: one coverage factor for the whole table (Bonferroni); false: k = 2 for each pair
	Override []string `json:"override,omitempty"`  // mismatches to accept, by key; "all" accepts every one. They are printed
	MaxPairs int      `json:"max_pairs,omitempty"` // pairs listed; zero: 2016, those of 64 rows. Ranks always rest on all
	// Remounted says that the probes were mounted anew for every repeat: then mounting
	// shrinks with the number of runs, and the pooled run-to-run deviation stands for
	// mounting and run to run, where it rests on at least four degrees of freedom. False:
	// repeats share the error of their mounting.
	Remounted bool `json:"remounted,omitempty"`
}

// Comparison is a table of units and how far they can be told apart.
type Comparison struct {
	Quantity       string          `json:"quantity"`
	Unit           string          `json:"unit"`
	CoverageFactor float64         `json:"coverage_factor"` // of pairs
	Rule           string          `json:"rule"`            // for people
	Rows           []Row           `json:"rows"`            // coolest first
	Pairs          []Pair          `json:"pairs"`           // of the rows that rank
	PairsLeftOut   int             `json:"pairs_left_out"`  // beyond MaxPairs
	Mismatches     []Mismatch      `json:"mismatches"`
	Pooled         *Pooled         `json:"pooled,omitempty"` // nil: no unit was repeated
	Footnotes      []string        `json:"footnotes"`
	NotRanked      []record.Reason `json:"not_ranked"` // rows without a place, and why
}

// Row is one unit in one setup: the mean of its runs.
type Row struct {
	Unit       string         `json:"unit"`
	Revision   string         `json:"revision,omitempty"`
	Setup      string         `json:"setup,omitempty"`
	Rig        string         `json:"rig,omitempty"`
	Runs       []string       `json:"runs"`
	LeftOut    []string       `json:"left_out,omitempty"` // void runs beside valid ones: they do not count
	Value      *float64       `json:"value,omitempty"`    // nil: none of its runs has the quantity
	Expanded   *float64       `json:"expanded,omitempty"`
	LowerBound bool           `json:"lower_bound"` // a probe was lost: the value may be higher
	Best       int            `json:"best"`        // rank interval, 1 is coolest; zero: not ranked
	Worst      int            `json:"worst"`
	Ranked     bool           `json:"ranked"`
	Verdict    record.Verdict `json:"verdict"` // the gravest of its runs
	Limited    bool           `json:"limited"`
	Marks      []int          `json:"marks,omitempty"` // footnotes, counted from 1
	HeldC      *float64       `json:"held_c,omitempty"`
	RiseK      *float64       `json:"rise_k,omitempty"`
	AmbientC   *float64       `json:"ambient_c,omitempty"`
	MeanW      *float64       `json:"mean_w,omitempty"`
	EnergyJ    *float64       `json:"energy_j,omitempty"`
	LossShare  *float64       `json:"loss_share,omitempty"`
	Pattern    string         `json:"pattern,omitempty"`
	Tier       string         `json:"tier,omitempty"`
	HotSpot    string         `json:"hot_spot,omitempty"`
	LoadS      *float64       `json:"load_s,omitempty"`
	Factor     *float64       `json:"factor,omitempty"` // coverage factor of Expanded: 2, or Student's t where few repeats enter
	lines      []record.BudgetLine
	repeat     budget.Component // what repeats give to lines; zero: nothing
	results    []record.Result
	called     string // name
}

// Pair is the difference of two rows.
type Pair struct {
	A                 int     `json:"a"` // index into Rows
	B                 int     `json:"b"`
	Difference        float64 `json:"difference"` // B minus A
	Expanded          float64 `json:"expanded"`   // with Factor
	Factor            float64 `json:"factor"`     // the table's coverage factor, or Student's t at its level where few repeats enter
	Indistinguishable bool    `json:"indistinguishable"`
}

// Mismatch is a condition that two rows do not share.
type Mismatch struct {
	Key        string `json:"key"`
	A          int    `json:"a"` // index into Rows
	B          int    `json:"b"`
	Text       string `json:"text"`
	Overridden bool   `json:"overridden"`
}

// Pooled is the run-to-run standard deviation pooled over units with repeats.
type Pooled struct {
	SD      float64 `json:"sd"`
	Degrees int     `json:"degrees"`
	Units   int     `json:"units"`
	Factor  float64 `json:"factor"` // Student's t at 95 % with these degrees of freedom, were it the only contribution
	Used    bool    `json:"used"`   // it replaces mounting and run to run in the budgets
}

// MismatchError refuses a comparison of rows that are not comparable.
type MismatchError struct{ Mismatches []Mismatch }

func (e *MismatchError) Error() string {
	var b strings.Builder
	b.WriteString("the runs are not comparable:")
	for i, m := range e.Mismatches {
		if i == 8 {
			fmt.Fprintf(&b, "\n  and %d more", len(e.Mismatches)-i)
			break
		}
		fmt.Fprintf(&b, "\n  %s: %s", m.Key, m.Text)
	}
	b.WriteString("\noverride the keys to compare them all the same; the table will say so")
	return b.String()
}

// ErrNothing says that there were no results.
var ErrNothing = errors.New("there are no results to compare")

// Runs ranks units by the results of their runs. Runs of the same unit, revision, setup and rig
// are repeats of one row. Rows that do not match are refused with a *MismatchError
// unless overridden; the Comparison is filled in either case. Rows whose verdict is
// void for other reasons than thermal limiting, or that have no value, get no place.
func Runs(results []record.Result, o Options) (Comparison, error) {
	if len(results) == 0 {
		return Comparison{}, ErrNothing
	}
	rows := gatherRows(results)
	callRows(rows)
	cmp := Comparison{Rows: rows, Pairs: []Pair{}, Mismatches: []Mismatch{}, Footnotes: []string{}, NotRanked: []record.Reason{}}
	if err := cmp.choose(o.Quantity); err != nil {
		return cmp, err
	}
	c := constants.Default()
	cmp.Pooled = pool(cmp.Rows, cmp.Quantity)
	var pooled *Pooled
	if p := cmp.Pooled; o.Remounted && p != nil && p.Degrees >= leastPooled {
		p.Used, pooled = true, p
	}
	for i := range cmp.Rows {
		cmp.Rows[i].fill(cmp.Quantity, c, pooled, o.Remounted)
	}
	slices.SortStableFunc(cmp.Rows, coolerFirst)
	cmp.place()
	cmp.rank(o)
	refused := cmp.match(o, c)
	cmp.footnotes()
	if len(refused) > 0 {
		return cmp, &MismatchError{Mismatches: refused}
	}
	return cmp, nil
}

func gatherRows(results []record.Result) []Row {
	var rows []Row
	at := make(map[[4]string]int)
	for _, r := range results {
		key := [4]string{r.Unit, r.Revision, r.Setup, r.Rig}
		i, ok := at[key]
		if !ok {
			i = len(rows)
			at[key] = i
			rows = append(rows, Row{Unit: r.Unit, Revision: r.Revision, Setup: r.Setup, Rig: r.Rig})
		}
		rows[i].results = append(rows[i].results, r)
		rows[i].Runs = append(rows[i].Runs, r.Run)
	}
	return rows
}

func valueOf(r *record.Result, quantity string) (value, expanded float64) {
	if r.Peak == nil {
		return series.Absent(), series.Absent()
	}
	v, u := (*float64)(nil), (*float64)(nil)
	switch quantity {
	case Held:
		v, u = &r.Peak.HeldC, &r.Peak.ExpandedK
	case Rise:
		v, u = r.Peak.RiseK, r.Peak.RiseExpandedK
	case Reference:
		v, u = r.Peak.ReferenceC, r.Peak.ReferenceExpandedK
	}
	return series.OrAbsent(v), series.OrAbsent(u)
}

// choose settles the quantity.
func (cmp *Comparison) choose(quantity string) error {
	switch quantity {
	case Held, Rise, Reference:
	case "":
		quantity = Rise
		for i := range cmp.Rows {
			for j := range cmp.Rows[i].results {
				r := &cmp.Rows[i].results[j]
				if r.Peak != nil && r.Peak.RiseK == nil {
					quantity = Held
				}
			}
		}
	default:
		return fmt.Errorf("compare by %q is not possible; use held, rise or reference", quantity)
	}
	cmp.Quantity, cmp.Unit = quantity, "degC"
	if quantity == Rise {
		cmp.Unit = "K"
	}
	return nil
}

// pool gives the run-to-run standard deviation over rows with repeats.
func pool(rows []Row, quantity string) *Pooled {
	p := Pooled{}
	sum := 0.0
	for i := range rows {
		var x []float64
		for j := range rows[i].results {
			if v, _ := valueOf(&rows[i].results[j], quantity); series.Known(v) {
				x = append(x, v)
			}
		}
		if len(x) < 2 {
			continue
		}
		m := series.Mean(x)
		for _, v := range x {
			sum += float64((v - m) * (v - m))
		}
		p.Degrees += len(x) - 1
		p.Units++
	}
	if p.Degrees == 0 {
		return nil
	}
	p.SD, p.Factor = math.Sqrt(sum/float64(p.Degrees)), budget.StudentT(0.95, p.Degrees)
	return &p
}

// fill takes the numbers of a row from its runs.
func (r *Row) fill(quantity string, c constants.Set, pooled *Pooled, remounted bool) {
	var values, held, rise, room, power, energy, loss, load []float64
	order := []record.Verdict{record.VerdictNone, record.VerdictPass, record.VerdictMarginal, record.VerdictFail, record.VerdictVoid}
	r.Verdict, r.Ranked = record.VerdictNone, false
	r.dropVoid()
	for i := range r.results {
		x := &r.results[i]
		if slices.Index(order, x.Verdict) > slices.Index(order, r.Verdict) {
			r.Verdict = x.Verdict
		}
		r.Limited = r.Limited || x.Limited
		if v, _ := valueOf(x, quantity); series.Known(v) {
			values = append(values, v)
		}
		if p := x.Peak; p != nil {
			held, rise, room = append(held, p.HeldC), append(rise, series.OrAbsent(p.RiseK)), append(room, series.OrAbsent(p.AmbientC))
			r.LowerBound, r.HotSpot = r.LowerBound || p.LowerBound, p.Channel
		}
		if l := x.Load; l != nil {
			power, energy, loss = append(power, series.OrAbsent(l.MeanW)), append(energy, series.OrAbsent(l.EnergyJ)), append(loss, series.OrAbsent(l.LossShare))
			r.Pattern = l.Pattern
			load = append(load, loadLength(l))
		}
		if x.Steady != nil {
			r.Tier = x.Steady.Tier
		}
	}
	r.Value = series.OrNil(series.Mean(values))
	r.HeldC, r.RiseK, r.AmbientC = series.OrNil(series.Mean(held)), series.OrNil(series.Mean(rise)), series.OrNil(series.Mean(room))
	r.MeanW, r.EnergyJ, r.LossShare = series.OrNil(series.Mean(power)), series.OrNil(series.Mean(energy)), series.OrNil(series.Mean(loss))
	r.LoadS = series.OrNil(series.Mean(load))
	r.lines, r.repeat = replaceRepeat(r.meanLines(quantity, c, remounted), pooled, len(values))
	if r.Value != nil {
		u := budget.Combine(r.lines)
		k := coverage95(effective(u, r.repeat), c.CoverageFactor)
		r.Expanded, r.Factor = series.OrNil(k*u), series.OrNil(k)
	}
}

// leastPooled is how many degrees of freedom a pooled deviation needs before it
// replaces what was assumed.
const leastPooled = 4

// dropVoid leaves out void runs where the row has others. Runs that were limited
// stay: they say something of the unit.
func (r *Row) dropVoid() {
	bad := func(x record.Result) bool { return x.Verdict == record.VerdictVoid && !x.Limited }
	if good := slices.DeleteFunc(slices.Clone(r.results), bad); len(good) > 0 && len(good) < len(r.results) {
		for i := range r.results {
			if bad(r.results[i]) {
				r.LeftOut = append(r.LeftOut, r.results[i].Run)
			}
		}
		r.results = good
	}
}

// replaceRepeat puts the pooled deviation of n runs in the place of mounting and run
// to run, and gives it with its degrees of freedom.
func replaceRepeat(lines []record.BudgetLine, pooled *Pooled, n int) ([]record.BudgetLine, budget.Component) {
	if pooled == nil || n == 0 {
		return lines, budget.Component{}
	}
	lines = slices.DeleteFunc(lines, func(l record.BudgetLine) bool {
		return l.Name == "run to run" || strings.HasPrefix(l.Name, "mounting")
	})
	u := max(pooled.SD/math.Sqrt(float64(n)), 0)
	return append(lines, budget.Normal("repeats, remounted", u, "", "", fmt.Sprintf("pooled over %d units, %d degrees of freedom", pooled.Units, pooled.Degrees))),
		budget.Component{StandardK: u, Degrees: float64(pooled.Degrees)}
}

// effective are the effective degrees of freedom of a combined uncertainty of which
// only the repeats have few (JCGM 100, G.4.1).
func effective(combined float64, repeat budget.Component) float64 {
	rest := math.Sqrt(max(float64(combined*combined)-float64(repeat.StandardK*repeat.StandardK), 0))
	return budget.EffectiveDegrees([]budget.Component{{StandardK: rest}, repeat})
}

// coverage95 is the coverage factor at 95 %: as configured, or Student's t where the
// effective degrees of freedom are few.
func coverage95(degrees, configured float64) float64 {
	if degrees > budget.ManyDegrees {
		return configured
	}
	return max(budget.CoverageFor(degrees), configured)
}

func loadLength(l *record.Load) float64 {
	if l.StartS == nil || l.EndS == nil {
		return series.Absent()
	}
	return *l.EndS - *l.StartS
}

func coolerFirst(a, b Row) int {
	x, y := series.OrAbsent(a.Value), series.OrAbsent(b.Value)
	switch {
	case !series.Known(x) && !series.Known(y):
		return strings.Compare(a.Unit, b.Unit)
	case !series.Known(x):
		return 1
	case !series.Known(y):
		return -1
	case x < y:
		return -1
	case x > y:
		return 1
	}
	return strings.Compare(a.Unit, b.Unit)
}

// place decides which rows rank: a row has a value, and its runs prove it.
func (cmp *Comparison) place() {
	for i := range cmp.Rows {
		r := &cmp.Rows[i]
		code, text := "", ""
		switch {
		case r.Value == nil:
			code, text = "no_value", "has no "+cmp.Quantity
		case r.Limited:
			code, text = "thermal_limiting", "was thermally limited: its peak is the limiter's set point, not its merit"
		case r.LowerBound:
			code, text = "lower_bound", "lost a probe: its peak may be higher"
		case r.Verdict == record.VerdictVoid:
			code, text = "void", "proves nothing: "+r.why()
		}
		if r.Ranked = code == ""; !r.Ranked {
			cmp.NotRanked = append(cmp.NotRanked, record.Reason{Code: code, Text: r.name() + " " + text})
		}
	}
}

func (r *Row) why() string {
	for i := range r.results {
		if r.results[i].Verdict == record.VerdictVoid && len(r.results[i].Reasons) > 0 {
			return r.results[i].Reasons[0].Text
		}
	}
	return "its run is void"
}

// name tells a row from the others: unit and setup, with the revision and the rig where
// others have the same.
func (r *Row) name() string { return r.called }

// callRows gives the rows their names.
func callRows(rows []Row) {
	setups, revisions := map[[2]string]int{}, map[[3]string]int{}
	for i := range rows {
		r := &rows[i]
		setups[[2]string{r.Unit, r.Setup}]++
		revisions[[3]string{r.Unit, r.Setup, r.Revision}]++
	}
	for i := range rows {
		r := &rows[i]
		same := revisions[[3]string{r.Unit, r.Setup, r.Revision}]
		words := []string{r.Unit}
		if r.Revision != "" && setups[[2]string{r.Unit, r.Setup}] > same {
			words = append(words, "rev. "+r.Revision)
		}
		if r.Setup != "" {
			words = append(words, r.Setup)
		}
		if same > 1 {
			words = append(words, "on "+r.Rig)
		}
		r.called = strings.Join(words, " ")
	}
}
