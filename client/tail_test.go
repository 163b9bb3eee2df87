package client

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// script is a rig that says what the test tells it to: one list of messages per
// stream, then the error.
type script struct {
	pb.UnimplementedSampleServiceServer
	pb.UnimplementedRigServiceServer
	pb.UnimplementedRunServiceServer

	mu       sync.Mutex
	streams  [][]*pb.TailResponse // guarded by mu
	ends     []error              // guarded by mu; the last one again and again
	requests []*pb.TailRequest    // guarded by mu
	pages    []*pb.ReadResponse   // guarded by mu
	reads    []*pb.ReadRequest    // guarded by mu
	busy     int                  // reads to turn away; guarded by mu
	watches  [][]*pb.WatchResponse
	run      *pb.Run
	describe func(context.Context) error
}

func (s *script) Tail(req *pb.TailRequest, stream grpc.ServerStreamingServer[pb.TailResponse]) error {
	s.mu.Lock()
	n := len(s.requests)
	s.requests = append(s.requests, req)
	var say []*pb.TailResponse
	if n < len(s.streams) {
		say = s.streams[n]
	}
	end := s.ends[min(n, len(s.ends)-1)]
	s.mu.Unlock()
	for _, m := range say {
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	return end
}

func (s *script) Read(_ context.Context, req *pb.ReadRequest) (*pb.ReadResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.busy > 0 {
		s.busy--
		return nil, busyStatus(time.Millisecond)
	}
	s.reads = append(s.reads, &pb.ReadRequest{StartSequence: req.StartSequence, PageToken: req.PageToken})
	return s.pages[len(s.reads)-1], nil
}

func (s *script) Describe(ctx context.Context, _ *pb.DescribeRequest) (*pb.DescribeResponse, error) {
	if s.describe != nil {
		return nil, s.describe(ctx)
	}
	return &pb.DescribeResponse{Rig: "scripted"}, nil
}

func (s *script) Watch(_ *pb.WatchRequest, stream grpc.ServerStreamingServer[pb.WatchResponse]) error {
	s.mu.Lock()
	say := s.watches[0]
	s.watches = s.watches[1:]
	s.mu.Unlock()
	for _, m := range say {
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	return status.Error(codes.Unavailable, "restart")
}

func (s *script) Get(context.Context, *pb.GetRequest) (*pb.GetResponse, error) {
	return &pb.GetResponse{Run: s.run}, nil
}

func (s *script) dial(t *testing.T, o Options) *Client { return serve(t, s, o) }

// serve serves a rig until the test ends, and dials it.
func serve(t *testing.T, s interface {
	pb.SampleServiceServer
	pb.RigServiceServer
	pb.RunServiceServer
}, o Options) *Client {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := grpc.NewServer()
	pb.RegisterSampleServiceServer(srv, s)
	pb.RegisterRigServiceServer(srv, s)
	pb.RegisterRunServiceServer(srv, s)
	served := make(chan error, 1)
	go func() { served <- srv.Serve(l) }()
	t.Cleanup(func() {
		srv.Stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	c, err := Dial(t.Context(), l.Addr().String(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func hello(head uint64) *pb.TailResponse {
	return &pb.TailResponse{Event: &pb.TailResponse_Hello{Hello: &pb.Hello{
		Journal: &pb.JournalState{JournalId: "j", Head: head},
		Layout:  &pb.Layout{Id: 1, Sources: []*pb.Source{{Name: "s", Channels: []int32{0}}}, Channels: []*pb.Channel{{Name: "c"}}},
	}}}
}

// batchOf is a batch that covers first..last with a sample for every number given.
func batchOf(first, last uint64, seqs ...uint64) *pb.TailResponse {
	b := &pb.Batch{First: first, Last: last, Head: last}
	for _, seq := range seqs {
		v := float64(seq)
		b.Samples = append(b.Samples, &pb.Sample{Sequence: seq, Layout: 1, Readings: []*pb.Reading{{Value: &v}}})
	}
	return &pb.TailResponse{Event: &pb.TailResponse_Batch{Batch: b}}
}

func gapOf(from, to uint64) *pb.TailResponse {
	return &pb.TailResponse{Event: &pb.TailResponse_Gap{Gap: &pb.Gap{From: from, To: to, Cause: "retention"}}}
}

var (
	restart = status.Error(codes.Unavailable, "restart")
	final   = status.Error(codes.PermissionDenied, "that was all")
)

// tailed collects what a tail of the script delivers until it ends for good.
func tailed(t *testing.T, s *script, from Cursor, o TailOptions) (got []string, cur Cursor, err error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	cur, err = s.dial(t, Options{}).Tail(ctx, from, o, func(e *Event) error {
		switch e.Kind {
		case KindGap:
			got = append(got, fmt.Sprint("gap ", e.Gap.From, "-", e.Gap.To))
		case KindSample:
			got = append(got, fmt.Sprintf("%d=%v%s", e.Seq, e.Sample.Readings[0].Value, e.Sample.Readings[0].Faults))
		default:
			got = append(got, fmt.Sprint(e.Seq, " ", e.Text))
		}
		return nil
	})
	return got, cur, err
}

func TestTailResumesAndDropsWhatCameTwice(t *testing.T) {
	s := &script{
		streams: [][]*pb.TailResponse{
			{hello(9), batchOf(3, 5, 3, 4, 5)},
			{hello(9)}, // cut after the hello
			{hello(9), batchOf(2, 7, 2, 3, 4, 5, 6, 7), batchOf(4, 5, 4, 5)}, // all over again
			{hello(12), gapOf(6, 9), gapOf(8, 8), batchOf(10, 12, 11)},
			{hello(12)},
		},
		ends: []error{restart, restart, restart, restart, final},
	}
	got, cur, err := tailed(t, s, Cursor{Next: 3}, TailOptions{})
	want := "[3=3ok 4=4ok 5=5ok 6=6ok 7=7ok gap 8-9 11=11ok]"
	if fmt.Sprint(got) != want || cur != (Cursor{"j", 13}) || !errors.Is(err, ErrDenied) {
		t.Errorf("got %v, want %s; cursor %+v, %v", got, want, cur, err)
	}
	for i, next := range []uint64{3, 6, 6, 8, 13} {
		if r := s.requests[i]; r.GetStartSequence() != next || r.JournalId != map[bool]string{true: "", false: "j"}[i == 0] {
			t.Errorf("request %d: %v, want %d", i, r, next)
		}
	}
}

// A live stream keeps its place from the hello on.
func TestTailLiveKeepsItsPlace(t *testing.T) {
	s := &script{
		streams: [][]*pb.TailResponse{{hello(9)}, {hello(20), batchOf(10, 20, 10, 20)}},
		ends:    []error{restart, final},
	}
	got, cur, _ := tailed(t, s, Cursor{}, TailOptions{})
	if fmt.Sprint(got) != "[10=10ok 20=20ok]" || cur.Next != 21 || s.requests[0].StartSequence != nil || s.requests[1].GetStartSequence() != 10 {
		t.Errorf("%v, %+v, %v", got, cur, s.requests)
	}
}

// What contradicts the contract is tried again a few times and then told, never
// delivered.
func TestTailRefusesContradictions(t *testing.T) {
	other := batchOf(1, 1, 1)
	other.GetBatch().Samples[0].Layout = 5
	channel := batchOf(1, 1, 1)
	channel.GetBatch().Samples[0].Readings[0].Channel = 1
	summary := &pb.TailResponse{Event: &pb.TailResponse_Batch{Batch: &pb.Batch{First: 1, Last: 1, Summaries: []*pb.Summary{{Layout: 1, Channel: 9}}}}}
	law := &pb.TailResponse{Event: &pb.TailResponse_Batch{Batch: &pb.Batch{First: 1, Last: 1, Layouts: []*pb.Layout{{Channels: []*pb.Channel{{Converter: &pb.Converter{Law: 300}}}}}}}}
	for name, m := range map[string]*pb.TailResponse{
		"the batch begins at 2": batchOf(2, 2, 2), "the gap begins at 3": gapOf(3, 4), "layout 5, which was not told": other,
		"channel 1 of 1": channel, "channel 9 of layout 1": summary, "300 does not fit": law,
	} {
		s := &script{ends: []error{final}}
		for range maxBroken {
			s.streams = append(s.streams, []*pb.TailResponse{hello(9), m})
		}
		got, cur, err := tailed(t, s, Cursor{Next: 1}, TailOptions{})
		if err == nil || !strings.Contains(err.Error(), name) || len(s.requests) != maxBroken || len(got) > 0 || cur.Next != 1 {
			t.Errorf("%s: %v, %v, %+v", name, err, got, cur)
		}
	}
}

func TestTailReadsWhatItDoesNotKnow(t *testing.T) {
	v := 3.0
	s := &script{ends: []error{final}, streams: [][]*pb.TailResponse{{hello(9), {}, {Event: &pb.TailResponse_Batch{Batch: &pb.Batch{
		First: 1, Last: 9,
		Samples: []*pb.Sample{
			{Sequence: 1, Layout: 1, Readings: []*pb.Reading{{Value: &v, Faults: []pb.Fault{99}}}}, // a fault of tomorrow
			{Sequence: 4, Layout: 1, Readings: []*pb.Reading{{}}},                                  // neither value nor fault
		},
		Events: []*pb.Event{
			{Sequence: 2, Kind: "ghost", Text: "a kind of tomorrow", Json: "{}"},
			{Sequence: 3, Kind: "mark", Text: "broken", Json: "{"},
			{Sequence: 5, Kind: "mark", Text: "good", Json: `{"text":"good","author":"ann"}`},
		},
	}}}}}}
	got, _, _ := tailed(t, s, Cursor{Next: 1}, TailOptions{})
	want := "[1=0device_error 2 a kind of tomorrow 3 broken 4=0device_error 5 good]"
	if fmt.Sprint(got) != want {
		t.Errorf("got %v, want %s", got, want)
	}
}

// The callback's error ends the tail, and the cursor stands before what it refused.
func TestTailStopsWhereTheCallerStops(t *testing.T) {
	mine := errors.New("mine")
	s := &script{ends: []error{restart}, streams: [][]*pb.TailResponse{{hello(9), batchOf(1, 9, 1, 2, 3), batchOf(10, 10, 10)}}}
	cur, err := s.dial(t, Options{}).Tail(t.Context(), Cursor{Next: 1}, TailOptions{}, func(e *Event) error {
		if e.Seq == 2 {
			return mine
		}
		return nil
	})
	if err != mine || cur != (Cursor{"j", 2}) {
		t.Errorf("%v, %+v", err, cur)
	}
}

func TestTailTellsItsLink(t *testing.T) {
	var links []Link
	heart := &pb.TailResponse{Event: &pb.TailResponse_Heartbeat{Heartbeat: &pb.Heartbeat{Head: 15, DurableThrough: 12}}}
	s := &script{ends: []error{restart, final}, streams: [][]*pb.TailResponse{{hello(9), batchOf(1, 9, 1), heart}, {hello(20)}}}
	if _, _, err := tailed(t, s, Cursor{Next: 1}, TailOptions{Link: func(l Link) { links = append(links, l) }}); !errors.Is(err, ErrDenied) {
		t.Fatal(err)
	}
	want := []Link{
		{Connected: true, Journal: "j", Head: 9, Lag: 9}, {Connected: true, Journal: "j", Head: 9}, {Connected: true, Journal: "j", Head: 15, DurableThrough: 12, Lag: 6},
		{Journal: "j", Head: 15, DurableThrough: 12, Lag: 6}, {Connected: true, Journal: "j", Head: 20, Lag: 11},
	}
	if len(links) != len(want) {
		t.Fatalf("%+v", links)
	}
	for i, l := range links {
		if i == 3 {
			if !errors.Is(l.Err, ErrUnreachable) || l.Retry <= 0 || l.Retry > firstPause {
				t.Errorf("lost: %+v", l)
			}
			l.Err, l.Retry = nil, 0
		}
		if l != want[i] {
			t.Errorf("link %d: %+v, want %+v", i, l, want[i])
		}
	}
}

func TestReadPutsGapsInTheirPlace(t *testing.T) {
	page := func(first, last uint64, token string, gaps []*pb.Gap, seqs ...uint64) *pb.ReadResponse {
		return &pb.ReadResponse{Batch: batchOf(first, last, seqs...).GetBatch(), Gaps: gaps, NextPageToken: token, JournalId: "j", Layouts: []*pb.Layout{hello(1).GetHello().Layout}}
	}
	s := &script{busy: 3, pages: []*pb.ReadResponse{
		page(3, 20, "t", []*pb.Gap{{From: 3, To: 4}, {From: 10, To: 12}, {From: 19, To: 20}}, 5, 9, 13, 18),
		page(21, 30, "", nil, 21),
	}}
	var got []string
	end, err := s.dial(t, Options{}).Read(t.Context(), Range{From: 3}, func(e *Event) error {
		if e.Gap != nil {
			got = append(got, fmt.Sprint("gap ", e.Gap.From, "-", e.Gap.To))
		} else {
			got = append(got, fmt.Sprint(e.Seq))
		}
		return nil
	})
	if err != nil || fmt.Sprint(got) != "[gap 3-4 5 9 gap 10-12 13 18 gap 19-20 21]" || end.Cursor != (Cursor{"j", 31}) || end.Head != 30 {
		t.Errorf("%v, %+v, %v", got, end, err)
	}
	if s.reads[1].PageToken != "t" {
		t.Errorf("second page: %v", s.reads[1])
	}
}

// A run that ended while the rig was away is told all the same.
func TestWatchTellsRunsThatEndedUnseen(t *testing.T) {
	live := func(run string) *pb.WatchResponse { return &pb.WatchResponse{Live: &pb.Live{Run: run}} }
	s := &script{
		watches: [][]*pb.WatchResponse{{live("a")}, {{}, live("b")}, {{Ended: &pb.Run{Start: &pb.RunStart{Run: "b"}, State: "ended"}}}},
		run:     &pb.Run{Start: &pb.RunStart{Run: "a"}, State: "ended", EndedWallNs: 5},
	}
	var got []string
	err := s.dial(t, Options{}).Watch(t.Context(), 0, nil, func(live *record.Live, ended *Run) error {
		l, e := "-", "-"
		if live != nil {
			l = live.Run
		}
		if ended != nil {
			e = ended.Start.Run
		}
		if got = append(got, l+"/"+e); len(got) == 4 {
			return errors.New("enough")
		}
		return nil
	})
	if err == nil || err.Error() != "enough" || fmt.Sprint(got) != "[a/- -/a b/- -/b]" {
		t.Errorf("%v, %v", got, err)
	}
}
