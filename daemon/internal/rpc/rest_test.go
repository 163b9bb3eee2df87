package rpc

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc"

	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// counted is a stream that notes when each message goes.
type counted struct {
	grpc.ServerStreamingServer[pb.TailResponse]
	ctx  context.Context
	sent []time.Time
}

func (c *counted) Context() context.Context { return c.ctx }
func (c *counted) Send(*pb.TailResponse) error {
	c.sent = append(c.sent, time.Now())
	return nil
}

// TestBurstsGoTogether: eight sources whose samples come a tenth of a millisecond apart,
// fifty times a second, cost a subscriber one message a tick, and a sample that comes
// alone is not held back.
func TestBurstsGoTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		var err error
		if f.srv, err = New(f.opts); err != nil {
			t.Fatal(err)
		}
		f.journal.append(f.clock.Now(), f.layout)
		ctx, cancel := context.WithCancel(t.Context())
		stream := &counted{ctx: ctx}
		s := &samples{Server: f.srv}
		ended := make(chan error, 1)
		go func() { ended <- s.Tail(&pb.TailRequest{HeartbeatS: 60}, stream) }()
		put := func() {
			f.journal.append(f.clock.Now(), &record.Sample{Layout: f.layout.ID, Source: 1, Raw: []record.Raw{{Has: record.HasCode}}})
		}
		synctest.Wait()
		time.Sleep(time.Second)
		put()
		synctest.Wait()
		if len(stream.sent) != 2 || time.Since(stream.sent[1]) != 0 { // the hello, and it
			t.Errorf("a sample alone went %d messages after the hello", len(stream.sent)-1)
		}
		time.Sleep(time.Second)
		before := len(stream.sent)
		for range 50 {
			for range 8 {
				put()
				time.Sleep(100 * time.Microsecond)
			}
			time.Sleep(20*time.Millisecond - 800*time.Microsecond)
		}
		synctest.Wait()
		if n := len(stream.sent) - before; n > 52 || n < 25 {
			t.Errorf("400 samples in fifty bursts went in %d messages", n)
		}
		cancel()
		<-ended
		if head, _ := f.journal.Head(); head != 402 {
			t.Errorf("%d entries", head)
		}
		f.srv.stop(errStopping)
		f.srv.grpc.Stop()
	})
}
