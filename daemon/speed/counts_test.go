//go:build !race

package speed

import (
	"path/filepath"
	"testing"

	"soakrig/daemon/internal/journal"
	"soakrig/drivers/its90"
)

// The counts of the budgets do not depend on the machine or its load. The race
// detector changes allocations, so this part is built without it.

func TestCountsOfReference(t *testing.T) {
	temps, emfs := spread(t)
	for name, f := range map[string]func(){
		"E(t)": func() { sink, _ = its90.K.EMFVolts(temps[7]) },
		"t(E)": func() { sink, _ = its90.K.TempC(emfs[7]) },
	} {
		if n := testing.AllocsPerRun(1000, f); n != 0 {
			t.Errorf("%s allocates %v times", name, n)
		}
	}
}

// TestCountsOfStream counts what one reading allocates on its whole way through the
// process, with a subscriber that decodes nothing.
func TestCountsOfStream(t *testing.T) {
	const scans, channels = 20_000, 10
	_, followed := live(t, scans, channels, 1, discard)
	_, alone := live(t, scans, channels, 0, discard)
	t.Logf("allocations per reading: %.3f acquired and stored, %.3f with a subscriber", alone/scans/channels, followed/scans/channels)
	if n := alone / scans / channels; n > mostAllocsStored {
		t.Errorf("a reading allocates %.3f times on its way to the journal, at most %g", n, mostAllocsStored)
	}
	if n := followed / scans / channels; n > mostAllocsStreamed {
		t.Errorf("a reading allocates %.3f times on its way to a subscriber, at most %g", n, mostAllocsStreamed)
	}
}

// Most allocations per reading of the whole process: of commits and of messages,
// spread over their readings. One for every reading or sample would be 0.1 or more.
const (
	mostAllocsStored   = 0.05
	mostAllocsStreamed = 0.3
)

// TestCountsOfJournal counts bytes: of a stored value once sealed, and of a commit.
func TestCountsOfJournal(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "journal")
	fill(t, dir, 100_000, 10)
	report, err := journal.Inspect(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%.3f bytes per stored value", report.BytesPerValue)
	if report.BytesPerValue > 1.6 || report.BytesPerValue == 0 {
		t.Errorf("%.3f bytes per stored value once sealed, at most 1.6", report.BytesPerValue)
	}
	c := newCommitting(t, 10)
	defer c.close()
	const warm, counted = 300, 600
	for range warm {
		c.round()
	}
	flushes := c.j.State().Flushes
	for range counted {
		c.round()
	}
	per := float64(c.j.State().Flushes-flushes) / counted
	t.Logf("%.3f transactions per commit", per)
	if per > 1.1 {
		t.Errorf("%.3f transactions per commit, sealing included, at most 1.1", per)
	}
}
