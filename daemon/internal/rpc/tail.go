package rpc

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// Bounds of what a subscriber may ask for.
const (
	defaultHeartbeat = 5 * time.Second
	minHeartbeat     = time.Second
	maxHeartbeat     = time.Minute
	minInterval      = 10 * time.Millisecond
	maxInterval      = time.Hour
	// stragglerGrace is how long after an interval's end, in rig time, it is still
	// held open for samples that are under way when nothing else comes.
	stragglerGrace = 2 * time.Second
	// rest is the least time from one batch to the next of a stream that has caught up.
	// The first sample after a silence goes at once; those that come close behind it,
	// as the sources of one tick do, go together. With many subscribers that is most of
	// the work that they cost acquisition.
	rest = 20 * time.Millisecond
)

// samples is the SampleService.
type samples struct {
	pb.UnimplementedSampleServiceServer
	*Server
}

// Stream is one open Tail as the rig sees it.
type Stream struct {
	Peer  string // address, and the name that goes with the credentials
	Since time.Time
	Next  uint64 // first sequence not yet handed to gRPC
	Lag   uint64 // entries between it and the head
}

// subscriber is one open Tail.
type subscriber struct {
	peer  string
	since time.Time
	next  atomic.Uint64
}

// Streams lists the open Tails, longest lag first.
func (s *Server) Streams() []Stream {
	head, _ := s.journal.Head()
	s.mu.Lock()
	list := make([]Stream, 0, len(s.tails))
	for t := range s.tails {
		next := t.next.Load()
		list = append(list, Stream{Peer: t.peer, Since: t.since, Next: next, Lag: head + 1 - min(next, head+1)})
	}
	s.mu.Unlock()
	sort.Slice(list, func(i, j int) bool { return list[i].Lag > list[j].Lag })
	return list
}

// tail is one call of Tail.
type tail struct {
	srv       *Server
	stream    grpc.ServerStreamingServer[pb.TailResponse]
	sub       *subscriber
	f         *follower
	heartbeat time.Duration
	sent      time.Time // when the client last heard something
	wait      context.Context
	unbeat    context.CancelFunc
	head      uint64 // of the journal when it was looked at last
	pause     *time.Timer
	msg       pb.TailResponse
}

// wish is what a subscriber asks for, checked.
type wish struct {
	heartbeat time.Duration
	interval  time.Duration   // zero: no decimation
	filter    map[string]bool // nil: all channels
	from      uint64          // 0: the oldest
	state     journal.State   // when it asked
}

func (s *samples) wish(req *pb.TailRequest) (w wish, err error) {
	if w.heartbeat, err = seconds("heartbeat_s", req.HeartbeatS, defaultHeartbeat, minHeartbeat, maxHeartbeat); err != nil {
		return w, err
	}
	if w.interval, err = seconds("interval_s", req.IntervalS, 0, minInterval, maxInterval); err != nil {
		return w, err
	}
	if w.filter, err = s.filter(req.Channels); err != nil {
		return w, err
	}
	w.state = s.journal.State()
	w.from = w.state.Head + 1
	if req.StartSequence != nil {
		w.from = *req.StartSequence
	}
	return w, s.cursor(req.JournalId, req.StartSequence, w.state)
}

// Tail implements the service.
func (s *samples) Tail(req *pb.TailRequest, stream grpc.ServerStreamingServer[pb.TailResponse]) error {
	w, err := s.wish(req)
	if err != nil {
		return err
	}
	t := &tail{srv: s.Server, stream: stream, heartbeat: w.heartbeat}
	t.f = s.follow(w.from, w.filter)
	defer t.f.close()
	if w.interval > 0 {
		t.f.dec = &decimator{intervalNS: int64(w.interval)}
	}
	t.sub = s.enter(stream.Context(), t.f.first)
	defer s.leave(t.sub)
	return t.run(w.state)
}

func (s *Server) enter(ctx context.Context, next uint64) *subscriber {
	sub := &subscriber{peer: callOf(ctx).String(), since: time.Now()}
	sub.next.Store(next)
	s.mu.Lock()
	s.tails[sub] = struct{}{}
	s.mu.Unlock()
	return sub
}

func (s *Server) leave(sub *subscriber) {
	s.mu.Lock()
	delete(s.tails, sub)
	s.mu.Unlock()
}

func (t *tail) run(state journal.State) error {
	ctx := t.stream.Context()
	if err := t.hello(state); err != nil {
		return err
	}
	t.beat(ctx, t.heartbeat)
	defer func() { t.unbeat() }()
	for {
		gap, err := t.f.step(t.wait)
		switch {
		case err != nil && (ctx.Err() != nil || t.wait.Err() == nil):
			return t.end(ctx, err)
		case gap != nil:
			err = t.gap(gap)
		case err == nil && (t.f.full() || t.f.b.entries > 0 && t.idle() && t.rested(ctx)):
			err = t.flush()
		default:
			err = nil
		}
		if err == nil && t.wait.Err() != nil { // a heartbeat's time is over
			if err = t.silence(); err == nil {
				t.beat(ctx, t.heartbeat-min(time.Since(t.sent), t.heartbeat))
			}
		}
		if err != nil {
			return t.end(ctx, err)
		}
	}
}

// rested waits until a batch may follow the last one. false: more has come meanwhile,
// which goes with it.
func (t *tail) rested(ctx context.Context) bool {
	wait := rest - time.Since(t.sent)
	if wait <= 0 {
		return true
	}
	if t.pause == nil {
		t.pause = time.NewTimer(wait)
	} else {
		t.pause.Reset(wait)
	}
	select {
	case <-t.pause.C:
	case <-ctx.Done():
		t.pause.Stop()
	}
	return t.idle()
}

// beat makes the context that Next waits under: one for all entries of a heartbeat's
// time, since a context for each would be most of the garbage of a stream.
func (t *tail) beat(ctx context.Context, after time.Duration) {
	if t.unbeat != nil {
		t.unbeat()
	}
	t.wait, t.unbeat = context.WithTimeout(ctx, after)
}

func (t *tail) hello(state journal.State) error {
	l := t.srv.opts.Layout()
	m := &pb.Hello{Rig: t.srv.opts.Rig, Journal: journalState(state), Layout: &pb.Layout{}, WallNs: t.srv.opts.Clock.Now().WallNS}
	if err := recordpb.ToProto(l, m.Layout); err != nil {
		return internal(err)
	}
	t.srv.layouts.learn(l)
	if tb, err := t.f.table(t.stream.Context(), l.ID, state.Head); err == nil {
		tb.sent = true
	}
	t.sent = time.Now()
	return t.stream.Send(&pb.TailResponse{Event: &pb.TailResponse_Hello{Hello: m}})
}

// flush sends the batch. It travels as the unknown bytes of an empty message: on the
// wire that is the same, and no tree of messages is built for it.
func (t *tail) flush() error {
	head, durable := t.srv.journal.Head()
	t.head = head
	t.msg.ProtoReflect().SetUnknown(t.f.finish(tailBatch, max(head, t.f.covered), durable))
	err := t.stream.Send(&t.msg)
	t.sub.next.Store(t.f.first)
	t.sent = time.Now()
	return err
}

// idle: the journal has nothing more just now. A reader can think that it has when it
// stands at the very end of what was on disk.
func (t *tail) idle() bool {
	if !t.f.buffered() {
		return true
	}
	if t.f.held != nil || t.f.r.Seq() <= t.head {
		return false
	}
	t.head, _ = t.srv.journal.Head()
	return t.f.r.Seq() > t.head
}

func (t *tail) gap(gap *record.Gap) error {
	if t.f.pending() {
		if err := t.flush(); err != nil {
			return err
		}
	}
	m := &pb.Gap{}
	if err := recordpb.ToProto(gap, m); err != nil {
		return internal(err)
	}
	t.f.skip(gap)
	t.sub.next.Store(t.f.first)
	t.sent = time.Now()
	return t.stream.Send(&pb.TailResponse{Event: &pb.TailResponse_Gap{Gap: m}})
}

// silence says something if the client has heard nothing for a heartbeat.
func (t *tail) silence() error {
	t.f.idle(t.srv.opts.Clock.Now(), int64(stragglerGrace))
	if t.f.pending() {
		return t.flush()
	}
	if time.Since(t.sent) < t.heartbeat-t.heartbeat/50 {
		return nil
	}
	head, durable := t.srv.journal.Head()
	t.sent = time.Now()
	return t.stream.Send(&pb.TailResponse{Event: &pb.TailResponse_Heartbeat{Heartbeat: &pb.Heartbeat{
		Head: head, DurableThrough: durable, WallNs: t.srv.opts.Clock.Now().WallNS,
	}}})
}

// end is the status that the stream ends with.
func (t *tail) end(ctx context.Context, err error) error {
	return t.srv.ended(ctx, err, t.f.first)
}

// ended turns the reason why a call ended into its status. next is where to resume.
func (s *Server) ended(ctx context.Context, err error, next uint64) error {
	cause := context.Cause(ctx)
	switch {
	case errors.Is(cause, errStopping), errors.Is(err, journal.ErrClosed):
		return stopping(s.opts.Rig, next)
	case cause != nil:
		if _, ok := status.FromError(cause); ok {
			return cause
		}
		return status.FromContextError(cause).Err()
	}
	if _, ok := status.FromError(err); ok {
		return err
	}
	return internal(err)
}

func internal(err error) error {
	return fail(codes.Internal, reasonInternal, nil, err.Error())
}

// seconds reads a time of a request: zero means the default.
func seconds(field string, v float64, def, low, high time.Duration) (time.Duration, error) {
	if v == 0 {
		return def, nil
	}
	if math.IsNaN(v) || v < low.Seconds() || v > high.Seconds() {
		return 0, badField(field, "%v s; want %v to %v s", v, low.Seconds(), high.Seconds())
	}
	return time.Duration(v * float64(time.Second)), nil
}

// filter checks the channels wanted by name.
func (s *Server) filter(names []string) (map[string]bool, error) {
	if len(names) == 0 {
		return nil, nil
	}
	l := s.opts.Layout()
	known := make(map[string]bool, len(l.Channels))
	all := make([]string, len(l.Channels))
	for i := range l.Channels {
		all[i] = l.Channels[i].Name
		known[all[i]] = true
	}
	want := make(map[string]bool, len(names))
	for i, name := range names {
		if !known[name] {
			return nil, badField(fmt.Sprintf("channels[%d]", i), "rig %s has no channel %q; it has %s",
				s.opts.Rig, name, strings.Join(all, ", "))
		}
		want[name] = true
	}
	return want, nil
}

// cursor checks that a cursor belongs to this journal and is not beyond its head.
func (s *Server) cursor(journal string, start *uint64, state journal.State) error {
	meta := map[string]string{
		"rig": s.opts.Rig, "journal_id": state.ID,
		"oldest_sequence": strconv.FormatUint(state.Oldest, 10),
		"head_sequence":   strconv.FormatUint(state.Head, 10),
		"next_sequence":   strconv.FormatUint(state.Head+1, 10),
	}
	if journal != "" && journal != state.ID {
		return fail(codes.FailedPrecondition, reasonJournal, meta, fmt.Sprintf(
			"rig %s has another journal now: %s, not %s; start again without a journal id", s.opts.Rig, state.ID, journal))
	}
	if start != nil && *start > state.Head+1 {
		return fail(codes.OutOfRange, reasonBeyondHead, meta, fmt.Sprintf(
			"sequence %d is beyond the head %d of rig %s; the next sequence is %d", *start, state.Head, s.opts.Rig, state.Head+1))
	}
	return nil
}

func journalState(st journal.State) *pb.JournalState {
	return &pb.JournalState{
		JournalId: st.ID, Oldest: st.Oldest, Head: st.Head, DurableThrough: st.DurableThrough,
		Durable: st.Durable, Text: strings.ToValidUTF8(st.Text, "�"),
		Bytes: uint64(max(st.Bytes, 0)), FreeBytes: uint64(max(st.FreeBytes, 0)),
	}
}
