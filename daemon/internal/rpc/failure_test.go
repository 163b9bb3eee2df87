package rpc

import (
	"context"
	"errors"
	"net"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/net/http2"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"soakrig/client"
	pb "soakrig/proto/soakrig/v1"
)

// The failures are numbered as in the list of field failures that the project keeps:
// C for gRPC, D for the daemon. Each line names what was seen elsewhere.

// C5, C9, C10: a slow subscriber was buffered without bound, or came back half dead.
func TestC5C9C10ASlowSubscriberCostsNothingAndMissesNothing(t *testing.T) {
	f := newFixture(t).start()
	f.fill(1)
	stream := openTail(t, f)
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	const n = 100000
	for range n {
		f.wall(5)
	}
	held := len(f.journal.entries)
	runtime.GC()
	runtime.ReadMemStats(&after)
	// The journal in memory holds n entries of some 250 bytes; the subscriber must not.
	if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > int64(held)*400 {
		t.Errorf("heap grew by %d bytes for %d entries", grown, held)
	}
	if lag := f.srv.Streams()[0].Lag; lag < n/2 {
		t.Errorf("lag %d: the stream should be stuck", lag)
	}
	next := uint64(1)
	for next <= uint64(held) {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		b := m.GetBatch()
		if b == nil || b.First != next {
			t.Fatalf("got %v, want a batch from %d", m, next)
		}
		if b.Head < b.Last {
			t.Errorf("head %d before last %d", b.Head, b.Last)
		}
		next = b.Last + 1
	}
}

// C6, C7, C8: one slow subscriber held all others, the producer, or the clean-up.
func TestC6C7C8AHundredSubscribers(t *testing.T) {
	if testing.Short() {
		t.Log("short: with a tenth of the entries")
	}
	noLeaks(t)
	f := newFixture(t)
	f.opts.keepaliveTime = 4 * time.Second // long enough for a busy machine to answer
	f.start()
	f.fill(10)
	hole := newBlackhole(t, f.addr)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	const healthy, stalled, gone = 85, 10, 5
	n := 3000
	if testing.Short() {
		n = 500
	}
	last := uint64(12 + n)
	var ready, finished sync.WaitGroup
	var wrong atomic.Int64
	for range healthy {
		ready.Add(1)
		finished.Go(func() { // every one of them sees every sequence
			c := f.client()
			next, once := uint64(1), sync.Once{}
			_, err := c.Tail(ctx, client.Cursor{Next: 1}, client.TailOptions{}, func(e *client.Event) error {
				once.Do(ready.Done)
				if e.Seq != next && e.Seq != next+1 { // the layout is no event
					wrong.Add(1)
				}
				if next = e.Seq + 1; e.Seq >= last {
					return errEnough
				}
				return nil
			})
			if !errors.Is(err, errEnough) {
				t.Errorf("tail: %v", err)
			}
		})
	}
	produce := func() (p99 time.Duration) {
		took := make([]time.Duration, n/2)
		for i := range took {
			begin := time.Now()
			f.sample(77)
			took[i] = time.Since(begin)
		}
		slices.Sort(took)
		return took[len(took)*99/100]
	}
	ready.Wait()
	alone := produce() // with healthy subscribers only
	for i := range stalled + gone {
		addr := f.addr
		if i >= stalled {
			addr = hole.addr()
		}
		g := *f
		g.addr = addr
		openTail(t, &g)
	}
	hole.set(true, true)
	crowded := produce()
	t.Logf("p99 of one append: %v, with %d stalled and %d vanished subscribers %v", alone, stalled, gone, crowded)
	for f.journal.State().Head < last {
		f.wall(1)
	}
	finished.Wait()
	if wrong.Load() > 0 {
		t.Errorf("%d sequences out of order", wrong.Load())
	}
	// Those that nobody reads lag, but for one whose client was too busy to answer a ping.
	eventually(t, time.Minute, "only streams that nobody reads to be left, all behind", func() bool {
		streams := f.srv.Streams()
		return len(streams) <= stalled+gone && (testing.Short() || !slices.ContainsFunc(streams, func(s Stream) bool { return s.Lag == 0 }))
	})
	// A producer that waits for a subscriber that does not read would not be here. How
	// long an append takes is a benchmark's business: daemon/speed.
	// Those behind the blackhole are gone by keepalive, without anybody closing.
	eventually(t, 2*time.Minute, "the streams behind the blackhole to end", func() bool { return len(f.srv.Streams()) <= stalled })
}

// C11: handlers stayed when clients vanished without a FIN.
func TestC11VanishedClientsAreNoticed(t *testing.T) {
	noLeaks(t)
	f := newFixture(t)
	f.opts.keepaliveTime = time.Second
	f.start()
	f.fill(3)
	hole := newBlackhole(t, f.addr)
	g := *f
	g.addr = hole.addr()
	openTail(t, &g)
	hole.set(true, false)
	begin := time.Now()
	eventually(t, 15*time.Second, "the handler to end", func() bool { return len(f.srv.Streams()) == 0 })
	t.Logf("gone after %v with a keepalive of 1 s", time.Since(begin))
}

// C12: clients that ping every 10 s, as is usual, were thrown out.
func TestC12PingsOfOrdinaryClientsAreAllowed(t *testing.T) {
	f := newFixture(t)
	f.opts.keepaliveTime = 1200 * time.Millisecond // pings may come each 300 ms; 5 s in the field
	f.start()
	for _, c := range []struct {
		every time.Duration
		out   bool
	}{{400 * time.Millisecond, false}, {20 * time.Millisecond, true}} {
		conn, err := net.Dial("tcp", f.addr)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Write([]byte(http2.ClientPreface)); err != nil {
			t.Fatal(err)
		}
		fr := http2.NewFramer(conn, conn)
		if err := fr.WriteSettings(); err != nil {
			t.Fatal(err)
		}
		away := make(chan string, 1)
		go func() {
			defer close(away)
			for {
				frame, err := fr.ReadFrame()
				if err != nil {
					return
				}
				if g, ok := frame.(*http2.GoAwayFrame); ok {
					away <- string(g.DebugData())
					return
				}
			}
		}()
		tick := time.NewTicker(c.every)
		var reason string
		for pings := 0; pings < 6 && reason == ""; pings++ {
			select {
			case reason = <-away:
			case <-tick.C:
				if err := fr.WritePing(false, [8]byte{byte(pings)}); err != nil {
					t.Logf("ping %d: %v", pings, err) // thrown out; the frame says why
				}
			}
		}
		if c.out {
			if reason == "" {
				reason = <-away
			}
			if reason != "too_many_pings" {
				t.Errorf("pings each %v: %q, want too_many_pings", c.every, reason)
			}
		} else if reason != "" {
			t.Errorf("pings each %v: thrown out: %q", c.every, reason)
		}
		tick.Stop()
		conn.Close()
	}
}

// C13: a connection that is ended by age or by a box on the way costs nothing but a
// reconnect. C18: a cut between hello and first sample must not lose the place.
func TestC13C18CutsLoseNothing(t *testing.T) {
	noLeaks(t)
	f := newFixture(t).start()
	f.fill(5)
	hole := newBlackhole(t, f.addr)
	c, err := client.Dial(t.Context(), hole.addr(), client.Options{Lazy: true})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	first := f.journal.State().Head + 1 // the stream is live: this is what it owes us
	said := make(chan client.Link, 100)
	got := make(chan uint64, 10000)
	ctx, cancel := context.WithCancel(soon(t))
	ended := make(chan error, 1)
	go func() {
		_, err := c.Tail(ctx, client.Cursor{}, client.TailOptions{Heartbeat: time.Second, Link: func(l client.Link) {
			select {
			case said <- l:
			default:
			}
		}}, func(e *client.Event) error {
			got <- e.Seq
			return nil
		})
		ended <- err
	}()
	for !(<-said).Connected {
	}
	hole.cut() // after the hello, before any sample
	next := first
	for round := range 20 {
		for range 50 {
			f.wall(1)
		}
		for range 50 {
			if seq := <-got; seq != next {
				t.Fatalf("round %d: got %d, want %d", round, seq, next)
			}
			next++
		}
		hole.cut()
	}
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if len(got) > 0 {
		t.Errorf("%d events twice", len(got))
	}
}

// C14: a history answer above 4 MiB failed at the client, as if the server were busy.
func TestC14PagesStayBelowWhatClientsTake(t *testing.T) {
	f := newFixture(t).start()
	f.fill(1)
	for range 30000 {
		f.sample(12345)
	}
	page, err := pb.NewSampleServiceClient(f.conn()).Read(t.Context(), &pb.ReadRequest{PageSize: 300000})
	if err != nil || len(page.Batch.Samples) > maxPage || page.NextPageToken == "" {
		t.Fatalf("%d samples, %v", len(page.GetBatch().GetSamples()), err)
	}
}

// C16: reflection was off, or refused by the authentication.
func TestC16Reflection(t *testing.T) {
	f := newFixture(t).start()
	if names, err := services(f); err != nil || !strings.Contains(names, "soakrig.v1.SampleService") || !strings.Contains(names, "grpc.health.v1.Health") {
		t.Errorf("%q, %v", names, err)
	}
	g := newFixture(t)
	g.opts.NoReflection = true
	g.start()
	if _, err := services(g); status.Code(err) != codes.Unimplemented {
		t.Errorf("switched off: %v", err)
	}
}

// C19: a cursor beyond the end was answered with everything once more.
func TestC19ForeignCursorsAreToldApart(t *testing.T) {
	f := newFixture(t).start()
	f.fill(5)
	c := f.client()
	never := func(*client.Event) error { return errEnough }
	if _, err := c.Tail(t.Context(), client.Cursor{Journal: "j1", Next: 1000}, client.TailOptions{}, never); !errors.Is(err, client.ErrBeyondHead) {
		t.Errorf("beyond: %v", err)
	}
	cur, err := c.Tail(t.Context(), client.Cursor{Journal: "j0", Next: 3}, client.TailOptions{}, never)
	if !errors.Is(err, client.ErrJournalChanged) || cur.Next != 3 {
		t.Errorf("replaced: %v, cursor %+v", err, cur)
	}
	var e *client.Error
	if errors.As(err, &e); e.Meta["journal_id"] != "j1" || e.Meta["oldest_sequence"] != "1" || e.Meta["head_sequence"] != "7" {
		t.Errorf("details %v", e.Meta)
	}
	if _, err := c.Read(t.Context(), client.Range{From: 1000}, never); !errors.Is(err, client.ErrBeyondHead) {
		t.Errorf("read: %v", err)
	}
}

// C22: a client waited for ever on a half-dead stream.
func TestC22ClientsNoticeSilence(t *testing.T) {
	noLeaks(t)
	f := newFixture(t).start()
	f.fill(5)
	hole := newBlackhole(t, f.addr)
	c, err := client.Dial(t.Context(), hole.addr(), client.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	links := make(chan client.Link, 1000)
	got := make(chan uint64, 1000)
	ctx, cancel := context.WithCancel(soon(t))
	ended := make(chan error, 1)
	go func() {
		_, err := c.Tail(ctx, client.Cursor{Next: 1}, client.TailOptions{Heartbeat: time.Second, Link: func(l client.Link) { links <- l }},
			func(e *client.Event) error { got <- e.Seq; return nil })
		ended <- err
	}()
	want := uint64(2)
	expect := func(upTo uint64) {
		for ; want <= upTo; want++ {
			if seq := <-got; seq != want {
				t.Fatalf("got %d, want %d", seq, want)
			}
		}
	}
	expect(f.journal.State().Head)
	hole.set(true, false)
	begin := time.Now()
	f.wall(1)
	for l := range links {
		if !l.Connected {
			if !errors.Is(l.Err, client.ErrUnreachable) || !strings.Contains(l.Err.Error(), "not even a heartbeat") {
				t.Errorf("lost: %v", l.Err)
			}
			break
		}
	}
	if d := time.Since(begin); d < 2*time.Second {
		t.Errorf("given up after %v, want three heartbeats of 1 s", d)
	}
	hole.cut()
	hole.set(false, false)
	f.wall(1)
	expect(f.journal.State().Head)
	cancel()
	<-ended
}

// C22 again: a rig that stays away is given up when the caller wants that.
func TestTailGivesUpAfterAnOutage(t *testing.T) {
	f := newFixture(t).start()
	f.fill(2)
	c := f.client()
	ended := make(chan error, 1)
	connected := make(chan bool, 100)
	go func() {
		_, err := c.Tail(t.Context(), client.Cursor{Next: 1}, client.TailOptions{Outage: 500 * time.Millisecond, Link: func(l client.Link) { connected <- l.Connected }}, func(*client.Event) error { return nil })
		ended <- err
	}()
	<-connected
	f.stop()
	if err := <-ended; !errors.Is(err, client.ErrUnreachable) {
		t.Error(err)
	}
}

// D4: lines about every event drowned the important ones.
func TestD4RepeatedWarningsAreCounted(t *testing.T) {
	f := newFixture(t)
	f.opts.Security.TokenFile, _, _ = tokens(t)
	f.opts.Limits.DeniedPerSecond = 0.01
	f.start()
	c := pb.NewRigServiceClient(f.conn())
	var last error
	for range 500 {
		_, last = c.Describe(t.Context(), &pb.DescribeRequest{})
	}
	checkStatus(t, last, codes.ResourceExhausted, reasonTooMany, "without valid credentials")
	if lines := strings.Count(f.logged.String(), "call refused"); lines != 1 {
		t.Errorf("%d lines: %s", lines, f.logged)
	}
}
