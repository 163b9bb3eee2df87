// Package campaign reads the small file that says which units and setups a lab wants
// soaked and how often, and tells what is done, missing, void, superseded or not
// comparable. It judges no run and compares no numbers; it only sorts results.
package campaign

import (
	"fmt"
	"os"
	"slices"
	"sort"
	"strings"

	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

// Campaign is a valid campaign file.
type Campaign struct {
	Title      string
	Units      []Unit
	Setups     []string
	Conditions map[string]string // that every run must have
	Repeats    int               // runs wanted for each unit and setup
}

// Unit is one unit of a campaign.
type Unit struct {
	Name     string
	Revision string // that counts; empty: the newest there is
}

// file is the campaign as written.
type file struct {
	Campaign   string            `yaml:"campaign"`
	Units      []unit            `yaml:"units"`
	Setups     []string          `yaml:"setups"`
	Conditions map[string]string `yaml:"conditions"`
	Repeats    int               `yaml:"repeats"`
}

type unit struct {
	Unit     string `yaml:"unit"`
	Revision string `yaml:"revision"`
}

// FromScalar implements strictyaml.Shorthand: a bare word is the unit.
func (u *unit) FromScalar(text string) error { u.Unit = text; return nil }

// Load reads a campaign file. The error is strictyaml.Problems, or why the file can't
// be read.
func Load(path string) (*Campaign, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read campaign: %w", err)
	}
	return Parse(path, text)
}

// Parse is Load for text that has been read.
func Parse(path string, text []byte) (*Campaign, error) {
	doc, err := strictyaml.Parse(path, text)
	if err != nil {
		return nil, err
	}
	f := file{Repeats: 1}
	doc.Decode(&f)
	if len(f.Units) == 0 {
		doc.Addf("units", "there are none: name at least one, such as units: [carrier-7, {unit: carrier-8, revision: B}]")
	}
	if len(f.Setups) == 0 {
		doc.Addf("setups", "there are none: name at least one, such as setups: [rated, boosted]")
	}
	if f.Repeats < 1 {
		doc.Addf("repeats", "want at least 1, got %d", f.Repeats)
	}
	c := &Campaign{Title: f.Campaign, Setups: f.Setups, Conditions: f.Conditions, Repeats: f.Repeats}
	for i, u := range f.Units {
		key := fmt.Sprintf("units[%d]", i)
		switch {
		case u.Unit == "":
			doc.Addf(key, "has no unit")
		case slices.ContainsFunc(c.Units, func(o Unit) bool { return o.Name == u.Unit }):
			doc.Addf(key, "%s is named twice: keep the revision that counts", u.Unit)
		}
		c.Units = append(c.Units, Unit{u.Unit, u.Revision})
	}
	for i, s := range f.Setups {
		if slices.Index(f.Setups, s) < i {
			doc.Addf(fmt.Sprintf("setups[%d]", i), "%s is named twice", s)
		}
	}
	return c, doc.Err()
}

// Place says what a run is to a campaign.
type Place string

// The places of a run.
const (
	Counts     Place = "counts"
	Void       Place = "void"           // proves nothing: to be repeated
	Superseded Place = "superseded"     // of an older revision of the unit
	Differs    Place = "not_comparable" // a condition is not the campaign's
	Extra      Place = "extra"          // beyond the repeats wanted; counts too
	Foreign    Place = "foreign"        // of no unit or setup of the campaign
)

// Run is a run and its place.
type Run struct {
	Result *record.Result `json:"-"`
	Rig    string         `json:"rig"`
	Run    string         `json:"run"`
	Place  Place          `json:"place"`
	Why    string         `json:"why,omitempty"`
}

// Row is one unit in one setup.
type Row struct {
	Unit     string `json:"unit"`
	Revision string `json:"revision,omitempty"` // that counts
	Setup    string `json:"setup"`
	Wanted   int    `json:"wanted"`
	Done     int    `json:"done"`
	Missing  int    `json:"missing"`
	Runs     []Run  `json:"runs"`
}

// State is the whole campaign.
type State struct {
	Title   string `json:"campaign"`
	Rows    []Row  `json:"rows"`
	Foreign []Run  `json:"foreign"`
	Missing int    `json:"missing"`
}

// Sort gives each result its place. Results are in order of time, oldest first.
func (c *Campaign) Sort(results []*record.Result) *State {
	st := &State{Title: c.Title, Foreign: []Run{}}
	counts := map[string]string{}
	for _, u := range c.Units {
		counts[u.Name] = c.revision(u, results)
	}
	for _, u := range c.Units {
		for _, s := range c.Setups {
			row := Row{Unit: u.Name, Revision: counts[u.Name], Setup: s, Wanted: c.Repeats, Runs: []Run{}}
			for _, r := range results {
				if r.Unit == u.Name && r.Setup == s {
					row.add(c.place(r, &row))
				}
			}
			row.Missing = max(0, row.Wanted-row.Done)
			st.Missing += row.Missing
			st.Rows = append(st.Rows, row)
		}
	}
	for _, r := range results {
		if _, ok := counts[r.Unit]; !ok || !slices.Contains(c.Setups, r.Setup) {
			st.Foreign = append(st.Foreign, Run{r, r.Rig, r.Run, Foreign, "no unit and setup of this campaign"})
		}
	}
	return st
}

// revision is the revision of a unit that counts: the file's, else that of its newest
// run.
func (c *Campaign) revision(u Unit, results []*record.Result) string {
	revision := u.Revision
	if revision == "" {
		for _, r := range results {
			if r.Unit == u.Name {
				revision = r.Revision
			}
		}
	}
	return revision
}

func (row *Row) add(r Run) {
	if r.Place == Counts || r.Place == Extra {
		row.Done++
	}
	row.Runs = append(row.Runs, r)
}

func (c *Campaign) place(r *record.Result, row *Row) Run {
	out := Run{Result: r, Rig: r.Rig, Run: r.Run, Place: Counts}
	switch {
	case r.Revision != row.Revision:
		out.Place, out.Why = Superseded, fmt.Sprintf("revision %s, %s counts", word(r.Revision), word(row.Revision))
	case c.differs(r) != "":
		out.Place, out.Why = Differs, c.differs(r)
	case r.Verdict == record.VerdictVoid:
		out.Place = Void
		if len(r.Reasons) > 0 {
			out.Why = r.Reasons[0].Text
		}
	case row.Done >= row.Wanted:
		out.Place, out.Why = Extra, fmt.Sprintf("%d were wanted", row.Wanted)
	}
	return out
}

// differs names the conditions that are not the campaign's.
func (c *Campaign) differs(r *record.Result) string {
	var parts []string
	for k, want := range c.Conditions {
		if got := r.Conditions[k]; got != want {
			parts = append(parts, fmt.Sprintf("%s is %s, wanted %s", k, word(got), word(want)))
		}
	}
	sort.Strings(parts)
	return strings.Join(parts, "; ")
}

func word(s string) string {
	if s == "" {
		return "not stated"
	}
	return fmt.Sprintf("%q", s)
}

// Shown lists the results that a report of the campaign shows: those that count, and
// void ones where nothing else is done.
func (s *State) Shown() []*record.Result {
	var out []*record.Result
	for _, row := range s.Rows {
		for _, r := range row.Runs {
			if r.Place == Counts || r.Place == Extra || r.Place == Void && row.Done == 0 {
				out = append(out, r.Result)
			}
		}
	}
	return out
}
