package remotewrite

import (
	"context"
	"errors"
	"math"
	"time"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// sample is one value on its way.
type sample struct {
	series *series
	ms     int64 // since 1970
	value  float64
}

// staleBits is the value that says "this series ends here" (Prometheus storage
// format; also what a scrape that misses a series stores).
const staleBits = 0x7ff0000000000002

// batch is what one pass over a part of the journal gave.
type batch struct {
	samples []sample
	from    uint64 // first entry
	to      uint64 // entry behind the last
	newest  record.Stamp
	gaps    []span // numbers between from and to that hold nothing
}

// lane reads the journal from somewhere on. It serves one goroutine.
type lane struct {
	s      *Sender
	reader *journal.Reader // nil: closed
	from   uint64          // entries before it only warm up
	tables map[uint32]*table
	good   map[string]bool // by channel: whether its newest reading was good
}

// table is a compiled layout with the series of its channels.
type table struct {
	layout *record.Layout
	conv   *convert.Table
	series []*series // by channel
	values []convert.Value
}

// tablesKept bounds the layouts that a lane keeps compiled.
const tablesKept = 16

// warmUp is how many entries are read before the first that counts, so that channels
// whose cold junction is another channel know its temperature.
const warmUp = 2000

func newLane(s *Sender) *lane {
	return &lane{s: s, tables: map[uint32]*table{}, good: map[string]bool{}}
}

// seek goes to an entry.
func (l *lane) seek(seq uint64) {
	if l.reader != nil && l.reader.Seq() == seq {
		return
	}
	l.close()
	at := uint64(1)
	if seq > warmUp {
		at = seq - warmUp
	}
	at = max(at, l.s.o.Journal.State().Oldest)
	l.reader, l.from = l.s.o.Journal.NewReader(min(at, seq)), seq
	clear(l.good)
}

func (l *lane) close() {
	if l.reader != nil {
		l.reader.Close()
		l.reader = nil
	}
}

// gather reads entries before end until the batch is full, or has waited for Flush
// since its first entry. It waits for the first one. Its error is ctx's,
// journal.ErrClosed, or that of a journal that can't be read.
func (l *lane) gather(ctx context.Context, end uint64, fresh []sample) (b batch, err error) {
	b.samples = fresh[:0]
	b.from = max(l.reader.Seq(), l.from)
	b.to = b.from
	var flush time.Time // zero: no entry yet
	for len(b.samples) < l.s.o.Batch && l.reader.Seq() < end {
		e, err := l.next(ctx, flush)
		var gap *journal.GapError
		switch {
		case errors.As(err, &gap):
			if gap.Gap.To >= l.from && gap.Gap.Cause != journal.CauseUncleanStop { // those numbers never held a durable sample
				l.s.n.missing.Add(gap.Gap.To - max(gap.Gap.From, l.from) + 1)
			}
			b.to = max(b.to, l.reader.Seq())
			if g := (span{max(gap.Gap.From, b.from), gap.Gap.To + 1}); g.From < g.To {
				b.gaps = append(b.gaps, g)
			}
			continue
		case errors.Is(err, errFlush):
			return b, nil
		case err != nil:
			return b, err
		}
		l.take(&b, e)
		if b.to = max(b.to, l.reader.Seq()); flush.IsZero() && e.Seq >= l.from {
			flush = time.Now().Add(l.s.o.Flush)
		}
	}
	return b, nil
}

var errFlush = errors.New("the batch has waited long enough")

// next is the reader's next entry, or errFlush when there is none by the time flush.
func (l *lane) next(ctx context.Context, flush time.Time) (record.Entry, error) {
	if flush.IsZero() || l.reader.Buffered() {
		return l.reader.Next(ctx)
	}
	until, cancel := context.WithDeadlineCause(ctx, flush, errFlush)
	defer cancel()
	e, err := l.reader.Next(until)
	switch {
	case err == nil:
	case ctx.Err() != nil: // it may have ended at the same instant
		err = ctx.Err()
	case context.Cause(until) == errFlush:
		err = errFlush
	}
	return e, err
}

// take adds what an entry says to the batch.
func (l *lane) take(b *batch, e record.Entry) {
	if lay, ok := e.Body.(*record.Layout); ok {
		if l.tables[lay.ID] == nil {
			l.compile(cloneLayout(lay))
		}
		return
	}
	s, ok := e.Body.(*record.Sample)
	if !ok {
		return
	}
	t := l.table(s.Layout)
	if t == nil {
		l.lose(e.Seq, noLayout, len(s.Raw))
		return
	}
	if int(s.Source) >= len(t.layout.Sources) || len(s.Raw) > len(t.values) {
		l.lose(e.Seq, notConvertible, len(s.Raw))
		return
	}
	values := t.values[:len(s.Raw)]
	if err := t.conv.Convert(s, values); err != nil {
		l.lose(e.Seq, notConvertible, len(s.Raw))
		return
	}
	b.newest = e.At
	for i, v := range values {
		ch := t.layout.Sources[s.Source].Channels[i]
		name := t.layout.Channels[ch].Name
		was, known := l.good[name]
		l.good[name] = v.Faults == 0
		if e.Seq < l.from {
			continue
		}
		ms := l.s.timeOf(e.At, s.Raw[i].AgeUS)
		switch {
		case v.Faults == 0:
			b.samples = append(b.samples, sample{t.series[ch], ms, v.Value})
		case was || !known: // the series ends here: a fault has no value
			b.samples = append(b.samples, sample{t.series[ch], ms, math.Float64frombits(staleBits)})
		}
	}
}

func (l *lane) lose(seq uint64, why reason, n int) {
	if seq >= l.from {
		l.s.n.dropped[why].Add(uint64(n))
	}
}

// table finds the layout of a sample: met in the journal, in force, or stored.
func (l *lane) table(id uint32) *table {
	if t := l.tables[id]; t != nil {
		return t
	}
	if lay := l.s.o.Layout(); lay != nil && lay.ID == id {
		return l.compile(cloneLayout(lay))
	}
	if lay, err := l.s.o.Journal.Layout(id); err == nil {
		return l.compile(lay)
	}
	return nil
}

func (l *lane) compile(lay *record.Layout) *table {
	conv, err := convert.New(lay)
	if err != nil {
		l.s.o.Log.Warn("remote write leaves the samples of a layout out", "receiver", l.s.o.Name, "layout", lay.ID, "error", err)
		return nil
	}
	t := &table{layout: lay, conv: conv}
	widest := 0
	for _, src := range lay.Sources {
		widest = max(widest, len(src.Channels))
	}
	t.values = make([]convert.Value, widest)
	for i := range lay.Channels {
		t.series = append(t.series, newSeries(&lay.Channels[i], l.s.o.Rig, l.s.o.Labels))
	}
	if len(l.tables) >= tablesKept {
		clear(l.tables)
	}
	l.tables[lay.ID] = t
	return t
}

// timeOf is when a conversion happened, in ms. A sample of before the clock was
// synchronised gets the time that its boot turned out to have.
func (s *Sender) timeOf(at record.Stamp, ageUS int32) int64 {
	wall := at.WallNS
	if !at.Synced {
		if offset, ok := s.cursor.offset(at.Boot); ok {
			wall = at.BootNS + offset
		}
	}
	return (wall - int64(ageUS)*1000) / 1e6
}

func cloneLayout(l *record.Layout) *record.Layout {
	c := *l
	c.Sources = append([]record.Source(nil), l.Sources...)
	c.Channels = append([]record.Channel(nil), l.Channels...)
	return &c
}
