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
