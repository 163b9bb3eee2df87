package daemon

import (
	"context"
	"errors"

	"soakrig/daemon/internal/acquire"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

var _ acquire.Recaller = storing{}

// recallWindows are how many of the newest entries are looked through, one after the
// other, for the last code of a channel: a counter's source is read every few seconds.
var recallWindows = []uint64{2_000, 50_000, 1_000_000}

// LastCode looks for the newest code of a channel from the journal's end backwards.
// What can't be read is passed over: a total that begins anew is better than no start.
func (s storing) LastCode(ctx context.Context, channel string) (code int64, meant record.Converter, ok bool) {
	head, _ := s.Head()
	for _, window := range recallWindows {
		from := uint64(1)
		if head > window {
			from = head - window
		}
		if code, meant, ok = s.lastCode(ctx, channel, from, head); ok || from == 1 || ctx.Err() != nil {
			return code, meant, ok
		}
	}
	return 0, record.Converter{}, false
}

// lastCode reads the entries from..head.
func (s storing) lastCode(ctx context.Context, channel string, from, head uint64) (code int64, meant record.Converter, ok bool) {
	r := s.NewReader(from)
	defer r.Close()
	seats := map[uint32]seat{}
	for r.Seq() <= head {
		e, err := r.Next(ctx)
		var gap *journal.GapError
		if errors.As(err, &gap) {
			continue
		}
		if err != nil {
			return code, meant, ok
		}
		sample, is := e.Body.(*record.Sample)
		if !is {
			continue
		}
		at, known := seats[sample.Layout]
		if !known {
			at = s.seatOf(sample.Layout, channel)
			seats[sample.Layout] = at
		}
		if !at.there || sample.Source != at.source || at.index >= len(sample.Raw) {
			continue
		}
		if raw := sample.Raw[at.index]; raw.Has&record.HasCode != 0 {
			code, meant, ok = raw.Code, at.meant, true
		}
	}
	return code, meant, ok
}

// seat is where a channel's code is in the samples of a layout.
type seat struct {
	there  bool
	source uint16
	index  int
	meant  record.Converter
}

func (s storing) seatOf(layout uint32, channel string) seat {
	l, err := s.Layout(layout)
	if err != nil {
		return seat{}
	}
	for i, src := range l.Sources {
		for j, c := range src.Channels {
			if l.Channels[c].Name == channel {
				return seat{there: true, source: uint16(i), index: j, meant: l.Channels[c].Converter}
			}
		}
	}
	return seat{}
}
