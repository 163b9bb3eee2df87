// Package streamtest follows a rig's samples as fast as they come and decodes none of
// them, so that a measurement counts the rig and not what a client makes of its
// messages. It is for tests and benchmarks; clients use package client.
package streamtest

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "soakrig/proto/soakrig/v1"
)

// Field numbers in proto/soakrig/v1/samples.proto; a test holds them.
const (
	fieldBatch = 2 // of TailResponse
	fieldLast  = 7 // of Batch
)

// Discard follows the rig at addr from a sequence on until upTo has come. It speaks no
// TLS.
func Discard(ctx context.Context, addr string, from, upTo uint64) error {
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.ForceCodecV2(undecoded{})))
	if err != nil {
		return err
	}
	defer conn.Close()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, pb.SampleService_Tail_FullMethodName)
	if err != nil {
		return err
	}
	if err := stream.SendMsg(&pb.TailRequest{StartSequence: &from}); err != nil {
		return err
	}
	if err := stream.CloseSend(); err != nil {
		return err
	}
	for m := (lastOnly{}); m.last < upTo; {
		if err := stream.RecvMsg(&m); err != nil {
			return err
		}
	}
	return nil
}

// undecoded is a codec that looks for no more than the last sequence of a batch.
type undecoded struct{}

type lastOnly struct{ last uint64 }

// Marshal implements encoding.CodecV2.
func (undecoded) Marshal(v any) (mem.BufferSlice, error) {
	raw, err := proto.Marshal(v.(proto.Message))
	return mem.BufferSlice{mem.SliceBuffer(raw)}, err
}

// Unmarshal implements encoding.CodecV2.
func (undecoded) Unmarshal(data mem.BufferSlice, v any) error {
	buf := data.MaterializeToBuffer(mem.DefaultBufferPool())
	defer buf.Free()
	v.(*lastOnly).last = lastOf(buf.ReadOnlyData())
	return nil
}

// Name implements encoding.CodecV2.
func (undecoded) Name() string { return "proto" }

// lastOf is the last sequence of a message's batch; zero: it has none.
func lastOf(msg []byte) (last uint64) {
	num, _, n := protowire.ConsumeTag(msg)
	if num != fieldBatch {
		return 0
	}
	b, _ := protowire.ConsumeBytes(msg[n:])
	for len(b) > 0 {
		num, kind, n := protowire.ConsumeTag(b)
		b = b[n:]
		if num == fieldLast {
			last, _ = protowire.ConsumeVarint(b)
		}
		b = b[protowire.ConsumeFieldValue(num, kind, b):]
	}
	return last
}
