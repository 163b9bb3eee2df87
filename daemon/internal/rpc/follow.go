package rpc

import (
	"context"
	"errors"

	"google.golang.org/protobuf/encoding/protowire"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// A batch is sent when it holds maxEntries entries or maxBytes bytes, or when the
// journal has nothing more just now. A run of entries that the filter drops is
// reported after maxSkipped of them.
const (
	maxEntries = 500
	maxBytes   = 64 << 10
	maxSkipped = 8192
	// warmEntries are read ahead of a cursor where a channel's cold junction is
	// another channel, so that its last value is known.
	warmEntries = 1024
)

// follower turns journal entries into batches: what Tail and Read have in common.
type follower struct {
	r       Reader
	layouts *layouts
	convert func(*record.Layout) (Converter, error)
	filter  map[string]bool // channels wanted by name; nil: all
	tables  map[uint32]*table
	cur     *table // of the sample before
	dec     *decimator
	b       batch
	held    *held        // what was read ahead
	e       record.Entry // the entry in hand; a field, since one in step would be garbage each time

	first   uint64 // first sequence that the batch under construction covers
	covered uint64 // last sequence that it covers; first-1: none
}

// follow starts at the sequence from; 0: at the oldest.
func (s *Server) follow(from uint64, filter map[string]bool) *follower {
	f := &follower{
		layouts: &s.layouts, convert: s.opts.Convert, filter: filter,
		tables: map[uint32]*table{}, first: from, covered: from - 1,
	}
	start := from
	if from > 1 && externalCold(s.opts.Layout()) {
		start = max(s.journal.State().Oldest, from-min(from-1, warmEntries))
		start = min(max(start, 1), from)
	}
	f.r = s.journal.NewReader(start)
	if from == 0 {
		f.first = f.r.Seq()
		f.covered = f.first - 1
	}
	return f
}

// step takes the next entry into the batch, waiting for it if need be. gap is set
// when sequences can't be had; they come after what the batch holds, and skip must
// be called once they were reported.
func (f *follower) step(ctx context.Context) (gap *record.Gap, err error) {
	e := &f.e
	*e, err = f.next(ctx)
	if err != nil {
		return f.missing(err)
	}
	if err := f.take(ctx, e); err != nil {
		if ctx.Err() != nil && e.Seq >= f.first { // not the entry's fault: it comes again
			f.held = &held{entry: *e}
			return nil, ctx.Err()
		}
		if e.Seq < f.first {
			return nil, nil
		}
		f.closeInterval(e.Seq - 1)
		gap := &record.Gap{From: e.Seq, To: e.Seq, Cause: "damaged", Text: err.Error()}
		if errors.Is(err, errNoLayout) {
			f.extend(ctx, gap, e.Body.(*record.Sample).Layout)
		}
		return gap, nil
	}
	return nil, nil
}

// missing is the gap that an error of the reader stands for; nil: it lies before the
// cursor, where reading only warms up.
func (f *follower) missing(err error) (*record.Gap, error) {
	missing, ok := errors.AsType[*journal.GapError](err)
	if !ok {
		return nil, err
	}
	g := missing.Gap
	if g.To < f.first {
		return nil, nil
	}
	g.From = max(g.From, f.first)
	f.closeInterval(g.From - 1)
	return &g, nil
}

// held is an entry, or the error in its place, that was read ahead.
type held struct {
	entry record.Entry // valid until the reader reads on
	err   error
}

func (f *follower) next(ctx context.Context) (record.Entry, error) {
	if h := f.held; h != nil {
		f.held = nil
		return h.entry, h.err
	}
	return f.r.Next(ctx)
}

// buffered: step would not wait.
func (f *follower) buffered() bool { return f.held != nil || f.r.Buffered() }

// extend lets the gap cover the samples that follow and name the same lost layout.
func (f *follower) extend(ctx context.Context, gap *record.Gap, layout uint32) {
	for f.r.Buffered() {
		e, err := f.r.Next(ctx)
		if s, ok := e.Body.(*record.Sample); err != nil || !ok || s.Layout != layout {
			f.held = &held{e, err}
			return
		}
		gap.To = e.Seq
	}
}

// skip goes on behind a gap that was reported.
func (f *follower) skip(gap *record.Gap) {
	f.first, f.covered = gap.To+1, gap.To
}

// take puts one entry into the batch. An error means that it can't be told.
func (f *follower) take(ctx context.Context, e *record.Entry) error {
	warm := e.Seq < f.first
	switch body := e.Body.(type) {
	case *record.Sample:
		if err := f.sample(ctx, e, body, warm); err != nil {
			return err
		}
	case *record.Layout:
		f.layouts.learn(body)
		if warm || f.dec != nil { // a decimated stream is told with its first summary
			break
		}
		t, err := f.table(ctx, body.ID, e.Seq)
		if err != nil {
			return err
		}
		if err := f.tell(t); err != nil {
			return err
		}
	default:
		if warm {
			return nil
		}
		if f.dec != nil {
			f.cross(e, nil)
			return f.dec.hold(e)
		}
		if err := f.b.message(batchEvents, event(e)); err != nil {
			return err
		}
	}
	if f.dec == nil && !warm {
		f.covered = e.Seq
	}
	return nil
}

func (f *follower) sample(ctx context.Context, e *record.Entry, s *record.Sample, warm bool) error {
	t, err := f.table(ctx, s.Layout, e.Seq)
	if err != nil {
		return err
	}
	wanted := !warm && (int(s.Source) >= len(t.wanted) || t.wanted[s.Source])
	if !wanted && !t.always {
		if f.dec != nil && !warm {
			f.cross(e, t)
		}
		return nil
	}
	values, err := t.convert(s)
	if err != nil || warm {
		return err
	}
	if f.dec != nil {
		f.cross(e, t)
		if wanted {
			f.dec.add(t.layout.Sources[s.Source].Channels, values)
		}
		return nil
	}
	if !wanted {
		return nil
	}
	if err := f.tell(t); err != nil {
		return err
	}
	f.b.sample(e, s, t.layout.Sources[s.Source].Channels, t.want, values)
	return nil
}

// table gives the layout's table, made at the first sample that names it.
func (f *follower) table(ctx context.Context, id uint32, seq uint64) (*table, error) {
	if f.cur != nil && f.cur.layout.ID == id {
		return f.cur, nil
	}
	t := f.tables[id]
	if t == nil {
		l, err := f.layouts.get(ctx, id, seq)
		if err != nil {
			return nil, err
		}
		if t, err = newTable(l, f.filter, f.convert); err != nil {
			return nil, err
		}
		f.tables[id] = t
	}
	f.cur = t
	return t, nil
}

// tell puts the layout into the batch unless the client has it.
func (f *follower) tell(t *table) error {
	if t.sent {
		return nil
	}
	t.sent = true
	return f.b.layout(t.layout)
}

// full: the batch should go now.
func (f *follower) full() bool {
	return f.b.entries >= maxEntries || len(f.b.buf) >= maxBytes ||
		f.covered-f.first+1 >= maxSkipped && f.covered >= f.first
}

// pending: the batch covers something that the client was not told.
func (f *follower) pending() bool { return f.covered >= f.first }

// finish gives the batch in its wire form as the given field of a message, valid
// until the next step, and starts the next one.
func (f *follower) finish(field protowire.Number, head, durable uint64) []byte {
	buf := f.b.buf
	buf = appendUint(buf, batchHead, head)
	buf = appendUint(buf, batchDurableThrough, durable)
	buf = appendUint(buf, batchFirst, f.first)
	buf = appendUint(buf, batchLast, f.covered)
	f.b.buf = closeMessage(buf, 0, field)
	wire := f.b.buf
	f.b.reset()
	f.first = f.covered + 1
	return wire
}

func (f *follower) close() { f.r.Close() }
