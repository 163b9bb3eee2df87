package rpc

import (
	"net"
	"sync"
	"testing"
)

// blackhole is a TCP forwarder that can stop forwarding without closing anything (no
// FIN, no RST), as a pulled cable does, and can cut every connection.
type blackhole struct {
	t      testing.TB
	lis    net.Listener
	target string

	mu    sync.Mutex
	open  *sync.Cond
	stall bool // guarded by mu
	down  bool // guarded by mu: new connections are refused
	conns map[net.Conn]bool
}

func newBlackhole(t testing.TB, target string) *blackhole {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &blackhole{t: t, lis: l, target: target, conns: map[net.Conn]bool{}}
	b.open = sync.NewCond(&b.mu)
	go b.accept()
	t.Cleanup(func() {
		l.Close()
		b.set(false, true)
		b.cut()
	})
	return b
}

func (b *blackhole) addr() string { return b.lis.Addr().String() }

// set stops or resumes forwarding, and refuses or takes new connections.
func (b *blackhole) set(stall, down bool) {
	b.mu.Lock()
	b.stall, b.down = stall, down
	b.mu.Unlock()
	b.open.Broadcast()
}

// cut closes every connection.
func (b *blackhole) cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for c := range b.conns {
		c.Close()
	}
	clear(b.conns)
}

func (b *blackhole) accept() {
	for {
		in, err := b.lis.Accept()
		if err != nil {
			return
		}
		b.mu.Lock()
		down := b.down
		b.mu.Unlock()
		if down {
			in.Close()
			continue
		}
		out, err := net.Dial("tcp", b.target)
		if err != nil {
			in.Close()
			continue
		}
		b.mu.Lock()
		b.conns[in], b.conns[out] = true, true
		b.mu.Unlock()
		go b.forward(in, out)
		go b.forward(out, in)
	}
}

func (b *blackhole) forward(to, from net.Conn) {
	buf := make([]byte, 16<<10)
	for {
		n, err := from.Read(buf)
		b.mu.Lock()
		for b.stall {
			b.open.Wait()
		}
		b.mu.Unlock()
		if n > 0 {
			if _, werr := to.Write(buf[:n]); werr != nil {
				err = werr
			}
		}
		if err != nil {
			to.Close()
			from.Close()
			return
		}
	}
}
