package rpc

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// layouts finds the layout that a sample names: the one in force, one that a stream
// has met, or the journal's.
type layouts struct {
	current func() *record.Layout
	journal Journal

	search   sync.Mutex // held while the journal is searched
	searched uint64     // layouts stored up to this entry are known; guarded by search

	mu   sync.Mutex
	byID map[uint32]*record.Layout // guarded by mu; layouts are never changed once stored
}

func (l *layouts) learn(one *record.Layout) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.byID[one.ID] == nil {
		copied := *one // the entry's own is valid only until the reader moves on
		l.byID[one.ID] = &copied
	}
}

// get finds the layout that the sample with the number seq names.
func (l *layouts) get(ctx context.Context, id uint32, seq uint64) (*record.Layout, error) {
	if known := l.known(id); known != nil {
		return known, nil
	}
	l.search.Lock() // one search finds for all who wait
	defer l.search.Unlock()
	if known := l.known(id); known != nil {
		return known, nil
	}
	if store, ok := l.journal.(layoutStore); ok {
		if stored, err := store.Layout(id); err == nil {
			l.learn(stored)
			return stored, nil
		}
	}
	if l.searched < seq {
		if err := l.scan(ctx, seq); err != nil {
			return nil, err
		}
		if known := l.known(id); known != nil {
			return known, nil
		}
	}
	return nil, fmt.Errorf("%w: layout %d, which says what the codes mean, is not in the journal before entry %d", errNoLayout, id, seq)
}

// layoutStore is a journal that keeps layouts by their number as well.
type layoutStore interface {
	Layout(id uint32) (*record.Layout, error)
}

// errNoLayout: nobody can tell any more what the codes of a sample mean.
var errNoLayout = errors.New("sample can't be read")

func (l *layouts) known(id uint32) *record.Layout {
	l.mu.Lock()
	known := l.byID[id]
	l.mu.Unlock()
	if known != nil {
		return known
	}
	if now := l.current(); now.ID == id {
		l.learn(now)
		return now
	}
	return nil
}

// scan learns every layout that was stored before the entry seq and was not looked
// for yet. search is held.
func (l *layouts) scan(ctx context.Context, seq uint64) error {
	from := l.searched
	if from > 0 {
		from++
	}
	r := l.journal.NewReader(from)
	defer r.Close()
	for r.Seq() <= seq {
		e, err := r.Next(ctx)
		var gap *journal.GapError
		if errors.As(err, &gap) {
			continue
		}
		if err != nil {
			return err
		}
		if one, ok := e.Body.(*record.Layout); ok {
			l.learn(one)
		}
		l.searched = e.Seq
	}
	l.searched = max(l.searched, seq)
	return nil
}

// table is one layout as one stream uses it.
type table struct {
	layout *record.Layout
	conv   Converter
	want   []bool          // by channel; nil: all
	wanted []bool          // by source: one of its channels is wanted
	always bool            // an external cold junction: every sample must pass the converter
	values []convert.Value // for the source with most channels
	sent   bool            // the client has the layout
}

func newTable(l *record.Layout, filter map[string]bool, makeConv func(*record.Layout) (Converter, error)) (*table, error) {
	conv, err := makeConv(l)
	if err != nil {
		return nil, fmt.Errorf("layout %d: %w", l.ID, err)
	}
	t := &table{layout: l, conv: conv, always: externalCold(l), wanted: make([]bool, len(l.Sources))}
	if filter != nil {
		t.want = make([]bool, len(l.Channels))
		for i := range l.Channels {
			t.want[i] = filter[l.Channels[i].Name]
		}
	}
	widest := 0
	for i := range l.Sources {
		widest = max(widest, len(l.Sources[i].Channels))
		for _, c := range l.Sources[i].Channels {
			if c < 0 || c >= len(l.Channels) {
				return nil, fmt.Errorf("layout %d: source %s names channel %d of %d", l.ID, l.Sources[i].Name, c, len(l.Channels))
			}
			t.wanted[i] = t.wanted[i] || t.want == nil || t.want[c]
		}
	}
	t.values = make([]convert.Value, widest)
	return t, nil
}

func externalCold(l *record.Layout) bool {
	for i := range l.Channels {
		if l.Channels[i].Cold.From == "channel" {
			return true
		}
	}
	return false
}

// convert gives the readings of a sample, valid until the next call.
func (t *table) convert(s *record.Sample) ([]convert.Value, error) {
	if int(s.Source) >= len(t.layout.Sources) {
		return nil, fmt.Errorf("sample of source %d, but layout %d has %d", s.Source, s.Layout, len(t.layout.Sources))
	}
	if have, want := len(s.Raw), len(t.layout.Sources[s.Source].Channels); have != want {
		return nil, fmt.Errorf("sample of %d channels, but source %s of layout %d has %d",
			have, t.layout.Sources[s.Source].Name, s.Layout, want)
	}
	values := t.values[:len(s.Raw)]
	if err := t.conv.Convert(s, values); err != nil {
		return nil, err
	}
	return values, nil
}
