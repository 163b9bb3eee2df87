package client

import (
	"context"
	"time"

	pb "soakrig/proto/soakrig/v1"
)

// Range is what Read reads.
type Range struct {
	Journal  string   // empty: whichever the rig has
	From     uint64   // first sequence, inclusive; 0: the oldest
	To       uint64   // last sequence, inclusive; 0: the head when reading begins
	Channels []string // by name; empty: all
}

// ReadEnd is what was read and how far the rig is.
type ReadEnd struct {
	Cursor         Cursor // behind the last event for which fn returned nil
	Head           uint64 // of the rig's journal
	DurableThrough uint64 // newest entry on the rig's disk
}

// Read calls fn with everything that the journal holds in the range, in order of
// sequence, with gap events where entries are missing, until fn returns an error,
// which Read returns. Events are as with Tail.
func (c *Client) Read(ctx context.Context, r Range, fn func(*Event) error) (ReadEnd, error) {
	req := &pb.ReadRequest{StartSequence: r.From, EndSequence: r.To, JournalId: r.Journal, Channels: r.Channels}
	end := ReadEnd{Cursor: Cursor{Journal: r.Journal, Next: max(r.From, 1)}}
	dec := newDecoder()
	for {
		resp, err := patient(ctx, c, "read", slowRead, func(ctx context.Context) (*pb.ReadResponse, error) { return c.smp.Read(ctx, req) })
		if err != nil {
			return end, err
		}
		dec.journal = resp.JournalId
		end.Cursor.Journal = resp.JournalId
		end.Head, end.DurableThrough = resp.GetBatch().GetHead(), resp.GetBatch().GetDurableThrough()
		for _, l := range resp.Layouts {
			if err := dec.layout(l); err != nil {
				return end, c.newer("read", err)
			}
		}
		if err := c.readPage(dec, resp, &end.Cursor.Next, fn); err != nil {
			return end, err
		}
		if resp.NextPageToken == "" {
			return end, nil
		}
		// The journal of the first page is the one of all.
		req.PageToken = resp.NextPageToken
	}
}

// readPage delivers a page: its gaps stand beside the batch and are put in order.
func (c *Client) readPage(dec *decoder, resp *pb.ReadResponse, next *uint64, fn func(*Event) error) error {
	gaps := resp.Gaps
	deliver := func(e *Event) error {
		if err := fn(e); err != nil {
			return err
		}
		*next = e.Seq + 1
		if e.Gap != nil {
			*next = e.Gap.To + 1
		}
		return nil
	}
	gapsBefore := func(seq uint64) error {
		for len(gaps) > 0 && gaps[0].From < seq {
			g := &decoder{journal: dec.journal} // the event in hand stays
			e, err := g.gap(gaps[0], *next)
			if err != nil {
				return c.newer("read", err)
			}
			gaps = gaps[1:]
			if e.Gap.To < *next {
				continue
			}
			if err := deliver(e); err != nil {
				return err
			}
		}
		return nil
	}
	batch := resp.GetBatch()
	err := dec.batch(batch, *next, func(e *Event) error {
		if err := gapsBefore(e.Seq); err != nil {
			return err
		}
		return deliver(e)
	})
	if err != nil {
		return err
	}
	if err := gapsBefore(^uint64(0)); err != nil {
		return err
	}
	*next = max(*next, batch.GetLast()+1)
	return nil
}

// Value is one value for a pushed channel.
type Value struct {
	Channel string
	Value   *float64      // in the channel's unit; nil: there is known to be none
	Age     time.Duration // when it is sent; zero: now
}

// Push feeds channels of sources with the driver "push": all values are checked
// before the first is taken.
func (c *Client) Push(ctx context.Context, values ...Value) error {
	ctx, cancel := c.within(ctx, 0)
	defer cancel()
	req := &pb.PushRequest{}
	for _, v := range values {
		req.Values = append(req.Values, &pb.PushedValue{Channel: v.Channel, Value: v.Value, AgeS: v.Age.Seconds()})
	}
	_, err := c.smp.Push(ctx, req)
	return c.wrap("push", err)
}
