package cli

import (
	"io"
	"net"
	"strconv"
	"sync"

	"github.com/rogpeppe/go-internal/testscript"
)

// cmdBreaking is a line to a rig that breaks, again and again, after so many bytes from
// the rig: breaking NAME ADDRESS BYTES puts its own address into $NAME.
func cmdBreaking(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("use: breaking NAME ADDRESS BYTES")
	}
	most, err := strconv.ParseInt(args[2], 10, 64)
	ts.Check(err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { breakingLine(in, args[1], most) })
		}
	})
	ts.Defer(func() {
		_ = l.Close()
		wg.Wait()
	})
	ts.Setenv(args[0], l.Addr().String())
}

// breakingLine carries one connection until the rig has sent so many bytes.
func breakingLine(in net.Conn, address string, most int64) {
	defer func() { _ = in.Close() }()
	out, err := net.Dial("tcp", address)
	if err != nil {
		return
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_, _ = io.Copy(out, in) // ends when either side is closed
		_ = out.Close()
	}()
	_, _ = io.CopyN(in, out, most)
	_ = in.Close()
	_ = out.Close()
	<-done
}
