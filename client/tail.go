package client

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "soakrig/proto/soakrig/v1"
)

// Cursor is a place in a rig's journal, to be stored and gone on from later. The zero
// Cursor is the live end, wherever that is when the stream begins.
type Cursor struct {
	Journal string `json:"journal_id"`    // empty: whichever the rig has
	Next    uint64 `json:"next_sequence"` // first entry wanted; 1: the very first
}

// TailOptions choose what a stream carries.
type TailOptions struct {
	Channels []string      // by name; empty: all. Entries that are no samples always come
	Interval time.Duration // one summary per channel and interval instead of samples; zero: samples
	// Heartbeat is the longest silence of the rig; zero: 5 s; at least 1 s. After three
	// of them the connection counts as lost.
	Heartbeat time.Duration
	// Link is told whenever the connection is made or lost, with every batch and with
	// every heartbeat; nil: nobody is.
	Link func(Link)
	// Outage is how long the rig may be out of reach before Tail returns
	// ErrUnreachable; zero: for ever.
	Outage time.Duration
}

// Tail calls fn with everything in the rig's journal from the cursor on, live once it
// has caught up: every sequence number exactly once and in order, or in a gap event,
// across restarts of the rig and of the network. It returns when fn returns an error
// (that error), when ctx ends, or when going on can't help: ErrJournalChanged,
// ErrBeyondHead, ErrDenied, ErrInvalid, ErrUnreachable after o.Outage. The cursor that
// it returns is behind the last event for which fn returned nil.
//
// With o.Interval an interval's summaries and events come when it is over. A cursor
// then stands at the beginning of an interval.
//
// fn may take its time: the rig does not hold anything back for it and nobody waits.
func (c *Client) Tail(ctx context.Context, from Cursor, o TailOptions, fn func(*Event) error) (Cursor, error) {
	if o.Heartbeat == 0 {
		o.Heartbeat = heartbeat
	}
	t := &tail{o: o, fn: fn, cur: from, dec: newDecoder()}
	err := c.keep(ctx, keeping{op: "tail", silence: 3 * o.Heartbeat, link: t.lost, outage: o.Outage}, t.session)
	return t.cur, err
}

type tail struct {
	o    TailOptions
	fn   func(*Event) error
	cur  Cursor
	dec  *decoder
	link Link
}

// lost is told when the connection is.
func (t *tail) lost(l Link) {
	if t.o.Link != nil {
		l.Journal, l.Head, l.DurableThrough, l.Lag = t.link.Journal, t.link.Head, t.link.DurableThrough, t.link.Lag
		t.o.Link(l)
	}
}

func (t *tail) heardOf(head, durable uint64) {
	t.link = Link{Connected: true, Journal: t.cur.Journal, Head: head, DurableThrough: durable}
	if t.cur.Next > 0 && t.cur.Next <= head {
		t.link.Lag = head + 1 - t.cur.Next
	}
	if t.o.Link != nil {
		t.o.Link(t.link)
	}
}

func (t *tail) session(ctx context.Context, conn *grpc.ClientConn, w *watchdog) error {
	req := &pb.TailRequest{
		JournalId: t.cur.Journal, Channels: t.o.Channels,
		HeartbeatS: t.o.Heartbeat.Seconds(), IntervalS: t.o.Interval.Seconds(),
	}
	if t.cur.Next > 0 {
		req.StartSequence = &t.cur.Next
	}
	stream, err := pb.NewSampleServiceClient(conn).Tail(ctx, req)
	if err != nil {
		return err
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			return err
		}
		w.heard()
		if err := t.take(m); err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		w.wait()
	}
}

func (t *tail) take(m *pb.TailResponse) error {
	switch m := m.Event.(type) {
	case *pb.TailResponse_Hello:
		return t.hello(m.Hello)
	case *pb.TailResponse_Batch:
		return t.batch(m.Batch)
	case *pb.TailResponse_Gap:
		return t.gap(m.Gap)
	case *pb.TailResponse_Heartbeat:
		t.heardOf(m.Heartbeat.GetHead(), m.Heartbeat.GetDurableThrough())
	}
	return nil // a kind that a later rig may send
}

// hello fixes the cursor of a live stream, so that a cut before the first batch loses
// nothing.
func (t *tail) hello(h *pb.Hello) error {
	t.cur.Journal = h.GetJournal().GetJournalId()
	t.dec.journal = t.cur.Journal
	clear(t.dec.layouts)
	if t.cur.Next == 0 {
		t.cur.Next = h.GetJournal().GetHead() + 1
	}
	if h.Layout != nil {
		if err := t.dec.layout(h.Layout); err != nil {
			return unreadable(err)
		}
	}
	t.heardOf(h.GetJournal().GetHead(), h.GetJournal().GetDurableThrough())
	return nil
}

func (t *tail) batch(b *pb.Batch) error {
	switch {
	case b.First > t.cur.Next:
		return unreadable(broken("the batch begins at %d, but %d is next", b.First, t.cur.Next))
	case b.Last < t.cur.Next: // all of it was delivered
		return nil
	}
	summaries := len(b.Summaries) > 0
	err := t.dec.batch(b, t.cur.Next, func(e *Event) error {
		if err := t.fn(e); err != nil {
			return &callersError{err}
		}
		if !summaries { // else the batch is taken as a whole
			t.cur.Next = e.Seq + 1
		}
		return nil
	})
	if err != nil {
		return unreadable(err)
	}
	t.cur.Next = b.Last + 1
	t.heardOf(b.Head, b.DurableThrough)
	return nil
}

func (t *tail) gap(g *pb.Gap) error {
	switch {
	case g.From > t.cur.Next:
		return unreadable(broken("the gap begins at %d, but %d is next", g.From, t.cur.Next))
	case g.To < t.cur.Next:
		return nil
	}
	e, err := t.dec.gap(g, t.cur.Next)
	if err != nil {
		return unreadable(err)
	}
	if err := t.fn(e); err != nil {
		return &callersError{err}
	}
	t.cur.Next = g.To + 1
	return nil
}

// unreadable is a status that is tried again a few times; the caller's own errors pass.
func unreadable(err error) error {
	var final *callersError
	if errors.As(err, &final) {
		return err
	}
	return status.Error(codes.DataLoss, err.Error())
}
