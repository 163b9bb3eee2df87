package rpc

import (
	"context"
	"sync"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// memJournal is a journal in memory that can lose what a disk can lose.
type memJournal struct {
	mu      sync.Mutex
	id      string
	entries []record.Entry // entries[i].Seq == i+1
	oldest  uint64         // retention has passed everything before
	lost    []record.Gap
	durable uint64
	closed  bool
	more    chan struct{} // closed at the next append
	text    string
}

func newMemJournal(id string) *memJournal {
	return &memJournal{id: id, oldest: 1, more: make(chan struct{})}
}

func (j *memJournal) append(at record.Stamp, b record.Body) uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	if s, ok := b.(*record.Sample); ok {
		c := *s
		c.Raw = append([]record.Raw(nil), s.Raw...)
		b = &c
	}
	seq := uint64(len(j.entries)) + 1
	j.entries = append(j.entries, record.Entry{Seq: seq, At: at, Body: b})
	close(j.more)
	j.more = make(chan struct{})
	return seq
}

// jump loses the numbers up to to, as after an unclean stop.
func (j *memJournal) jump(from, to uint64, cause string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for uint64(len(j.entries)) < to {
		j.entries = append(j.entries, record.Entry{Seq: uint64(len(j.entries)) + 1})
	}
	j.lost = append(j.lost, record.Gap{From: from, To: to, Cause: cause, Text: "test"})
}

func (j *memJournal) retire(oldest uint64) {
	j.mu.Lock()
	j.oldest = oldest
	j.mu.Unlock()
}

func (j *memJournal) close() {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.closed = true
	close(j.more)
	j.more = make(chan struct{})
}

func (j *memJournal) ID() string { return j.id }

func (j *memJournal) State() journal.State {
	j.mu.Lock()
	defer j.mu.Unlock()
	return journal.State{ID: j.id, Oldest: j.oldest, Head: uint64(len(j.entries)), DurableThrough: j.durable, Durable: true, Text: j.text}
}

func (j *memJournal) Head() (uint64, uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return uint64(len(j.entries)), j.durable
}

func (j *memJournal) NewReader(from uint64) Reader {
	r := &memReader{j: j, seq: from}
	if from == 0 {
		r.seq = j.State().Oldest
	}
	return r
}

type memReader struct {
	j      *memJournal
	seq    uint64
	sample record.Sample
}

func (r *memReader) Next(ctx context.Context) (record.Entry, error) {
	for {
		r.j.mu.Lock()
		more := r.j.more
		e, gap, ok, closed := r.look()
		r.j.mu.Unlock()
		switch {
		case gap != nil:
			return record.Entry{}, &journal.GapError{Gap: *gap}
		case ok:
			if s, is := e.Body.(*record.Sample); is { // the same memory again, as the real one does
				r.sample.Layout, r.sample.Source = s.Layout, s.Source
				r.sample.Raw = append(r.sample.Raw[:0], s.Raw...)
				e.Body = &r.sample
			}
			return e, nil
		case closed:
			return record.Entry{}, journal.ErrClosed
		}
		select {
		case <-more:
		case <-ctx.Done():
			return record.Entry{}, ctx.Err()
		}
	}
}

func (r *memReader) look() (e record.Entry, gap *record.Gap, ok, closed bool) {
	if r.seq < r.j.oldest {
		gap = &record.Gap{From: r.seq, To: r.j.oldest - 1, Cause: "retention", Text: "retired"}
		r.seq = r.j.oldest
		return e, gap, false, false
	}
	for _, g := range r.j.lost {
		if r.seq >= g.From && r.seq <= g.To {
			g.From = r.seq
			r.seq = g.To + 1
			return e, &g, false, false
		}
	}
	if r.seq > uint64(len(r.j.entries)) {
		return e, nil, false, r.j.closed
	}
	r.seq++
	return r.j.entries[r.seq-2], nil, true, false
}

func (r *memReader) Buffered() bool {
	r.j.mu.Lock()
	defer r.j.mu.Unlock()
	return r.seq <= uint64(len(r.j.entries)) || r.j.closed
}

func (r *memReader) Seq() uint64 { return r.seq }

func (r *memReader) Close() {}
