package rpc

import (
	"context"
	"encoding/base64"
	"encoding/binary"
	"hash/fnv"
	"slices"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// maxPage bounds a page: entries, and bytes well below the 4 MiB that clients accept.
const (
	maxPage      = 5000
	maxPageBytes = 1 << 20
	maxPageGaps  = 1000
	maxPageSpan  = 1 << 18 // sequences covered, for a filter that drops nearly all
)

// Read implements the service.
func (s *samples) Read(ctx context.Context, req *pb.ReadRequest) (*pb.ReadResponse, error) {
	if req.PageSize < 0 {
		return nil, badField("page_size", "%d; want 1 to %d, or 0 for %d", req.PageSize, maxPage, maxPage)
	}
	filter, err := s.filter(req.Channels)
	if err != nil {
		return nil, err
	}
	state := s.journal.State()
	from, end, err := s.pageRange(req, state)
	if err != nil {
		return nil, err
	}
	limit := int(req.PageSize)
	if limit == 0 || limit > maxPage {
		limit = maxPage
	}
	resp := &pb.ReadResponse{JournalId: state.ID}
	if from > end {
		resp.Batch = &pb.Batch{Head: state.Head, DurableThrough: state.DurableThrough}
		return resp, nil
	}
	f := s.follow(from, filter)
	defer f.close()
	if err := s.page(ctx, f, resp, end, limit); err != nil {
		return nil, s.ended(ctx, err, f.first)
	}
	if f.covered < end {
		resp.NextPageToken = pageToken(req, state.ID, f.covered+1, end)
	}
	if err := pageLayouts(f, resp); err != nil {
		return nil, internal(err)
	}
	// As in Tail: the batch is in its wire form already.
	resp.ProtoReflect().SetUnknown(f.finish(readBatch, max(state.Head, f.covered), state.DurableThrough))
	return resp, nil
}

// pageRange is what is left to read: from..end, both inclusive.
func (s *samples) pageRange(req *pb.ReadRequest, state journal.State) (from, end uint64, err error) {
	if req.PageToken != "" {
		from, end, ok := parseToken(req, state.ID)
		if !ok {
			return 0, 0, badField("page_token", "not a token of this rig for this request; start without one")
		}
		if err := s.cursor(req.JournalId, &from, state); err != nil {
			return 0, 0, err
		}
		return from, min(end, state.Head), nil
	}
	from, end = req.StartSequence, req.EndSequence
	if err := s.cursor(req.JournalId, &from, state); err != nil {
		return 0, 0, err
	}
	if end == 0 || end > state.Head {
		end = state.Head
	} else if from > end {
		return 0, 0, badField("end_sequence", "%d is before start_sequence %d", end, from)
	}
	if from == 0 {
		from = state.Oldest
	}
	return max(from, 1), end, nil
}

func (s *samples) page(ctx context.Context, f *follower, resp *pb.ReadResponse, end uint64, limit int) error {
	for f.covered < end && f.b.entries < limit && len(f.b.buf) < maxPageBytes && len(resp.Gaps) < maxPageGaps && f.covered-f.first+1 < maxPageSpan {
		gap, err := f.step(ctx)
		if err != nil {
			return err
		}
		if gap == nil {
			continue
		}
		gap.To = min(gap.To, end)
		m := &pb.Gap{}
		if err := recordpb.ToProto(gap, m); err != nil {
			return err
		}
		resp.Gaps = append(resp.Gaps, m)
		f.covered = gap.To // the batch covers it, first stays
	}
	return nil
}

// pageLayouts moves the layouts beside the batch, where a page has them.
func pageLayouts(f *follower, resp *pb.ReadResponse) error {
	told := make([]*record.Layout, 0, len(f.tables))
	for _, t := range f.tables {
		if t.sent {
			told = append(told, t.layout)
		}
	}
	slices.SortFunc(told, func(a, b *record.Layout) int { return int(a.ID) - int(b.ID) })
	for _, l := range told {
		m := &pb.Layout{}
		if err := recordpb.ToProto(l, m); err != nil {
			return err
		}
		resp.Layouts = append(resp.Layouts, m)
	}
	return nil
}

// A token is version, next sequence, end sequence and a check over what the pages
// have in common. It carries no rights, so it need not be secret.
const tokenVersion = 1

func tokenCheck(req *pb.ReadRequest, journal string) uint32 {
	h := fnv.New32a()
	for _, c := range req.Channels {
		h.Write([]byte(c))
		h.Write([]byte{0})
	}
	h.Write([]byte(journal))
	return h.Sum32()
}

func pageToken(req *pb.ReadRequest, journal string, next, end uint64) string {
	b := []byte{tokenVersion}
	b = binary.BigEndian.AppendUint64(b, next)
	b = binary.BigEndian.AppendUint64(b, end)
	b = binary.BigEndian.AppendUint32(b, tokenCheck(req, journal))
	return base64.RawURLEncoding.EncodeToString(b)
}

func parseToken(req *pb.ReadRequest, journal string) (next, end uint64, ok bool) {
	b, err := base64.RawURLEncoding.DecodeString(req.PageToken)
	if err != nil || len(b) != 21 || b[0] != tokenVersion || binary.BigEndian.Uint32(b[17:]) != tokenCheck(req, journal) {
		return 0, 0, false
	}
	next, end = binary.BigEndian.Uint64(b[1:]), binary.BigEndian.Uint64(b[9:])
	return next, end, next >= 1 && next <= end
}
