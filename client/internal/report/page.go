package report

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"html"
	"html/template"
	"io"
	"maps"
	"math"
	"slices"
	"strings"

	"soakrig/client/internal/trace"
	"soakrig/daemon/record"
)

// The page is one template; charts are drawn by uPlot, which is embedded with its
// licence (assets/uPlot.LICENSE).
var (
	//go:embed assets/page.html.tmpl
	pageTemplate string
	//go:embed assets/page.css
	pageCSS string
	//go:embed assets/page.js
	pageJS string
	//go:embed assets/uPlot.iife.min.js
	plotJS string
	//go:embed assets/uPlot.min.css
	plotCSS string
	//go:embed assets/uPlot.LICENSE
	plotLicence string
)

// Run is a run as it is drawn.
type Run struct {
	Result    *record.Result
	Traces    *trace.Set // nil: no readings, no chart
	Simulated bool       // of a simulated rig
}

// Page is what a page is made of.
type Page struct {
	Title      string
	Runs       []Run
	Comparison *Compared // nil: none
	Done       *Table    // of a campaign: what is done and missing; nil: none
	DoneNotes  []string  // runs of it that do not count, and why
	Charts     [][]byte  // SVG pictures of the comparison
	Simulated  bool
	Written    string // when and by what, for the foot
}

// Write writes the page as one HTML file that needs nothing else.
func (p *Page) Write(w io.Writer) error {
	t, err := template.New("page").Funcs(template.FuncMap{"part": p.heading}).Parse(pageTemplate)
	if err != nil {
		return fmt.Errorf("page template: %w", err)
	}
	v := pageView{
		Title: p.Title, CSS: template.CSS(plotCSS + pageCSS), PlotJS: template.JS(plotJS), JS: template.JS(pageJS),
		Licence: plotLicence, Simulated: p.Simulated, Written: p.Written, Many: len(p.Runs) > 1,
	}
	if p.Comparison != nil {
		v.Compared = htmlTable("Units side by side, coolest first", ComparisonTable(p.Comparison))
		v.Footnotes, v.ComparedRule = p.Comparison.Notes()
		for _, c := range p.Charts {
			v.Pictures = append(v.Pictures, svgInline(c))
		}
	}
	v.shared(p.Runs)
	if v.DoneNotes = p.DoneNotes; p.Done != nil {
		v.Done = htmlTable("What of the campaign is done and missing", *p.Done)
	}
	for i, r := range p.Runs {
		rv, err := viewOf(i, r)
		if err != nil {
			return err
		}
		if v.Constants != nil {
			rv.Constants = nil
		}
		v.Runs = append(v.Runs, rv)
	}
	if err := t.Execute(w, &v); err != nil {
		return fmt.Errorf("write page: %w", err)
	}
	return nil
}

// heading is the heading of a part of a run: one level below the run's name, which is
// the page's own where there is one run.
func (p *Page) heading(id, text string) template.HTML {
	level := 2
	if len(p.Runs) > 1 {
		level = 3
	}
	if id != "" {
		id = ` id="` + html.EscapeString(id) + `"`
	}
	return template.HTML(fmt.Sprintf(`<h%d class="part"%s>%s</h%d>`, level, id, html.EscapeString(text), level))
}

// shared finds the constants that all of several runs were evaluated with: they stand
// on the page once.
func (v *pageView) shared(runs []Run) {
	for _, r := range runs {
		if r.Result.Algorithm != runs[0].Result.Algorithm || !maps.Equal(r.Result.Constants, runs[0].Result.Constants) {
			return
		}
	}
	if len(runs) > 1 {
		v.Constants, v.Algorithm = htmlTable("Constants of the evaluation", constantsTable(runs[0].Result)), runs[0].Result.Algorithm
	}
}

// svgInline takes the XML head off a picture; it is ours, made by gonum/plot.
func svgInline(svg []byte) template.HTML {
	s := string(svg)
	if i := strings.Index(s, "<svg"); i > 0 {
		s = s[i:]
	}
	return template.HTML(s)
}

// pageView and the types below are what the template reads.
type pageView struct {
	Title, Licence, Written, ComparedRule string
	CSS                                   template.CSS
	PlotJS, JS                            template.JS
	Simulated, Many                       bool
	Compared                              *tableView
	Footnotes                             []string
	Pictures                              []template.HTML
	Runs                                  []*runView
	Done                                  *tableView
	DoneNotes                             []string
	Constants                             *tableView // of every run; nil: each has its own
	Algorithm                             string
}

type runView struct {
	ID                        string
	Title, Started, Length    string
	Word, Mark                string
	State                     State
	Headline                  string
	Zone                      string
	Reasons, Advice           []string
	Facts                     []fact
	Data                      template.JS
	HasChart                  bool
	Drawing                   template.HTML
	Words                     string // the chart
	Panels                    []panelView
	Thinned                   string
	Noticed                   []noticeView
	Marks, Gaps               []string
	Probes, Limits, Budget    *tableView
	Load, Conditions, Numbers *tableView
	Constants, Settings       *tableView
	Minutes                   *tableView
	BudgetOf, Algorithm       string
}

type panelView struct{ ID, Label, Kind string }

type noticeView struct {
	When, Text, Severity string
	FromS, ToS           float64
	Placed               bool
}

type tableView struct {
	Caption string
	Head    []cellView
	Rows    [][]cellView
	Empty   bool
}

type cellView struct {
	Text  string
	Right bool
}

func htmlTable(caption string, t Table) *tableView {
	v := &tableView{Caption: caption, Empty: len(t.Rows) == 0}
	for i, h := range t.Head {
		v.Head = append(v.Head, cellView{h, i < len(t.Right) && t.Right[i]})
	}
	for _, row := range t.Rows {
		var cells []cellView
		for i, c := range row {
			cells = append(cells, cellView{c, i < len(t.Right) && t.Right[i]})
		}
		v.Rows = append(v.Rows, cells)
	}
	return v
}

func viewOf(i int, p Run) (*runView, error) {
	r := p.Result
	v := &runView{
		ID: fmt.Sprintf("run%d", i), Title: Title(r), Started: startedText(r.Started), Length: Length(r.DurationS),
		Word: verdictWord(r), State: verdictState(r), Headline: Headline(r), Facts: factsOf(r), Algorithm: r.Algorithm,
		Probes: htmlTable("Probes, hottest first", probeTable(r)), Limits: htmlTable("Limits and how they were met", limitTable(r)),
		Budget: htmlTable("Uncertainty budget of the peak", budgetTable(r)), Load: htmlTable("Load and power", loadTable(r)),
		Conditions: htmlTable("Conditions of the setup", wordsTable("condition", r.Conditions)), Settings: htmlTable("Settings", wordsTable("setting", r.Settings)),
		Constants: htmlTable("Constants of the evaluation", constantsTable(r)), Numbers: htmlTable("Further numbers", statisticsTable(r)),
	}
	v.Mark = v.State.Mark()
	for j := range v.Facts {
		v.Facts[j].Text = glue(v.Facts[j].Text)
	}
	if r.Peak != nil {
		v.BudgetOf = fmt.Sprintf("of %s on %s", peakText(r.Peak), r.Peak.Channel)
	}
	v.Zone, v.Reasons, v.Advice = zoneNote(r), reasonTexts(r), adviceOf(r)
	for _, m := range storyOf(r) {
		v.Noticed = append(v.Noticed, noticeView{When: m.When, Text: glue(m.Text), Severity: m.Severity, FromS: m.AtS, ToS: m.ToS, Placed: m.Placed})
	}
	for _, m := range r.Marks {
		by := ""
		if m.Author != "" {
			by = " (" + m.Author + ")"
		}
		v.Marks = append(v.Marks, clockTime(r, m.AtS)+" "+m.Text+by)
	}
	for _, g := range r.Gaps {
		v.Gaps = append(v.Gaps, strings.TrimSpace(fmt.Sprintf("%s to %s, %s: %s. %s", clockTime(r, g.FromS), clockTime(r, g.ToS), Length(g.DurationS),
			strings.ReplaceAll(g.Cause, "_", " "), g.Text)))
	}
	if p.Traces == nil {
		return v, nil
	}
	return v, v.chart(r, p.Traces)
}

// chartData is what the page's script draws.
type chartData struct {
	From     float64       `json:"from"`
	Step     float64       `json:"step"`
	Started  string        `json:"started"`
	Channels []channelData `json:"channels"`
	Faults   []faultData   `json:"faults"`
	Phases   []phaseData   `json:"phases"`
	Gaps     [][2]float64  `json:"gaps"`
	Marks    []markData    `json:"marks"`
	Noticed  []noticedData `json:"noticed"`
	Limits   []limitData   `json:"limits"`
	Peak     *peakData     `json:"peak"`
}

type channelData struct {
	Name  string  `json:"name"`
	Place string  `json:"place"`
	Unit  string  `json:"unit"`
	Kind  string  `json:"kind"`
	Role  string  `json:"role"`
	Scale float64 `json:"scale"`
	V     string  `json:"v"`
}

type faultData struct {
	Channel int     `json:"channel"`
	From    float64 `json:"from"`
	To      float64 `json:"to"`
	Words   string  `json:"words"`
	Count   int     `json:"count"`
}

type phaseData struct {
	Phase string  `json:"phase"`
	From  float64 `json:"from"`
	To    float64 `json:"to"`
}

type markData struct {
	At   float64 `json:"at"`
	Text string  `json:"text"`
}

type noticedData struct {
	N     int     `json:"n"`
	From  float64 `json:"from"`
	To    float64 `json:"to"`
	Grave bool    `json:"grave"`
}

type limitData struct {
	Bound float64 `json:"bound"`
	Guard float64 `json:"guard"`
	Unit  string  `json:"unit"`
	Name  string  `json:"name"`
}

type peakData struct {
	Channel string  `json:"channel"`
	At      float64 `json:"at"`
	Value   float64 `json:"value"`
}

func (v *runView) chart(r *record.Result, t *trace.Set) error {
	t = t.ForPeople()
	d := chartData{From: t.FromS, Step: t.StepS, Started: r.Started}
	for i := range t.Channels {
		c := &t.Channels[i]
		n := trace.Digits(c.Channel.Kind)
		d.Channels = append(d.Channels, channelData{c.Channel.Name, c.Channel.Place, UnitSign(c.Channel.Unit), string(c.Channel.Kind), string(c.Channel.Role), math.Pow10(n), c.Packed(n)})
	}
	for _, f := range t.Faults {
		d.Faults = append(d.Faults, faultData{f.Channel, f.FromS, f.ToS, strings.ReplaceAll(strings.Join(f.Faults.Words(), ", "), "_", " "), f.Count})
	}
	for _, p := range r.Phases {
		d.Phases = append(d.Phases, phaseData{string(p.Phase), p.StartS, p.EndS})
	}
	for _, g := range r.Gaps {
		d.Gaps = append(d.Gaps, [2]float64{g.FromS, g.ToS})
	}
	for _, m := range r.Marks {
		d.Marks = append(d.Marks, markData{m.AtS, m.Text})
	}
	for i, n := range v.Noticed {
		if n.Placed && n.Severity != "" {
			d.Noticed = append(d.Noticed, noticedData{i + 1, n.FromS, n.ToS, n.Severity != "note"})
		}
	}
	for _, l := range r.Limits {
		if l.Quantity == "value" && l.Unit == "degC" {
			x := limitData{Bound: l.Bound, Unit: UnitSign(l.Unit), Name: l.Name}
			if l.GuardBand != nil {
				x.Guard = *l.GuardBand
			}
			d.Limits = append(d.Limits, x)
		}
	}
	if r.Peak != nil {
		d.Peak = &peakData{r.Peak.Channel, r.Peak.AtS, r.Peak.HeldC}
	}
	text, err := json.Marshal(&d)
	if err != nil {
		return fmt.Errorf("chart of %s: %w", Title(r), err)
	}
	v.Data, v.HasChart = template.JS(text), true
	v.Panels = panels(v.ID, t)
	v.Drawing, v.Words = template.HTML(drawRun(r, t, d.Noticed)), chartWords(r, t)
	v.Thinned = fmt.Sprintf("%d readings; every point of a curve covers %s and shows the lowest and the highest of them.", t.Readings, Length(t.StepS))
	v.Minutes = htmlTable("Lowest and highest reading of each channel, stretch by stretch", minutesTable(r, t))
	return nil
}

// panels lists the charts of a run: temperatures, power, then what else there is.
func panels(id string, t *trace.Set) []panelView {
	labels := map[record.Kind]string{record.Temperature: "Temperatures", record.Power: "Power", record.Energy: "Energy since the run began",
		record.Voltage: "Voltage", record.Current: "Current", record.Frequency: "Frequency", record.Other: "Other channels"}
	var out []panelView
	for _, k := range record.Kinds() {
		units := []string{}
		for i := range t.Channels {
			if c := &t.Channels[i].Channel; c.Kind == k && !slices.Contains(units, UnitSign(c.Unit)) {
				units = append(units, UnitSign(c.Unit))
			}
		}
		if len(units) > 0 {
			label := labels[k]
			if text := strings.Join(units, ", "); text != "" {
				label += ", " + text
			}
			out = append(out, panelView{id + "-" + string(k), label, string(k)})
		}
	}
	return out
}

// minutesTable is the chart as a table: lowest and highest in a dozen stretches.
func minutesTable(r *record.Result, t *trace.Set) Table {
	const stretches = 15
	tab := Table{Head: []string{"from", "to"}, Right: []bool{true, true}}
	for i := range t.Channels {
		tab.Head = append(tab.Head, t.Channels[i].Channel.Name+" "+UnitSign(t.Channels[i].Channel.Unit))
		tab.Right = append(tab.Right, true)
	}
	places := 2 * t.Steps
	per := max(2, (places+stretches-1)/stretches)
	for from := 0; from < places; from += per {
		row := []string{clockTime(r, t.FromS+float64(from)/2*t.StepS), clockTime(r, t.FromS+float64(min(from+per, places))/2*t.StepS)}
		for i := range t.Channels {
			low, high, ok := t.Channels[i].Span(from, from+per)
			if !ok {
				row = append(row, "none")
				continue
			}
			n := min(trace.Digits(t.Channels[i].Channel.Kind), 1)
			row = append(row, Fixed(low, n)+" to "+Fixed(high, n))
		}
		tab.Rows = append(tab.Rows, row)
	}
	return tab
}
