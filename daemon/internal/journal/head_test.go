package journal

import (
	"testing"

	"soakrig/daemon/record"
)

func TestHeadIsWhatStateSays(t *testing.T) {
	j, err := Open(Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for range 3 {
		seq, err := j.Append(record.Stamp{BootNS: 1, WallNS: 1}, &record.Mark{Text: "x"})
		if err != nil {
			t.Fatal(err)
		}
		if err := j.WaitDurable(t.Context(), seq); err != nil {
			t.Fatal(err)
		}
		head, durable := j.Head()
		if s := j.State(); head != seq || durable != seq || s.Head != head || s.DurableThrough != durable {
			t.Errorf("head %d, durable %d, appended %d, state %d %d", head, durable, seq, s.Head, s.DurableThrough)
		}
	}
}

// TestNewest: the stamp of the newest entry, live, after a restart, and after one that
// lost the end.
func TestNewest(t *testing.T) {
	opts := small(t.TempDir())
	j := open(t, opts)
	if at, err := j.Newest(t.Context()); err != nil || at != (record.Stamp{}) {
		t.Errorf("of an empty journal: %+v %v", at, err)
	}
	appendN(t, j, 1, 500)
	want, _ := entryFor(500)
	if at, err := j.Newest(t.Context()); err != nil || at != want {
		t.Errorf("%+v %v, want %+v", at, err, want)
	}
	commit(t, j)
	crash(j)
	j = open(t, opts)
	if at, err := j.Newest(t.Context()); err != nil || at != want {
		t.Errorf("after a crash: %+v %v, want %+v", at, err, want)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, opts)
	defer j.Close()
	if at, err := j.Newest(t.Context()); err != nil || at != want {
		t.Errorf("after a restart: %+v %v, want %+v", at, err, want)
	}
}
