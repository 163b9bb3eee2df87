package speed

import (
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/internal/rpc/streamtest"
	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

const (
	streamScans    = 100_000
	streamChannels = 10
	beforeSamples  = 2 // the layout, and that the source is open
)

// follow receives from the sequence on until upTo, with the generated client, and
// gives every message to keep if there is one.
func follow(addr string, from, upTo uint64, keep func(*pb.TailResponse)) error {
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	stream, err := pb.NewSampleServiceClient(conn).Tail(ctx, &pb.TailRequest{StartSequence: &from})
	if err != nil {
		return err
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			return err
		}
		if keep != nil {
			keep(m)
		}
		if b := m.GetBatch(); b != nil && b.Last >= upTo {
			return nil
		}
	}
}

// discard is follow without decoding.
func discard(addr string, from, upTo uint64) error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	return streamtest.Discard(ctx, addr, from, upTo)
}

// bare is a stream of given messages with nothing behind it.
type bare struct {
	pb.UnimplementedSampleServiceServer
	messages []*pb.TailResponse
}

func (s *bare) Tail(_ *pb.TailRequest, stream grpc.ServerStreamingServer[pb.TailResponse]) error {
	for _, m := range s.messages {
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	return nil
}

func serveBare(b *testing.B, messages []*pb.TailResponse) (addr string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	srv := grpc.NewServer()
	pb.RegisterSampleServiceServer(srv, &bare{messages: messages})
	go srv.Serve(l)
	b.Cleanup(srv.Stop)
	return l.Addr().String()
}

// live takes so many scans through acquisition, journal and stream to subscribers that
// wait for them. It gives the time and the allocations of all of that.
func live(t testing.TB, scans, channels, subscribers int, receive func(addr string, from, upTo uint64) error) (s, allocs float64) {
	cfg, known := parse(t, 1, channels, 100*time.Millisecond)
	dir, err := os.MkdirTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, cfg, known, newEager(scans), journal.Options{Dir: dir, Sync: time.Second, RingBytes: 64 << 20})
	defer r.close()
	var all sync.WaitGroup
	for range subscribers {
		all.Go(func() {
			if err := receive(r.addr, 1, uint64(scans+beforeSamples)); err != nil {
				t.Error(err)
			}
		})
	}
	for len(r.srv.Streams()) < subscribers {
		runtime.Gosched()
	}
	allocs = mallocs(func() {
		s = seconds(func() {
			r.acquireAll()
			all.Wait()
		})
	})
	return s, allocs
}

// benchStream is one sample from acquisition to a subscriber, against a bare stream.
func benchStream(b *testing.B) {
	var messages []*pb.TailResponse
	live(b, streamScans, streamChannels, 1, func(addr string, from, upTo uint64) error {
		return follow(addr, from, upTo, func(m *pb.TailResponse) { messages = append(messages, m) })
	})
	addr := serveBare(b, messages)
	of := fmt.Sprintf("bare gRPC stream of the same %d messages", len(messages))
	for _, c := range []struct {
		key, what string
		receive   func(addr string, from, upTo uint64) error
	}{{"", "that decodes", decode}, {"undecoded", "that only receives", discard}} {
		benchSubscriber(b, addr, of, c.key, c.what, c.receive)
	}
}

func decode(addr string, from, upTo uint64) error { return follow(addr, from, upTo, nil) }

// benchSubscriber takes the live way and the bare stream in turn. What is counted is
// how much more the rig's whole process allocates than the bare stream's.
func benchSubscriber(b *testing.B, addr, of, key, what string, receive func(addr string, from, upTo uint64) error) {
	p, more := newPair(), math.Inf(1)
	for range max(b.N, 3) {
		s, n := live(b, streamScans, streamChannels, 1, receive)
		theirs := mallocs(func() {
			p.limit = min(p.limit, seconds(func() {
				if err := receive(addr, 1, streamScans+beforeSamples); err != nil {
					b.Error(err)
				}
			}))
		})
		p.ours, more = min(p.ours, s), min(more, (n-theirs)/streamScans/streamChannels)
	}
	put(b, row{
		key: key, what: "acquire, journal, stream to one subscriber " + what, unit: "samples/s", ours: streamScans / p.ours,
		limit: streamScans / p.limit, of: of, allocs: more, budget: "ratio >= 0.7; no allocation per reading",
		met: p.limit/p.ours >= 0.7 && more < 0.1,
	})
}

// benchCatchUp follows a journal from disk, against reading its files.
func benchCatchUp(b *testing.B) {
	cfg, known := parse(b, 1, streamChannels, 100*time.Millisecond)
	dir := b.TempDir()
	r := newRig(b, cfg, known, newEager(streamScans), journal.Options{Dir: dir, Sync: 20 * time.Millisecond, RingBytes: 1 << 16})
	defer r.close()
	r.acquireAll()
	if err := r.file.WaitDurable(b.Context(), streamScans+beforeSamples); err != nil {
		b.Fatal(err)
	}
	p, allocs := newPair(), 0.0
	for b.Loop() {
		allocs = mallocs(func() {
			p.round(func() {
				if err := follow(r.addr, 1, streamScans, nil); err != nil {
					b.Error(err)
				}
			}, func() { readAll(b, dir) })
		})
	}
	put(b, row{what: "catch-up from disk over gRPC", unit: "samples/s", ours: streamScans / p.ours, limit: streamScans / p.limit,
		of: "sequential read of the files", allocs: allocs / streamScans / streamChannels})
}

// readAll reads every file of a folder from beginning to end.
func readAll(t testing.TB, dir string) (n int64) {
	files, err := filepath.Glob(filepath.Join(dir, "samples-*.db*"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, name := range files {
		if strings.HasSuffix(name, "-shm") {
			continue
		}
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		m, err := io.Copy(io.Discard, io.Reader(struct{ io.Reader }{f}))
		if err != nil {
			t.Fatal(err)
		}
		n += m
		f.Close()
	}
	return n
}

// waking is a real clock that keeps how late acquisition wakes.
type waking struct {
	*rigtime.Board
	mu   sync.Mutex
	late []time.Duration
}

func (c *waking) Tick(ctx context.Context, ns int64) (func(), error) {
	done, err := c.Board.Tick(ctx, ns)
	if err == nil {
		late := time.Duration(c.Now().BootNS - ns)
		c.mu.Lock()
		c.late = append(c.late, late)
		c.mu.Unlock()
	}
	return done, err
}

func (c *waking) Retick(ctx context.Context, ns int64) error {
	_, err := c.Tick(ctx, ns) // real time is not held
	return err
}

// fanOut acquires 64 channels at 50 Hz for some seconds of real time while subscribers
// follow, a tenth of them stalled, and gives how late acquisition was and the heap.
func fanOut(t testing.TB, subscribers int) (p99 time.Duration, heapMB float64) {
	const length = 2 * time.Second
	board, err := rigtime.NewBoard()
	if err != nil {
		t.Fatal(err)
	}
	clock := &waking{Board: board, late: make([]time.Duration, 0, 4096)}
	cfg, known := parse(t, 8, 8, 20*time.Millisecond)
	r := newRig(t, cfg, known, clock, journal.Options{Sync: time.Second})
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var all sync.WaitGroup
	var upTo atomic.Uint64
	upTo.Store(1 << 62)
	for i := range subscribers {
		if i%10 == 9 {
			stall(t, ctx, r.addr)
		} else {
			all.Go(func() { followAll(t, ctx, r.addr, &upTo) })
		}
	}
	for len(r.srv.Streams()) < subscribers {
		runtime.Gosched()
	}
	run, stop := context.WithTimeout(ctx, length)
	defer stop()
	if err := r.acq.Run(run); err != nil {
		t.Error(err)
	}
	head, _ := r.file.Head()
	upTo.Store(head + 1)
	if _, err := r.file.Append(clock.Now(), &record.Mark{Text: "end"}); err != nil {
		t.Error(err)
	}
	all.Wait()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	cancel()
	r.close()
	slices.Sort(clock.late)
	return clock.late[len(clock.late)*99/100], float64(m.HeapAlloc) / 1e6
}

func open(t testing.TB, ctx context.Context, addr string) (grpc.ServerStreamingClient[pb.TailResponse], *grpc.ClientConn) {
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	first := uint64(1)
	stream, err := pb.NewSampleServiceClient(conn).Tail(ctx, &pb.TailRequest{StartSequence: &first})
	if err != nil {
		t.Fatal(err)
	}
	return stream, conn
}

// stall subscribes and reads nothing.
func stall(t testing.TB, ctx context.Context, addr string) {
	_, conn := open(t, ctx, addr)
	context.AfterFunc(ctx, func() { conn.Close() })
}

// followAll receives up to a sequence that is told later, and wants every number.
func followAll(t testing.TB, ctx context.Context, addr string, upTo *atomic.Uint64) {
	stream, conn := open(t, ctx, addr)
	defer conn.Close()
	for last := uint64(0); last < upTo.Load(); {
		m, err := stream.Recv()
		if err != nil {
			t.Error(err)
			return
		}
		if m.GetGap() != nil {
			t.Errorf("a gap: %v", m.GetGap())
		}
		if b := m.GetBatch(); b != nil {
			if b.First != last+1 {
				t.Errorf("a batch begins with %d after %d", b.First, last)
			}
			last = b.Last
		}
	}
}

// benchFanOut is how late acquisition wakes while 1, 10 and 100 subscribers follow, a
// tenth of them stalled, against nobody following.
func benchFanOut(b *testing.B) {
	counts := []int{0, 1, 10, 100}
	best, heap := make([]time.Duration, len(counts)), make([]float64, len(counts))
	for i := range best {
		best[i], heap[i] = time.Hour, 1e9
	}
	for b.Loop() {
		for i, n := range counts {
			p99, mb := fanOut(b, n)
			best[i], heap[i] = min(best[i], p99), min(heap[i], mb)
		}
	}
	for i, n := range counts[1:] {
		b.ReportMetric(heap[i+1], fmt.Sprintf("heap-MB/%d-subscribers", n))
		put(b, row{key: fmt.Sprint(n), what: fmt.Sprintf("wake-up p99 of 64 channels at 50 Hz, %d subscribers, %d stalled", n, n/10), unit: "us",
			ours: best[i+1].Seconds() * 1e6, limit: best[0].Seconds() * 1e6, of: "nobody follows", allocs: none,
			budget: "p99 unchanged (within 1 ms), nothing lost, below 0.3 MB each",
			met:    best[i+1] <= best[0]+time.Millisecond && (heap[i+1]-heap[0])/float64(n) < 0.3 && !b.Failed()})
	}
}
