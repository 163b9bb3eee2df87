package rpc

import (
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "soakrig/proto/soakrig/v1"
)

func TestLimitsOnConnectionsAndCalls(t *testing.T) {
	noLeaks(t)
	f := newFixture(t)
	f.opts.Limits = Limits{Connections: 3, Calls: 4, StreamsPerConn: 64, RequestsPerSecond: 1e5}
	f.start()
	f.fill(1)
	var conns []net.Conn
	for range 5 {
		c, err := net.Dial("tcp", f.addr)
		if err != nil {
			t.Fatal(err)
		}
		conns = append(conns, c)
	}
	open := 0
	for _, c := range conns { // a server says its settings first; the refused ones are closed
		if err := c.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		if n, _ := c.Read(make([]byte, 1)); n == 1 {
			open++
		}
		defer c.Close()
	}
	if open != 3 {
		t.Errorf("%d of 5 connections were taken, want 3", open)
	}
	for _, c := range conns {
		c.Close()
	}
	eventually(t, 10*time.Second, "closed connections to count no more", func() bool { return f.openConns() == 0 })
	conn := f.conn()
	for n := range 5 {
		stream, err := pb.NewSampleServiceClient(conn).Tail(t.Context(), &pb.TailRequest{})
		if err != nil {
			t.Fatal(err)
		}
		_, err = stream.Recv()
		if n < 4 && err != nil {
			t.Fatalf("call %d: %v", n, err)
		}
		if n == 4 {
			checkStatus(t, err, codes.ResourceExhausted, reasonTooManyCalls, "close streams")
		}
	}
}

func (f *fixture) openConns() int {
	f.srv.guard.mu.Lock()
	defer f.srv.guard.mu.Unlock()
	return len(f.srv.guard.conns)
}

func TestLargeMessagesAreRefused(t *testing.T) {
	f := newFixture(t).start()
	_, err := pb.NewRunServiceClient(f.conn()).Mark(t.Context(), &pb.MarkRequest{Text: strings.Repeat("x", 2<<20)})
	if status.Code(err) != codes.ResourceExhausted || !strings.Contains(err.Error(), "larger than max") {
		t.Errorf("%v", err)
	}
	// A small message that unpacks to a large one, too.
	_, err = pb.NewRunServiceClient(f.conn(grpc.WithDefaultCallOptions(grpc.UseCompressor("gzip")))).Mark(t.Context(), &pb.MarkRequest{Text: strings.Repeat("x", 64<<20)})
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("%v", err)
	}
}

func TestUnknownHostsAreForgotten(t *testing.T) {
	f := newFixture(t)
	g := newGuard(Limits{Connections: 10, RequestsPerSecond: 1, DeniedPerSecond: 1}, f.opts.Log)
	for i := range 5 * maxHosts {
		a, b := net.Pipe()
		c := g.admit(fakeAddr{a, fmt.Sprintf("10.0.%d.%d:1", i/256, i%256)})
		g.mu.Lock()
		g.hosts[c.host].denied.AllowN(time.Now(), 3) // so that it is remembered
		g.mu.Unlock()
		c.Close()
		b.Close()
	}
	if len(g.hosts) > maxHosts {
		t.Errorf("%d hosts are remembered", len(g.hosts))
	}
}

type fakeAddr struct {
	net.Conn
	from string
}

func (f fakeAddr) RemoteAddr() net.Addr { return fakeName(f.from) }

type fakeName string

func (fakeName) Network() string { return "tcp" }

func (n fakeName) String() string { return string(n) }
