package rpc

import (
	"context"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// rig is the RigService.
type rig struct {
	pb.UnimplementedRigServiceServer
	*Server
}

// Describe implements the service.
func (s *rig) Describe(context.Context, *pb.DescribeRequest) (*pb.DescribeResponse, error) {
	resp := &pb.DescribeResponse{
		Rig: s.opts.Rig, Version: s.opts.Version, Algorithm: s.opts.Algorithm,
		Layout: &pb.Layout{}, Journal: journalState(s.journal.State()), OpenRun: s.openRun(),
		DefaultPlan: &pb.Plan{}, Speed: s.opts.Clock.Speed(), Simulated: s.opts.Simulated,
	}
	if err := recordpb.ToProto(s.opts.Layout(), resp.Layout); err != nil {
		return nil, internal(err)
	}
	if err := recordpb.ToProto(s.opts.DefaultPlan(), resp.DefaultPlan); err != nil {
		return nil, internal(err)
	}
	return resp, nil
}

func (s *Server) openRun() string {
	if live, ok := s.opts.Runs.Live(); ok {
		return live.Run
	}
	return ""
}

// WatchHealth looks for changes every healthPoll and says something at least every
// defaultHeartbeat.
const healthPoll = 500 * time.Millisecond

// WatchHealth implements the service.
func (s *rig) WatchHealth(_ *pb.WatchHealthRequest, stream grpc.ServerStreamingServer[pb.WatchHealthResponse]) error {
	ctx := stream.Context()
	tick := time.NewTicker(healthPoll)
	defer tick.Stop()
	var sent time.Time
	var last *pb.WatchHealthResponse
	for {
		now, err := s.state()
		if err != nil {
			return internal(err)
		}
		if last == nil || changed(last, now) || time.Since(sent) >= defaultHeartbeat {
			if err := stream.Send(now); err != nil {
				return err
			}
			last, sent = now, time.Now()
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return s.ended(ctx, ctx.Err(), 0)
		}
	}
}

func (s *rig) state() (*pb.WatchHealthResponse, error) {
	at := s.opts.Clock.Now()
	m := &pb.WatchHealthResponse{
		Rig: s.opts.Rig, Serving: s.serving(), Journal: journalState(s.journal.State()),
		OpenRun: s.openRun(), WallNs: at.WallNS, ClockSynced: at.Synced,
	}
	if s.opts.Sources == nil {
		return m, nil
	}
	for _, one := range s.opts.Sources() {
		src := &pb.SourceHealth{}
		if err := recordpb.ToProto(one, src); err != nil {
			return nil, err
		}
		m.Sources = append(m.Sources, src)
	}
	return m, nil
}

// changed compares states, not counters and ages, which move all the time.
func changed(a, b *pb.WatchHealthResponse) bool {
	return a.Serving != b.Serving || a.OpenRun != b.OpenRun || a.ClockSynced != b.ClockSynced ||
		a.Journal.Durable != b.Journal.Durable || a.Journal.Text != b.Journal.Text ||
		!slices.EqualFunc(a.Sources, b.Sources, func(x, y *pb.SourceHealth) bool {
			return proto.Equal(stateOnly(x), stateOnly(y))
		})
}

func stateOnly(h *pb.SourceHealth) *pb.SourceHealth {
	return &pb.SourceHealth{Source: h.Source, State: h.State, Text: h.Text}
}
