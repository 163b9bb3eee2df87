package report

import (
	"bytes"
	"strings"
	"testing"

	"soakrig/daemon/analysis/compare"
	"soakrig/daemon/record"
)

// onRig is a passed run that every rig may have: runs are counted by rig and day.
func onRig(rig string, heldC float64) record.Result {
	r := *testResult()
	r.Rig, r.Verdict, r.Limited = rig, record.VerdictPass, false
	peak, load := *r.Peak, *r.Load
	peak.HeldC, peak.RiseK, peak.LowerBound = heldC, p(heldC-23), false
	load.Pattern = "constant"
	r.Peak, r.Load = &peak, &load
	return r
}

// TestOneUnitOnTwoRigs: runs of one unit, setup and id on two rigs are two rows with
// their own values and names, in table, spreadsheet and chart.
func TestOneUnitOnTwoRigs(t *testing.T) {
	c, err := Compare([]record.Result{onRig("bench-1", 80), onRig("bench-2", 91)}, compare.Options{Quantity: compare.Held})
	if err != nil {
		t.Fatal(err)
	}
	table := ComparisonTable(c)
	for i, want := range []string{"carrier-7 rev. B on bench-1 80.0", "carrier-7 rev. B on bench-2 91.0"} {
		if got := table.Rows[i][1] + " " + strings.Fields(table.Rows[i][4])[0]; got != want {
			t.Errorf("row %d: %s, want %s", i, got, want)
		}
	}
	sheet := ComparisonCSV(c)
	for i, want := range []string{"bench-1 80", "bench-2 91"} {
		if got := sheet.Rows[i][5] + " " + sheet.Rows[i][10]; sheet.Head[5] != "rig" || sheet.Head[10] != "peak_c" || got != want {
			t.Errorf("spreadsheet, row %d: %s, want %s", i, got, want)
		}
	}
	for i := range c.results {
		if got := c.Row(&c.results[i]); got != i {
			t.Errorf("the run of %s is in row %d", c.results[i].Rig, got)
		}
	}
	var b bytes.Buffer
	if err := PeaksChart(c, compare.Held, &b, "svg"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"on bench-1", "on bench-2"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the chart does not name the row %s", want)
		}
	}
	one, err := Compare([]record.Result{onRig("bench-1", 80)}, compare.Options{Quantity: compare.Held})
	if err != nil || ComparisonTable(one).Rows[0][1] != "carrier-7 rev. B" {
		t.Errorf("one rig: %v, %v", ComparisonTable(one).Rows, err)
	}
}
