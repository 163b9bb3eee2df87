package runs

import (
	"testing"
	"time"

	"soakrig/daemon/record"
)

// TestDurableAtOnce: with a journal that commits by itself once an hour, the start of a
// run, a mark and the end of a run are durable when they are acknowledged, and each
// costs one commit of samples.
func TestDurableAtOnce(t *testing.T) {
	b := newBench(t)
	b.stop()
	b.sync = time.Hour
	b.start()
	b.run(3)
	before := b.j.State().Flushes
	_, seq, err := b.m.Start(t.Context(), record.RunStart{Unit: "u1", Setup: record.Setup{Name: "rated"}}, 60)
	if err != nil {
		t.Fatal(err)
	}
	if s := b.j.State(); s.DurableThrough < seq || s.Flushes != before+1 {
		t.Errorf("started with entry %d: durable through %d after %d commits, want all of it after one", seq, s.DurableThrough, s.Flushes-before)
	}
	b.run(3)
	before = b.j.State().Flushes
	seq, run, err := b.m.Mark(t.Context(), "door closed", "")
	if err != nil || run == "" {
		t.Fatal(run, err)
	}
	if s := b.j.State(); s.DurableThrough < seq || s.Flushes != before+1 {
		t.Errorf("mark at entry %d: durable through %d after %d commits", seq, s.DurableThrough, s.Flushes-before)
	}
	if _, err := b.m.Stop(t.Context(), run, "enough"); err != nil {
		t.Fatal(err)
	}
	b.run(2)
	row, err := b.m.Get(run)
	if err != nil || row.Result == nil || row.Result.LastSeq > b.j.State().DurableThrough {
		t.Errorf("ended: %+v, durable through %d: %v", row, b.j.State().DurableThrough, err)
	}
}
