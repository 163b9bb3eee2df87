package client

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"google.golang.org/protobuf/proto"

	pb "soakrig/proto/soakrig/v1"
)

// Range is what Read reads.
type Range struct {
	Journal  string   // empty: whichever the rig has
	From     uint64   // first sequence, inclusive; 0: the oldest
	To       uint64   // last sequence, inclusive; 0: the head when reading begins
	Channels []string // by name; empty: all
	// Kept holds what earlier Reads of this very Range got, and keeps what this one
	// gets; it needs To. Nil: nothing is kept.
	Kept Pages
	// Outage is how long the rig may be out of reach, or give nothing in time, before
	// Read returns ErrUnreachable; zero: once is enough. What is asked for at a time
	// gets smaller with each failure, so that a bad line gets something through.
	Outage time.Duration
}

// Pages keeps the answers of a rig to Read, each with some events of a Range, so that a
// Read that was cut off, or whose process was, goes on behind the last of them.
type Pages interface {
	// Each calls fn with every page kept, in the order they came, until fn returns an
	// error, which it returns. A page is valid until fn returns.
	Each(fn func(page []byte) error) error
	// Keep adds a page. Once it has returned nil the page must outlive the process.
	Keep(page []byte) error
}

// ReadEnd is what was read and how far the rig is.
type ReadEnd struct {
	Cursor         Cursor // behind the last event for which fn returned nil
	Head           uint64 // of the rig's journal
	DurableThrough uint64 // newest entry on the rig's disk
}

// Read calls fn with everything that the journal holds in the range, in order of
// sequence, with gap events where entries are missing, until fn returns an error,
// which Read returns. Events are as with Tail. With r.Kept fn gets what was kept first,
// without the rig; no entry comes twice.
func (c *Client) Read(ctx context.Context, r Range, fn func(*Event) error) (ReadEnd, error) {
	p := &paging{
		c: c, r: r, fn: fn, dec: newDecoder(),
		req: &pb.ReadRequest{StartSequence: r.From, EndSequence: r.To, JournalId: r.Journal, Channels: r.Channels},
		end: ReadEnd{Cursor: Cursor{Journal: r.Journal, Next: max(r.From, 1)}},
	}
	err := p.kept()
	for err == nil && !p.whole {
		err = p.more(ctx)
	}
	return p.end, err
}

// paging is one Read.
type paging struct {
	c     *Client
	r     Range
	fn    func(*Event) error
	dec   *decoder
	req   *pb.ReadRequest
	end   ReadEnd
	whole bool // nothing of the range is left
}

// kept delivers what earlier Reads kept.
func (p *paging) kept() error {
	if p.r.Kept == nil {
		return nil
	}
	if p.r.To == 0 {
		return errors.New("read: pages can be kept of a range with an end only; set Range.To")
	}
	err := p.r.Kept.Each(func(page []byte) error {
		resp := &pb.ReadResponse{}
		if err := proto.Unmarshal(page, resp); err != nil {
			return p.c.newer("read what was kept", err)
		}
		return p.take(resp)
	})
	// Not by the token of the last page: the rest is a range like any other.
	p.req.StartSequence, p.req.JournalId, p.req.PageToken = p.end.Cursor.Next, p.end.Cursor.Journal, ""
	p.whole = p.end.Cursor.Next > p.r.To
	return err
}

// more gets, keeps and delivers the next page.
func (p *paging) more(ctx context.Context) error {
	resp, err := p.page(ctx)
	if err != nil {
		return err
	}
	if p.r.Kept != nil {
		page, err := proto.Marshal(resp)
		if err == nil {
			err = p.r.Kept.Keep(page)
		}
		if err != nil {
			return fmt.Errorf("keep what was read: %w", err)
		}
	}
	return p.take(resp)
}

// The entries asked for at a time after a failure. Above mostEntries the rig's own
// bound holds.
const (
	fewestEntries = 64
	mostEntries   = 4096
)

// page gets the next page, again and again while the rig is out of reach for no longer
// than r.Outage.
func (p *paging) page(ctx context.Context) (*pb.ReadResponse, error) {
	since, pause := time.Now(), firstPause
	for {
		resp, err := patient(ctx, p.c, "read", slowRead, func(ctx context.Context) (*pb.ReadResponse, error) { return p.c.smp.Read(ctx, p.req) })
		if err == nil {
			if p.req.PageSize *= 2; p.req.PageSize > mostEntries {
				p.req.PageSize = 0
			}
			return resp, nil
		}
		if !errors.Is(err, ErrUnreachable) || ctx.Err() != nil || time.Since(since) >= p.r.Outage {
			return nil, err
		}
		if p.req.PageSize == 0 {
			p.req.PageSize = mostEntries
		}
		p.req.PageSize = max(p.req.PageSize/2, fewestEntries)
		timer := time.NewTimer(pause - rand.N(pause/2))
		pause = min(2*pause, lastPause)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return nil, err
		}
	}
}

// take delivers a page.
func (p *paging) take(resp *pb.ReadResponse) error {
	p.dec.journal = resp.JournalId
	p.end.Cursor.Journal = resp.JournalId
	p.end.Head, p.end.DurableThrough = resp.GetBatch().GetHead(), resp.GetBatch().GetDurableThrough()
	for _, l := range resp.Layouts {
		if err := p.dec.layout(l); err != nil {
			return p.c.newer("read", err)
		}
	}
	if err := p.c.readPage(p.dec, resp, &p.end.Cursor.Next, p.fn); err != nil {
		return err
	}
	// The journal of the first page is the one of all.
	p.req.PageToken = resp.NextPageToken
	p.whole = resp.NextPageToken == ""
	return nil
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
