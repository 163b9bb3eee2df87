package rpc

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	pb "soakrig/proto/soakrig/v1"
)

// Bounds of a Push.
const (
	maxPushed = 1000 // values of one request
	maxAgeS   = 3600 // older values belong to no live channel
)

// Push implements the service. All values are checked before the first one is fed.
func (s *samples) Push(ctx context.Context, req *pb.PushRequest) (*pb.PushResponse, error) {
	pushed := s.pushed()
	if s.opts.Push == nil || len(pushed) == 0 {
		return nil, fail(codes.FailedPrecondition, reasonNoPush, nil,
			"rig "+s.opts.Rig+` has no pushed channels; add a source with driver "push" to its configuration`)
	}
	if len(req.Values) == 0 || len(req.Values) > maxPushed {
		return nil, badField("values", "%d values; want 1 to %d", len(req.Values), maxPushed)
	}
	for i, v := range req.Values {
		if err := checkPushed(i, v, pushed); err != nil {
			return nil, err
		}
	}
	for i, v := range req.Values {
		age := time.Duration(v.AgeS * float64(time.Second))
		if err := s.opts.Push(ctx, v.Channel, v.Value, age); err != nil {
			return nil, fail(codes.FailedPrecondition, reasonNoPush,
				map[string]string{"channel": v.Channel, "accepted": fmt.Sprint(i)},
				fmt.Sprintf("values[%d]: channel %s: %v; the %d values before it were taken", i, v.Channel, err, i))
		}
	}
	return &pb.PushResponse{Accepted: uint32(len(req.Values))}, nil
}

func checkPushed(i int, v *pb.PushedValue, pushed []string) error {
	field := func(name string) string { return fmt.Sprintf("values[%d].%s", i, name) }
	known := false
	for _, name := range pushed {
		known = known || name == v.GetChannel()
	}
	switch {
	case !known:
		return badField(field("channel"), "%q is not a pushed channel; this rig has %s", v.GetChannel(), strings.Join(pushed, ", "))
	case v.Value != nil && (math.IsNaN(*v.Value) || math.IsInf(*v.Value, 0)):
		return badField(field("value"), "%v is no value; leave it out if there is none", *v.Value)
	case math.IsNaN(v.AgeS) || v.AgeS < 0 || v.AgeS > maxAgeS:
		return badField(field("age_s"), "%v s; want 0 to %d", v.AgeS, maxAgeS)
	}
	return nil
}

// pushed lists the channels of sources with the driver push.
func (s *Server) pushed() (names []string) {
	l := s.opts.Layout()
	for i := range l.Sources {
		if l.Sources[i].Driver != "push" {
			continue
		}
		for _, c := range l.Sources[i].Channels {
			names = append(names, l.Channels[c].Name)
		}
	}
	return names
}
