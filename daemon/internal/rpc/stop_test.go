package rpc

import (
	"context"
	"fmt"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// openTail opens a stream from the first sequence and takes the hello.
func openTail(t *testing.T, f *fixture) pb.SampleService_TailClient {
	t.Helper()
	start := uint64(1)
	stream, err := pb.NewSampleServiceClient(f.conn()).Tail(t.Context(), &pb.TailRequest{StartSequence: &start})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	return stream
}

// stall floods a stream that is never read until the handler is stuck in Send.
func stall(t *testing.T, f *fixture) {
	t.Helper()
	openTail(t, f)
	var before uint64
	eventually(t, 20*time.Second, "the handler to be stuck in Send", func() bool {
		list := f.srv.Streams()
		if len(list) == 1 && list[0].Lag > 50000 && list[0].Next == before {
			return true
		}
		if len(list) == 1 {
			before = list[0].Next
		}
		for range 2000 {
			f.sample(1)
		}
		return false
	})
}

// C1: a graceful stop never returned while an endless stream was open.
func TestC1StopEndsStreamsAndSaysWhereToResume(t *testing.T) {
	noLeaks(t)
	f := newFixture(t).start()
	f.fill(10)
	stream := openTail(t, f)
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	health := healthpb.NewHealthClient(f.conn())
	f.srv.SetServing(true)
	f.stop()
	_, err := stream.Recv() // a stop that had to cut the connection would not say this
	checkStatus(t, err, codes.Unavailable, reasonStopping, fmt.Sprintf("resume at sequence %d", f.journal.State().Head+1))
	if _, err := health.Check(soon(t), &healthpb.HealthCheckRequest{}); err == nil {
		t.Error("health still answers")
	}
}

// A journal that is closed under a stream ends it like a stop.
func TestClosedJournalEndsStreams(t *testing.T) {
	f := newFixture(t).start()
	f.fill(2)
	stream := openTail(t, f)
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	f.journal.close()
	_, err := stream.Recv()
	checkStatus(t, err, codes.Unavailable, reasonStopping, "resume at sequence 4")
}

// C2: a handler that sits inside Send does not see that it should end.
func TestC2StopFreesAStalledStream(t *testing.T) {
	noLeaks(t)
	f := newFixture(t).start()
	stall(t, f)
	begin := time.Now()
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if err := f.srv.Shutdown(ctx); err != nil {
		t.Error(err)
	}
	if d := time.Since(begin); d < 300*time.Millisecond {
		t.Errorf("stop took %v; the timed stop after 300 ms is what frees the stream", d)
	}
	if err := <-f.served; err != nil {
		t.Error(err)
	}
	f.srv = nil
}

// C3: an open health watch kept a graceful stop hanging.
func TestC3StopEndsHealthWatches(t *testing.T) {
	f := newFixture(t).start()
	w, err := healthpb.NewHealthClient(f.conn()).Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if m, err := w.Recv(); err != nil || m.Status != healthpb.HealthCheckResponse_NOT_SERVING {
		t.Fatal(m, err)
	}
	f.stop()
	for err == nil { // what health said last, then the end; a cut connection would not say why
		_, err = w.Recv()
	}
	checkStatus(t, err, codes.Unavailable, reasonStopping, "is stopping")
}

// C4: after the stop handlers still ran, on storage that was closed.
func TestC4StopWaitsForHandlers(t *testing.T) {
	f := newFixture(t).start()
	f.runs.hang = make(chan struct{})
	f.runs.rows = []RunRow{{Start: record.RunStart{Run: "r"}}}
	entered := make(chan error, 1)
	go func() {
		_, err := pb.NewRunServiceClient(f.conn()).Evaluate(context.Background(), &pb.EvaluateRequest{Run: "r", Limits: []*pb.Limit{{}}})
		entered <- err
	}()
	eventually(t, 10*time.Second, "the call to begin", func() bool { return len(f.srv.guard.methods()) > 0 })
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // no patience
	done := make(chan error, 1)
	go func() { done <- f.srv.Shutdown(ctx) }()
	<-entered // the client was cut off
	select {
	case err := <-done:
		t.Fatalf("stop returned (%v) while a handler ran", err)
	case <-time.After(100 * time.Millisecond):
	}
	close(f.runs.hang)
	if err := <-done; err != nil {
		t.Error(err)
	}
	<-f.served
	f.srv = nil
}
