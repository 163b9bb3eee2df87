package recording

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"soakrig/daemon/analysis"
	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
	"soakrig/drivers/its90"
)

// checker turns a decoded map into a valid one and collects what is wrong.
type checker struct {
	doc *strictyaml.Doc
	f   *file
	m   *Map
}

func (c *checker) check() {
	c.table()
	c.channels()
	c.run()
	c.limits()
}

// table checks how the CSV is written.
func (c *checker) table() {
	f, cols := c.f, &c.m.Columns
	if f.Time.Column == "" {
		c.doc.Addf("time", `is missing: name the time column, such as time: {column: t, format: seconds}`)
	}
	cols.Time, cols.Format = f.Time.Column, f.Time.Format
	if cols.Format == "" {
		cols.Format = "seconds"
	}
	c.word("time.format", cols.Format, timeFormats())
	cols.Separator = ','
	if f.Decimal == "," {
		cols.Comma, cols.Separator = true, ';'
	} else if f.Decimal != "" && f.Decimal != "." {
		c.doc.Addf("decimal", `want "." or ",", got %q`, f.Decimal)
	}
	if f.Separator != "" {
		sep := f.Separator
		if sep == `\t` || sep == "tab" {
			sep = "\t"
		}
		r, n := utf8.DecodeRuneInString(sep)
		if n != len(sep) || !strings.ContainsRune(",;\t|", r) {
			c.doc.Addf("separator", `want ",", ";", "tab" or "|", got %q`, f.Separator)
		}
		cols.Separator = r
	}
	if cols.Comma && cols.Separator == ',' {
		c.doc.Addf("separator", `can't be "," when the decimal sign is a comma`)
	}
	if f.Skip < 0 {
		c.doc.Addf("skip", "want the number of lines before the header, got %d", f.Skip)
	}
	cols.Skip, cols.UnitsRow = f.Skip, f.UnitsRow
	cols.Absent = map[string]record.Faults{}
	for i, w := range f.Absent.Names {
		fault := record.DeviceError
		if word := f.Absent.Values[w]; word != "" {
			var ok bool
			if fault, ok = record.ParseFaults(word); !ok || fault == 0 {
				c.doc.Addf(fmt.Sprintf("absent.%s", w), "unknown fault %q%s", word, strictyaml.Suggest(word, record.FaultWords()))
			}
		}
		if w = strings.TrimSpace(w); w == "" {
			if f.Absent.Values[f.Absent.Names[i]] != "" {
				cols.Absent[""] = fault // an empty cell is that fault
			}
			continue // an empty cell is absent anyway
		}
		cols.Absent[w] = fault
	}
}

func timeFormats() []string {
	return []string{"seconds", "milliseconds", "minutes", "hours", "rfc3339"}
}

// word checks that text is one of a closed set.
func (c *checker) word(key, text string, known []string) bool {
	if slices.Contains(known, text) {
		return true
	}
	c.doc.Addf(key, "unknown word %q%s", text, strictyaml.Suggest(text, known))
	return false
}

// run fills in what the run was.
func (c *checker) run() {
	f, m := c.f, c.m
	m.Rig = f.Rig
	loadS := 0.0
	if f.Load.Planned != nil {
		loadS = float64(*f.Load.Planned)
		if loadS <= 0 {
			c.doc.Addf("load.planned", "want a length above 0")
		}
	}
	m.LoadStartS, m.LoadEndS = (*float64)(f.Load.Start), (*float64)(f.Load.End)
	if m.LoadStartS != nil && m.LoadEndS != nil && *m.LoadEndS <= *m.LoadStartS {
		c.doc.Addf("load.end", "is not after load.start")
	}
	m.Start = record.RunStart{
		Run: f.Run, Unit: f.Unit, Revision: f.Revision, Operator: f.Operator,
		Setup: record.Setup{Name: f.Setup.Name, Conditions: f.Setup.Conditions, MustMatch: f.Setup.MustMatch},
		Plan:  analysis.RecordingPlan(loadS, nil),
	}
	for i, key := range f.Setup.MustMatch {
		if _, ok := f.Setup.Conditions[key]; !ok {
			c.doc.Addf(fmt.Sprintf("setup.must_match[%d]", i), "the condition %q has no value under setup.conditions", key)
		}
	}
	if c.doc.Has("ambient_band") {
		m.Start.Plan.AmbientBandC = c.band("ambient_band", f.Ambient)
	}
	m.Start.Plan.ReferenceAmbientC = f.Reference
	defaults := constants.Default()
	known := defaults.Map()
	for name := range f.Constants {
		if _, ok := known[name]; !ok {
			c.doc.Addf("constants."+name, "no such constant%s", nearest(name, known))
		} else if err := defaults.Override(map[string]float64{name: f.Constants[name]}); err != nil {
			text, _, _ := strings.Cut(err.Error(), ";")
			c.doc.Addf("constants."+name, "%s", strings.TrimPrefix(text, "analysis constants: "))
		}
	}
	m.Start.Plan.Constants = f.Constants
}

func nearest(name string, known map[string]float64) string {
	words := make([]string, 0, len(known))
	for k := range known {
		words = append(words, k)
	}
	slices.Sort(words)
	if best := strictyaml.Nearest(name, words); best != "" {
		return fmt.Sprintf("; did you mean %q?", best)
	}
	return "; soak evaluate --keys lists them"
}

func (c *checker) band(key string, v []float64) *record.Band {
	if len(v) != 2 || v[0] >= v[1] {
		c.doc.Addf(key, "want [low, high] in degC, such as [21, 25], got %v", v)
		return nil
	}
	return &record.Band{Low: v[0], High: v[1]}
}

// limits reads both forms.
func (c *checker) limits() {
	plan := &c.m.Start.Plan
	roles := roleWords()
	for _, name := range c.f.Limits.Short.Names {
		v, key := *c.f.Limits.Short.Values[name], "limits."+name
		switch {
		case name == string(record.RoleAmbient):
			if c.doc.Has("ambient_band") {
				c.doc.Addf(key, "the band is given twice: remove ambient_band or this")
			}
			plan.AmbientBandC = c.band(key, v)
		case len(v) != 1:
			c.doc.Addf(key, "want one upper bound, such as %s: 105, got %v", name, []float64(v))
		case name == "rise":
			plan.Limits = append(plan.Limits, record.Limit{Name: "rise", Role: record.RoleProbe, Quantity: "rise", Bound: v[0], Severity: "fail"})
		case slices.Contains(roles, name):
			plan.Limits = append(plan.Limits, record.Limit{Name: name, Role: record.Role(name), Quantity: "value", Bound: v[0], Severity: "fail"})
		case c.find(name) != nil:
			plan.Limits = append(plan.Limits, record.Limit{Name: name, Channel: name, Quantity: "value", Bound: v[0], Severity: "fail"})
		default:
			c.doc.Addf(key, "is neither a role, nor a channel of this map, nor rise%s",
				strictyaml.Suggest(name, append(append([]string{"rise"}, roles...), c.f.Channels.Names...)))
		}
	}
	for i := range c.f.Limits.List {
		c.limit(fmt.Sprintf("limits[%d]", i), &c.f.Limits.List[i])
	}
}

// limit checks one limit of the list form.
func (c *checker) limit(key string, l *limit) {
	out := record.Limit{Name: l.Name, Channel: l.Channel, Role: record.Role(l.Role), Quantity: l.Quantity,
		Below: l.Below, DwellS: float64(l.Dwell), Severity: l.Severity}
	if l.Bound == nil {
		c.doc.Addf(key, "has no bound")
	} else {
		out.Bound = *l.Bound
	}
	if out.Quantity == "" {
		out.Quantity = "value"
	}
	if out.Severity == "" {
		out.Severity = "fail"
	}
	c.word(key+".quantity", out.Quantity, []string{"value", "rise", "slope", "difference"})
	c.word(key+".severity", out.Severity, []string{"note", "fail", "stop"})
	switch {
	case (l.Channel == "") == (l.Role == ""):
		c.doc.Addf(key, "want either channel or role")
	case l.Role != "":
		c.word(key+".role", l.Role, roleWords())
	case c.find(l.Channel) == nil:
		c.doc.Addf(key+".channel", "no such channel in this map%s", strictyaml.Suggest(l.Channel, c.f.Channels.Names))
	}
	for j, p := range l.Phases {
		if c.word(fmt.Sprintf("%s.phases[%d]", key, j), p, []string{"waiting", "baseline", "load", "cooldown"}) {
			out.Phases = append(out.Phases, record.Phase(p))
		}
	}
	if out.Name == "" {
		out.Name = strings.TrimSpace(l.Channel + l.Role + " " + out.Quantity)
	}
	c.m.Start.Plan.Limits = append(c.m.Start.Plan.Limits, out)
}

func (c *checker) find(name string) *channel { return c.f.Channels.Values[name] }

func roleWords() []string {
	var words []string
	for _, r := range record.Roles() {
		words = append(words, string(r))
	}
	return words
}

func kindWords() []string {
	var words []string
	for _, k := range record.Kinds() {
		words = append(words, string(k))
	}
	return words
}

func coupleWords() []string {
	var words []string
	for _, t := range its90.Types() {
		words = append(words, t.String())
	}
	return words
}
