package remotewrite

import (
	"context"
	"net/http"
	"sync"
	"testing"
	"time"

	"soakrig/daemon/internal/remotewrite/receivertest"
	"soakrig/daemon/record"
)

// worldClock is the world's time, two hours after a boot.
type worldClock struct{ start time.Time }

func (c worldClock) Now() record.Stamp {
	now := time.Now()
	return record.Stamp{Boot: record.BootID{9}, BootNS: int64(2*time.Hour + now.Sub(c.start)), WallNS: now.UnixNano(), Synced: true}
}
func (c worldClock) SleepUntil(ctx context.Context, _ int64) error { <-ctx.Done(); return ctx.Err() }
func (c worldClock) Speed() float64                                { return 1 }

// realBench is a bench on the world's time whose journal already holds the past.
func realBench(t *testing.T, past, every time.Duration) *bench {
	b := &bench{t: t, dir: t.TempDir(), clock: worldClock{time.Now()}, layout: benchLayout(), sync: time.Second, ring: 64 << 10}
	b.open()
	b.add(b.layout)
	now := b.clock.Now()
	for i := range int64(past / every) {
		at, ago := now, int64(past)-i*int64(every)
		at.BootNS, at.WallNS = now.BootNS-ago, now.WallNS-ago
		if b.scanAt(at); i%200 == 199 { // the small memory must not overflow before the disk has it
			b.journal.Commit()
			if err := b.journal.WaitDurable(t.Context(), b.journal.State().Head); err != nil {
				t.Fatal(err)
			}
		}
	}
	return b
}

// saboteur passes requests on to a real server and does something at chosen ones.
type saboteur struct {
	mu    sync.Mutex
	n     int
	at    map[int]func() error // before the request with this number; an error stands in its place
	after map[int]error        // the request is made, but its answer is lost
}

func (s *saboteur) RoundTrip(req *http.Request) (*http.Response, error) {
	s.mu.Lock()
	s.n++
	before, lost := s.at[s.n], s.after[s.n]
	s.mu.Unlock()
	if before != nil {
		if err := before(); err != nil {
			return nil, err
		}
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err == nil && lost != nil {
		resp.Body.Close()
		return nil, lost
	}
	return resp, err
}

// finish waits, in the world's time, until everything is sent.
func (b *bench) finish(within time.Duration) {
	b.t.Helper()
	for end := time.Now().Add(within); ; time.Sleep(50 * time.Millisecond) {
		b.scan()
		if st := b.s.Stats(); st.Backlog == 0 && st.Behind < 400 {
			break
		}
		if time.Now().After(end) {
			b.t.Errorf("not everything was sent within %v: %+v", within, b.s.Stats())
			return
		}
	}
	b.settled(20 * time.Second)
}

// check compares what a server has with the journal, sample by sample.
func (b *bench) check(fault string, s *receivertest.Server, allowMissing int) {
	b.t.Helper()
	want, st := b.expected(), b.s.Stats()
	got := s.Stored()
	missing, altered, surplus := receivertest.Compare(want, got)
	for end := time.Now().Add(20 * time.Second); missing > allowMissing && time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		got = s.Stored() // a server may show a sample seconds after it has acknowledged it
		missing, altered, surplus = receivertest.Compare(want, got)
	}
	b.t.Logf("%-48s journal %6d  sent %6d  stored %6d  missing %5d  altered %d  given up %v", fault, len(want), b.sent+st.Sent, len(got), missing, altered, given(st))
	if missing != allowMissing || altered+surplus > 0 || len(want) < 1000 {
		b.t.Errorf("%s: %d missing (want %d), %d altered, %d from nowhere", fault, missing, allowMissing, altered, surplus)
	}
}

func (b *bench) sendTo(s *receivertest.Server, via http.RoundTripper, change func(*Options)) {
	b.t.Helper()
	b.send(via, func(o *Options) {
		o.URL, o.Window, o.Batch, o.Flush = s.WriteURL(), 3*time.Hour, 500, 500*time.Millisecond
		if change != nil {
			change(o)
		}
	})
}

// realServers start the receivers that labs have, with room for hours of backlog.
var realServers = map[string]func(testing.TB) *receivertest.Server{
	"prometheus":       func(t testing.TB) *receivertest.Server { return receivertest.Prometheus(t, "4h") },
	"victoria-metrics": receivertest.Victoria,
}

// An hour of backlog and live readings, while the server is killed, answers are lost,
// and the sender is stopped: every sample of the journal is in the server, unaltered.
func TestRealServersLoseNothing(t *testing.T) {
	t.Parallel() // it waits more than it works
	for name, start := range realServers {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := start(t)
			b := realBench(t, time.Hour, time.Second)
			via := &saboteur{after: map[int]error{4: errConnection, 9: errConnection}}
			restarted := make(chan struct{})
			kill := func() error {
				s.Kill()
				go func() { defer close(restarted); s.Start() }()
				return errConnection
			}
			via.at = map[int]func() error{12: kill}
			b.sendTo(s, via, nil)
			for end := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
				b.scan()
				select {
				case <-restarted:
				default:
					if time.Now().Before(end) {
						continue
					}
					t.Error("the server was never killed")
				}
				break
			}
			b.stop() // and the sender
			for range 20 {
				b.scan()
			}
			b.sendTo(s, via, nil)
			b.finish(90 * time.Second)
			b.check(name+": killed, answers lost, sender stopped", s, 0)
			b.wantNothingGivenUp()
			b.close()
		})
	}
}

// Prometheus 2.42 answers "500" for a sample older than its window; what it refuses is
// given up one by one, and everything newer is there.
func TestRealPrometheusTooOld(t *testing.T) {
	t.Parallel() // it waits more than it works
	s := receivertest.Prometheus(t, "20m")
	b := realBench(t, 150*time.Minute, 10*time.Second)
	b.sendTo(s, http.DefaultTransport, nil)
	b.finish(120 * time.Second)
	lost := 0
	for _, n := range b.s.Stats().Dropped {
		lost += int(n)
	}
	b.check("prometheus: window set wider than the server's", s, lost)
	if lost < 4*80*6 || lost > 4*132*6 || int(b.s.Stats().Dropped["refused_too_old"]) != lost {
		t.Errorf("given up: %v, want 90 minutes (it takes the newest hour of series that are new to it) to 130 (all beyond the window), all too old", given(b.s.Stats()))
	}
	b.close()
}

// A Prometheus without a window gets everything in order.
func TestRealPrometheusInOrder(t *testing.T) {
	t.Parallel() // it waits more than it works
	s := receivertest.Prometheus(t, "")
	b := realBench(t, 20*time.Minute, time.Second)
	via := &saboteur{after: map[int]error{2: errConnection, 5: errConnection}, at: map[int]func() error{4: func() error { return errConnection }}}
	b.sendTo(s, via, func(o *Options) { o.Window = 0 })
	b.finish(90 * time.Second)
	b.check("prometheus without a window, answers lost", s, 0)
	lost := given(b.s.Stats()) // it does not say "I have it already", but nothing is missing
	delete(lost, refusedRepeat.String())
	if len(lost) > 0 {
		t.Errorf("given up: %v", lost)
	}
	b.close()
}

// Old servers take protocol 2 and store nothing; the sender notices.
func TestRealServersThatKnowProtocol1Only(t *testing.T) {
	t.Parallel() // it waits more than it works
	for name, start := range realServers {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := start(t)
			b := realBench(t, 10*time.Minute, time.Second)
			b.sendTo(s, http.DefaultTransport, func(o *Options) { o.Version = 2 })
			b.finish(60 * time.Second)
			b.check(name+": asked for protocol 2", s, 0)
			b.wantNothingGivenUp()
			b.close()
		})
	}
}
