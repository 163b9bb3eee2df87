package streamtest

import (
	"context"
	"net"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "soakrig/proto/soakrig/v1"
)

func TestFieldNumbers(t *testing.T) {
	for _, f := range []struct {
		m    proto.Message
		name protoreflect.Name
		want protoreflect.FieldNumber
	}{{&pb.TailResponse{}, "batch", fieldBatch}, {&pb.Batch{}, "last", fieldLast}} {
		if got := f.m.ProtoReflect().Descriptor().Fields().ByName(f.name).Number(); got != f.want {
			t.Errorf("%s has number %d, want %d", f.name, got, f.want)
		}
	}
}

// tailer answers a tail with batches that end at the given sequences.
type tailer struct {
	pb.UnimplementedSampleServiceServer
	lasts []uint64
}

func (s tailer) Tail(req *pb.TailRequest, out grpc.ServerStreamingServer[pb.TailResponse]) error {
	if req.GetStartSequence() != 7 {
		return status.Error(codes.OutOfRange, "want 7")
	}
	for _, last := range s.lasts {
		batch := &pb.Batch{First: 7, Last: last, Samples: []*pb.Sample{{Sequence: last, BootNs: 1 << 50}}}
		if err := out.Send(&pb.TailResponse{Event: &pb.TailResponse_Batch{Batch: batch}}); err != nil {
			return err
		}
	}
	return status.Error(codes.Unavailable, "the rig stops")
}

// TestDiscard: it ends with the sequence that was asked for, and tells why it can't.
func TestDiscard(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := grpc.NewServer()
	pb.RegisterSampleServiceServer(s, tailer{lasts: []uint64{20, 400, 70000}})
	served := make(chan error, 1)
	go func() { served <- s.Serve(l) }()
	defer func() {
		s.Stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	}()
	ctx, addr := context.Background(), l.Addr().String()
	if err := Discard(ctx, addr, 7, 60000); err != nil {
		t.Errorf("up to 60000: %v", err)
	}
	if err := Discard(ctx, addr, 7, 70001); status.Code(err) != codes.Unavailable {
		t.Errorf("beyond what comes: %v", err)
	}
	if err := Discard(ctx, addr, 8, 9); status.Code(err) != codes.OutOfRange {
		t.Errorf("refused: %v", err)
	}
}
