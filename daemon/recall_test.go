package daemon

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// TestLastCode looks for the newest code of a channel behind thousands of entries of
// other sources, after the journal was opened again.
func TestLastCode(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "j")
	open := func() storing {
		j, err := journal.Open(journal.Options{Dir: dir, Sync: 10 * time.Millisecond, Keep: time.Hour, MaxBytes: 1 << 30})
		if err != nil {
			t.Fatal(err)
		}
		return storing{j}
	}
	s := open()
	if _, _, ok := s.LastCode(t.Context(), "energy"); ok {
		t.Error("an empty journal remembers something")
	}
	layout := &record.Layout{ID: 7, Sources: []record.Source{{Name: "back", Channels: []int{0}}, {Name: "wall", Channels: []int{1, 2}}},
		Channels: []record.Channel{{Name: "vr1"}, {Name: "power"}, {Name: "energy", Converter: record.Converter{PerCode: 3600, CountedHere: true}}}}
	put := func(body record.Body) {
		t.Helper()
		if _, err := s.Append(record.Stamp{BootNS: 1}, body); err != nil {
			t.Fatal(err)
		}
	}
	put(layout)
	code := func(n int64) record.Raw { return record.Raw{Has: record.HasCode, Code: n} }
	for n := range int64(5) {
		put(&record.Sample{Layout: 7, Source: 1, Raw: []record.Raw{code(n), code(100 + n)}})
	}
	put(&record.Sample{Layout: 7, Source: 1, Raw: []record.Raw{{Faults: record.Faults(1)}, {Faults: record.Faults(1)}}})
	for range 10_000 {
		put(&record.Sample{Layout: 7, Source: 0, Raw: []record.Raw{code(1)}})
	}
	for _, when := range []string{"running", "after a restart"} {
		got, meant, ok := s.LastCode(t.Context(), "energy")
		if !ok || got != 104 || meant.PerCode != 3600 || !meant.CountedHere {
			t.Errorf("%s: %d, %+v, %v", when, got, meant, ok)
		}
		if _, _, ok := s.LastCode(t.Context(), "nobody"); ok {
			t.Errorf("%s: a channel that is not there", when)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = open()
	}
	defer s.Close()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, ok := s.LastCode(ctx, "energy"); ok {
		t.Error("a search that was stopped found something")
	}
}
