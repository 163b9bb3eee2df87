package campaign

import (
	"fmt"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

const text = `campaign: Carriers, spring
units: [alder, {unit: birch, revision: B}]
setups: [rated, boosted]
conditions: {enclosure: closed}
repeats: 2
`

func result(run, unit, revision, setup, enclosure string, v record.Verdict) *record.Result {
	return &record.Result{Run: run, Unit: unit, Revision: revision, Setup: setup, Conditions: map[string]string{"enclosure": enclosure}, Verdict: v,
		Reasons: []record.Reason{{Text: "because"}}}
}

func TestSort(t *testing.T) {
	c, err := Parse("c.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	st := c.Sort([]*record.Result{
		result("1", "alder", "A", "rated", "closed", record.VerdictPass), // superseded by 3: alder has a newer revision
		result("2", "birch", "A", "rated", "closed", record.VerdictPass),
		result("3", "alder", "B", "rated", "closed", record.VerdictPass),
		result("4", "alder", "B", "rated", "open", record.VerdictPass),
		result("5", "alder", "B", "rated", "closed", record.VerdictVoid),
		result("6", "alder", "B", "rated", "closed", record.VerdictFail),
		result("7", "alder", "B", "rated", "closed", record.VerdictMarginal),
		result("8", "birch", "B", "boosted", "closed", record.VerdictVoid),
		result("9", "cedar", "B", "boosted", "closed", record.VerdictPass),
	})
	var got []string
	for _, row := range st.Rows {
		line := fmt.Sprintf("%s %s %s %d/%d -%d:", row.Unit, row.Revision, row.Setup, row.Done, row.Wanted, row.Missing)
		for _, r := range row.Runs {
			line += " " + r.Run + "=" + string(r.Place)
		}
		got = append(got, line)
	}
	want := []string{
		"alder B rated 3/2 -0: 1=superseded 3=counts 4=not_comparable 5=void 6=counts 7=extra",
		"alder B boosted 0/2 -2:",
		"birch B rated 0/2 -2: 2=superseded",
		"birch B boosted 0/2 -2: 8=void",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if st.Missing != 6 || len(st.Foreign) != 1 || st.Foreign[0].Run != "9" {
		t.Errorf("missing %d, foreign %+v", st.Missing, st.Foreign)
	}
	if why := st.Rows[0].Runs[0].Why + "; " + st.Rows[0].Runs[2].Why; why != `revision "A", "B" counts; enclosure is "open", wanted "closed"` {
		t.Errorf("why: %s", why)
	}
	var shown []string
	for _, r := range st.Shown() {
		shown = append(shown, r.Run)
	}
	if strings.Join(shown, " ") != "3 6 7 8" {
		t.Errorf("shown %v", shown)
	}
}

func TestBadCampaigns(t *testing.T) {
	for text, want := range map[string]string{
		"units: []\nsetups: []\nrepeats: 0": "c.yaml:1:1: units: there are none: name at least one, such as units: [carrier-7, {unit: carrier-8, revision: B}]\n" +
			"c.yaml:2:1: setups: there are none: name at least one, such as setups: [rated, boosted]\nc.yaml:3:1: repeats: want at least 1, got 0",
		"units: [a, a]\nsetups: [r, r]": "c.yaml:1:12: units[1]: a is named twice: keep the revision that counts\nc.yaml:2:13: setups[1]: r is named twice",
		"unit: a":                       "c.yaml:1:1: units: there are none: name at least one, such as units: [carrier-7, {unit: carrier-8, revision: B}]\n" + "c.yaml:1:1: setups: there are none: name at least one, such as setups: [rated, boosted]",
	} {
		_, err := Parse("c.yaml", []byte(text))
		if err == nil {
			t.Errorf("%q was accepted", text)
		} else if !strings.Contains(err.Error(), strings.Split(want, "\n")[0]) || strings.Count(err.Error(), "\n") < strings.Count(want, "\n") {
			t.Errorf("%q: got\n%v\nwant\n%s", text, err, want)
		}
	}
}
