package rpc

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"runtime"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"soakrig/client"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rpc/streamtest"
	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// tenChannels is a rig with ten channels and the real journal, whose commits are far
// apart so that the disk is not what is measured.
func tenChannels(b testing.TB, o journal.Options) *realRig {
	r := &realRig{fixture: newFixture(b), dir: b.TempDir()}
	tc := r.layout.Channels[0]
	r.layout.Channels, r.layout.Sources = nil, []record.Source{{Name: "back", Driver: "max31856", EveryNS: 1e8}}
	for i := range 10 {
		ch := tc
		ch.Name = fmt.Sprint("vr", i)
		r.layout.Channels = append(r.layout.Channels, ch)
		r.layout.Sources[0].Channels = append(r.layout.Sources[0].Channels, i)
	}
	r.addr = "127.0.0.1:0"
	o.Dir = r.dir
	var err error
	if r.file, err = journal.Open(o); err != nil {
		b.Fatal(err)
	}
	r.opts.Journal = FromJournal(r.file)
	r.serveOn(r.addr)
	r.put(r.layout)
	b.Cleanup(func() {
		r.stop()
		if err := r.file.Close(); err != nil {
			b.Error(err)
		}
	})
	return r
}

func benchSample(l *record.Layout) *record.Sample {
	s := &record.Sample{Layout: l.ID, Raw: make([]record.Raw, 10)}
	for i := range s.Raw {
		s.Raw[i] = record.Raw{Has: record.HasCode | record.HasCold, Code: int64(3000 + 17*i), Cold: 1600, AgeUS: 900}
	}
	return s
}

// drain receives until the sequence, without looking closer: what is measured is the
// rig, and a client that decodes costs as much with any server.
func drain(stream grpc.ServerStreamingClient[pb.TailResponse], upTo uint64) error {
	for {
		m, err := stream.Recv()
		if err != nil {
			return err
		}
		if b := m.GetBatch(); b != nil && b.Last >= upTo {
			return nil
		}
	}
}

func subscribe(b *testing.B, addr string, from uint64) (grpc.ServerStreamingClient[pb.TailResponse], func()) {
	b.Helper()
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	stream, err := pb.NewSampleServiceClient(conn).Tail(ctx, &pb.TailRequest{StartSequence: &from})
	if err != nil {
		b.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil { // hello
		b.Fatal(err)
	}
	return stream, func() { cancel(); conn.Close() }
}

// BenchmarkStream appends samples of ten channels while subscribers follow, and
// counts until all have all of them.
func BenchmarkStream(b *testing.B) {
	for _, subscribers := range []int{1, 10, 100} {
		b.Run(fmt.Sprint(subscribers), func(b *testing.B) {
			r := tenChannels(b, journal.Options{Sync: time.Second, RingBytes: 64 << 20})
			s := benchSample(r.layout)
			upTo := uint64(1 + b.N)
			var all sync.WaitGroup
			for range subscribers {
				all.Go(func() {
					if err := streamtest.Discard(b.Context(), r.addr, 2, upTo); err != nil {
						b.Error(err)
					}
				})
			}
			for len(r.srv.Streams()) < subscribers {
				runtime.Gosched()
			}
			at := r.clock.Now()
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			b.ResetTimer()
			for i := range b.N {
				at.BootNS += 1e8
				if _, err := r.file.Append(at, s); err != nil {
					b.Fatal(err)
				}
				if i%64 == 63 {
					runtime.Gosched()
				}
			}
			all.Wait()
			b.StopTimer()
			runtime.ReadMemStats(&after)
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "samples/s")
			b.ReportMetric(float64(b.N)*float64(subscribers)/b.Elapsed().Seconds(), "delivered/s")
			b.ReportMetric(float64(after.Mallocs-before.Mallocs)/float64(b.N)/float64(subscribers), "allocs/sample") // of both ends of the wire
		})
	}
}

// bare is a gRPC stream of the same messages and nothing else.
type bare struct {
	pb.UnimplementedSampleServiceServer
	messages []*pb.TailResponse
}

func (s *bare) Tail(_ *pb.TailRequest, stream grpc.ServerStreamingServer[pb.TailResponse]) error {
	if err := stream.Send(&pb.TailResponse{Event: &pb.TailResponse_Hello{Hello: &pb.Hello{}}}); err != nil {
		return err
	}
	for _, m := range s.messages {
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	return nil
}

func serveBare(b *testing.B, messages []*pb.TailResponse) (addr string, stop func()) {
	b.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	srv := grpc.NewServer()
	pb.RegisterSampleServiceServer(srv, &bare{messages: messages})
	go srv.Serve(l)
	return l.Addr().String(), srv.Stop
}

// BenchmarkAgainstBareStream compares, in one run, the whole way journal, conversion,
// encoding, stream with a bare stream of the very messages that it gave. The budget is
// a ratio of at least 0.7.
func BenchmarkAgainstBareStream(b *testing.B) {
	const n = 100000
	r := tenChannels(b, journal.Options{Sync: time.Second, RingBytes: 256 << 20})
	s := benchSample(r.layout)
	at := r.clock.Now()
	for range n {
		at.BootNS += 1e8
		if _, err := r.file.Append(at, s); err != nil {
			b.Fatal(err)
		}
	}
	var messages []*pb.TailResponse
	stream, done := subscribe(b, r.addr, 2)
	for last := uint64(0); last < n+1; {
		m, err := stream.Recv()
		if err != nil {
			b.Fatal(err)
		}
		messages = append(messages, m)
		last = m.GetBatch().GetLast()
	}
	done()
	addr, stop := serveBare(b, messages)
	defer stop()
	best := map[string]time.Duration{}
	timed := func(what string, follow func() error) {
		begin := time.Now()
		if err := follow(); err != nil && !errors.Is(err, io.EOF) {
			b.Fatal(err)
		}
		if d := time.Since(begin); best[what] == 0 || d < best[what] {
			best[what] = d
		}
	}
	decoded := func(addr string) func() error {
		return func() error {
			stream, done := subscribe(b, addr, 2)
			defer done()
			return drain(stream, n+1)
		}
	}
	for b.Loop() { // in turn, and the best of each, so that all see the same machine
		timed("ours", decoded(r.addr))
		timed("bare", decoded(addr))
		timed("ours undecoded", func() error { return streamtest.Discard(b.Context(), r.addr, 2, n+1) })
		timed("bare undecoded", func() error { return streamtest.Discard(b.Context(), addr, 2, n+1) })
	}
	rate := func(what string) float64 { return n / best[what].Seconds() }
	b.ReportMetric(rate("ours"), "samples/s")
	b.ReportMetric(rate("bare"), "bare-samples/s")
	b.ReportMetric(rate("ours")/rate("bare"), "ratio")
	b.ReportMetric(rate("ours undecoded"), "undecoded-samples/s")
	b.ReportMetric(rate("ours undecoded")/rate("bare undecoded"), "undecoded-ratio")
}

// BenchmarkCatchUpFromDisk follows a journal from the beginning with nothing of it in
// memory.
func BenchmarkCatchUpFromDisk(b *testing.B) {
	const n = 200000
	r := tenChannels(b, journal.Options{Sync: 20 * time.Millisecond, RingBytes: 1 << 16})
	s := benchSample(r.layout)
	at := r.clock.Now()
	for i := range n {
		at.BootNS += 1e8
		seq, err := r.file.Append(at, s)
		if err != nil {
			b.Fatal(err)
		}
		if i%1000 == 999 {
			if err := r.file.WaitDurable(context.Background(), seq); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.Run("tail", func(b *testing.B) {
		for b.Loop() {
			stream, done := subscribe(b, r.addr, 1)
			if err := drain(stream, n+1); err != nil {
				b.Fatal(err)
			}
			done()
		}
		b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
	b.Run("client", func(b *testing.B) {
		c, err := client.Dial(context.Background(), r.addr, client.Options{})
		if err != nil {
			b.Fatal(err)
		}
		defer c.Close()
		for b.Loop() {
			if _, err := c.Tail(context.Background(), client.Cursor{Next: 1}, client.TailOptions{}, func(e *client.Event) error {
				if e.Seq == n+1 {
					return errEnough
				}
				return nil
			}); !errors.Is(err, errEnough) {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
	b.Run("decimated", func(b *testing.B) {
		for b.Loop() {
			count := 0
			c, err := client.Dial(context.Background(), r.addr, client.Options{})
			if err != nil {
				b.Fatal(err)
			}
			_, err = c.Tail(context.Background(), client.Cursor{Next: 1}, client.TailOptions{Interval: time.Minute}, func(e *client.Event) error {
				if count++; count == 10*(n/600-1) {
					return errEnough
				}
				return nil
			})
			if !errors.Is(err, errEnough) {
				b.Fatal(err)
			}
			c.Close()
		}
		b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
}

// BenchmarkEncode is conversion and encoding of one sample of ten channels.
func BenchmarkEncode(b *testing.B) {
	r := tenChannels(b, journal.Options{})
	t, err := newTable(r.layout, nil, r.opts.Convert)
	if err != nil {
		b.Fatal(err)
	}
	s := benchSample(r.layout)
	e := &record.Entry{Seq: 1 << 30, At: r.clock.Now(), Body: s}
	var out batch
	b.ReportAllocs()
	for b.Loop() {
		values, err := t.convert(s)
		if err != nil {
			b.Fatal(err)
		}
		out.reset()
		out.sample(e, s, r.layout.Sources[0].Channels, nil, values)
	}
	b.ReportMetric(float64(len(out.buf)), "B/sample")
}
