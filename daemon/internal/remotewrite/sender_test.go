package remotewrite

import (
	"context"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/daemon/internal/remotewrite/receivertest"
	"soakrig/daemon/record"
)

// bubble runs a test in bubble time.
func bubble(t *testing.T, f func(t *testing.T, b *bench)) {
	synctest.Test(t, func(t *testing.T) { f(t, newBench(t)) })
}

func TestEverySampleArrives(t *testing.T) {
	for _, version := range []int{1, 2} {
		bubble(t, func(t *testing.T, b *bench) {
			r := &receiver{}
			if version == 2 {
				r.answer = func(request) reply {
					return reply{code: 204, header: map[string]string{"X-Prometheus-Remote-Write-Samples-Written": "1"}}
				}
			}
			b.send(r, func(o *Options) { o.Version, o.Headers = version, map[string]string{"Authorization": "Bearer x"} })
			b.write(time.Second, 10*time.Minute)
			b.settled(time.Minute)
			b.close()
			b.wantAllClosed(r)
			if r.again > 0 {
				t.Errorf("%d samples were sent twice", r.again)
			}
			h := r.requests[0].header
			if got := r.requests[0].version; got != version {
				t.Errorf("protocol %d, want %d", got, version)
			}
			for k, v := range map[string]string{"Content-Encoding": "snappy", "Authorization": "Bearer x", "User-Agent": "soakd"} {
				if h.Get(k) != v {
					t.Errorf("%s: %q, want %q", k, h.Get(k), v)
				}
			}
		})
	}
}

// wantAllClosed is wantAll after close.
func (b *bench) wantAllClosed(r *receiver) {
	b.t.Helper()
	b.open()
	b.wantAll(r)
	if err := b.journal.Close(); err != nil {
		b.t.Error(err)
	}
}

// A receiver that is away for hours: afterwards nothing is missing, and the newest
// value was not late while the backlog was sent.
func TestReceiverAway(t *testing.T) {
	for name, c := range map[string]struct {
		down   reply
		length time.Duration
		ring   int
	}{
		"no connection": {reply{code: -1}, 8 * time.Hour, 128 << 10}, // most of it comes back from the disk
		"503":           {reply{code: 503, text: "starting"}, time.Hour, 0},
		"500":           {reply{code: 500, text: "disk full"}, time.Hour, 0},
		"401":           {reply{code: 401, text: "no credentials"}, time.Hour, 0},
		"404":           {reply{code: 404, text: "no such path"}, time.Hour, 0},
		"timeout":       {reply{code: 204, after: time.Hour}, time.Hour, 0},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBenchOf(t, c.ring)
				var away, slow atomic.Bool
				r := &receiver{}
				r.answer = func(got request) reply {
					if away.Load() {
						return c.down
					}
					if slow.Load() {
						return reply{code: 204, after: 200 * time.Millisecond}
					}
					return reply{code: 204}
				}
				b.send(r, func(o *Options) { o.Batch = 100 })
				b.write(10*time.Second, 10*time.Minute)
				away.Store(true)
				b.write(10*time.Second, c.length)
				if b.s.Stats().Up {
					t.Error("the receiver counts as up")
				}
				slow.Store(true)
				away.Store(false)
				b.write(time.Second, 2*time.Minute) // to be found again: a request that times out, and the longest wait
				found := time.Now()
				b.write(time.Second, 4*time.Minute)
				late := r.liveAge(found, time.Now())
				t.Logf("away for %v: while the backlog was sent, the newest value at the receiver was at most %v old", c.length, late)
				if late > 10*time.Second { // of the bubble's time
					t.Errorf("the newest value at the receiver was %v old, want live ones", late)
				}
				b.settled(10 * time.Minute)
				b.wantAll(r)
				b.wantNothingGivenUp()
				b.close()
			})
		})
	}
}

func (b *bench) wantNothingGivenUp() {
	b.t.Helper()
	if lost := given(b.s.Stats()); len(lost) > 0 {
		b.t.Errorf("given up: %v", lost)
	}
}

// What is older than the receiver's window is not sent, but counted; the rest arrives.
func TestOlderThanTheWindow(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		var away atomic.Bool
		away.Store(true)
		r := &receiver{}
		r.answer = func(request) reply {
			if away.Load() {
				return reply{code: -1}
			}
			return reply{code: 204}
		}
		b.send(r, func(o *Options) { o.Window = 2 * time.Hour })
		b.write(10*time.Second, 8*time.Hour)
		away.Store(false)
		b.settled(time.Hour)
		want := b.expected()
		missing, altered, _ := receivertest.Compare(want, r.all())
		lost := b.s.Stats().Dropped["older_than_window"]
		if altered != 0 || uint64(missing) != lost || lost < 8640-100 || lost > 8640+100 {
			t.Errorf("missing %d, altered %d, counted as too old %d; want about 8640 = 6 h, all counted", missing, altered, lost)
		}
		b.close()
	})
}

// One sample that the receiver will never take costs that sample alone, whatever the
// receiver says.
func TestCulpritStandsAlone(t *testing.T) {
	for name, c := range map[string]struct {
		bad    reply
		reason string
	}{
		"400":                {reply{code: 400, text: "duplicate sample for timestamp"}, "refused_duplicate"},
		"400 without reason": {reply{code: 400, text: "no"}, "refused_other"},
		"422":                {reply{code: 422, text: "out of order sample"}, "refused_out_of_order"},
		"400 in the future":  {reply{code: 400, text: "too far in the future"}, "refused_future"},
		"500 too old":        {reply{code: 500, text: "too old sample"}, "refused_too_old"},
		"500 without reason": {reply{code: 500, text: "oops"}, "server_error"},
		"413":                {reply{code: 413, text: "too large"}, "too_large"},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, b *bench) {
				var culprit point
				r := &receiver{}
				r.answer = func(got request) reply {
					if culprit.Series == "" && len(got.points) > 20 {
						culprit = got.points[7]
					}
					if slices.Contains(got.points, culprit) {
						return c.bad
					}
					return reply{code: 204}
				}
				b.send(r, nil)
				b.write(100*time.Millisecond, 5*time.Minute)
				b.settled(10 * time.Minute)
				missing, altered, surplus := receivertest.Compare(b.expected(), r.all())
				if lost := given(b.s.Stats()); missing != 1 || altered+surplus != 0 || lost[c.reason] != 1 || len(lost) != 1 {
					t.Errorf("missing %d, altered %d, surplus %d, given up %v; want one, for %s", missing, altered, surplus, lost, c.reason)
				}
				b.close()
			})
		})
	}
}

// A receiver that throws away everything older than an hour with a bare "500" does not
// hold up the rest: what it refuses is given up, and the newer backlog arrives.
func TestBare500ForOldSamples(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		var away atomic.Bool
		away.Store(true)
		r := &receiver{}
		r.answer = func(got request) reply {
			if away.Load() {
				return reply{code: -1}
			}
			for _, p := range got.points {
				if p.MS < got.at.Add(-time.Hour).UnixMilli() {
					return reply{code: 500, text: "internal error"}
				}
			}
			return reply{code: 204}
		}
		b.send(r, func(o *Options) { o.Window = 5 * time.Hour }) // set too wide
		b.write(30*time.Second, 2*time.Hour)
		away.Store(false)
		b.write(time.Second, 20*time.Minute)
		b.settled(30 * time.Minute)
		want := b.expected()
		missing, altered, _ := receivertest.Compare(want, r.all())
		if lost := b.s.Stats().Dropped["server_error"]; altered > 0 || uint64(missing) != lost || lost == 0 || missing > len(want)/2 {
			t.Errorf("missing %d of %d, counted %d", missing, len(want), lost)
		}
		b.close()
	})
}

// A busy receiver says when to come back; nobody comes before.
func TestRetryAfter(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		var until time.Time
		n := 0
		r := &receiver{}
		r.answer = func(got request) reply {
			if n++; n == 5 {
				until = got.at.Add(40 * time.Second)
				return reply{code: 429, header: map[string]string{"Retry-After": "40"}}
			}
			return reply{code: 204}
		}
		b.send(r, func(o *Options) { o.Window = 0 })
		b.write(time.Second, 5*time.Minute)
		b.settled(time.Minute)
		for i, got := range r.requests {
			if i >= 5 && got.at.Before(until) {
				t.Errorf("request %d came %v early", i, until.Sub(got.at))
			}
		}
		b.wantAll(r)
		b.wantNothingGivenUp()
		b.close()
	})
}

// A receiver that takes thirty seconds to answer costs a bounded memory; live readings
// stay live, and nothing is lost once it is quicker.
func TestSlowReceiver(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		var slow atomic.Bool
		slow.Store(true)
		r := &receiver{}
		r.answer = func(got request) reply {
			if slow.Load() {
				return reply{code: 204, after: 30 * time.Second}
			}
			return reply{code: 204}
		}
		b.send(r, nil)
		most := int64(0)
		for range 3600 {
			b.scan()
			time.Sleep(time.Second)
			most = max(most, b.s.Stats().InFlight)
		}
		if limit := int64(2 * 2 * 500 * 40); most == 0 || most > limit {
			t.Errorf("%d bytes in flight, want at most %d: one batch of each lane", most, limit)
		}
		newest := int64(0)
		for p := range r.all() {
			newest = max(newest, p.MS)
		}
		if age := time.Now().UnixMilli() - newest; age > 75_000 {
			t.Errorf("the newest reading at the receiver is %d ms old, want live ones: two requests' time", age)
		}
		slow.Store(false)
		b.settled(30 * time.Minute)
		b.wantAll(r)
		b.wantNothingGivenUp()
		b.close()
	})
}

// A receiver that does not know protocol 2 gets protocol 1, whether it says so or
// takes the message and stores nothing.
func TestFallBackToProtocol1(t *testing.T) {
	for name, old := range map[string]reply{"415": {code: 415}, "2xx that stores nothing": {code: 204}} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, b *bench) {
				r := &receiver{}
				r.answer = func(got request) reply {
					if got.version == 2 {
						return old
					}
					return reply{code: 204}
				}
				forgetful := &forgetful{r}
				b.send(forgetful, func(o *Options) { o.Version = 2 })
				b.write(time.Second, 2*time.Minute)
				b.settled(time.Minute)
				b.wantAll(r)
				b.wantNothingGivenUp()
				if twos := slices.IndexFunc(r.requests, func(q request) bool { return q.version == 2 }); twos >= 0 && slices.ContainsFunc(r.requests[1:], func(q request) bool { return q.version == 2 }) {
					t.Error("protocol 2 was tried again")
				}
				if v := b.s.Stats().Version; v != 1 {
					t.Errorf("protocol %d is in use", v)
				}
				b.close()
			})
		})
	}
}

// forgetful stores nothing of protocol 2, whatever it answers.
type forgetful struct{ r *receiver }

func (f *forgetful) RoundTrip(req *http.Request) (*http.Response, error) {
	resp, err := f.r.RoundTrip(req)
	if strings.Contains(req.Header.Get("Content-Type"), "write.v2") {
		f.r.mu.Lock()
		clear(f.r.stored)
		f.r.order, f.r.again = nil, 0
		f.r.mu.Unlock()
	}
	return resp, err
}

// A sender that is killed in mid-backlog goes on where it was: at most one batch of
// each lane is sent twice.
func TestKilledInTheBacklog(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		var away atomic.Bool
		away.Store(true)
		r := &receiver{}
		r.answer = func(request) reply {
			if away.Load() {
				return reply{code: -1}
			}
			return reply{code: 204, after: time.Second}
		}
		b.send(r, nil)
		b.write(time.Second, time.Hour)
		away.Store(false)
		for range 4 {
			b.write(time.Second, 9*time.Second)
			old, err := os.ReadFile(b.s.cursor.path)
			if err != nil {
				t.Fatal(err)
			}
			b.write(time.Second, time.Second)
			b.stop()
			if err := os.WriteFile(b.s.cursor.path, old, 0o600); err != nil { // as a kill a second ago would have left it
				t.Fatal(err)
			}
			b.send(r, nil)
		}
		b.settled(10 * time.Minute)
		b.wantAll(r)
		b.wantNothingGivenUp()
		if most := 4 * 2 * 2 * 500; r.again > most {
			t.Errorf("%d samples were sent twice, want at most %d", r.again, most)
		}
		b.close()
	})
}

// To a receiver without a window everything goes in order, before and after an outage.
func TestInOrder(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		n := 0
		r := &receiver{}
		r.answer = func(request) reply {
			if n++; n%7 == 3 {
				return reply{code: 500}
			}
			if n > 20 && n < 40 {
				return reply{code: -1}
			}
			return reply{code: 204}
		}
		b.send(r, func(o *Options) { o.Window = 0 })
		b.write(time.Second, time.Hour)
		b.settled(10 * time.Minute)
		b.wantAll(r)
		b.wantNothingGivenUp()
		last := map[string]int64{}
		for _, p := range r.order {
			if p.MS < last[p.Series] {
				t.Fatalf("%s went back from %d to %d", p.Series, last[p.Series], p.MS)
			}
			last[p.Series] = p.MS
		}
		b.close()
	})
}

// In order, a batch that a receiver answers with "500" for ten minutes is given up, so
// that the queue moves on; what is lost is counted.
func TestInOrderGivesUpIn500(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		var culprit point
		r := &receiver{}
		r.answer = func(got request) reply {
			if culprit.Series == "" && len(got.points) > 3 {
				culprit = got.points[2]
			}
			if slices.Contains(got.points, culprit) {
				return reply{code: 500}
			}
			return reply{code: 204}
		}
		b.send(r, func(o *Options) { o.Window = 0 })
		b.write(time.Second, 30*time.Minute)
		b.settled(10 * time.Minute)
		missing, _, _ := receivertest.Compare(b.expected(), r.all())
		if lost := given(b.s.Stats()); missing != 1 || lost["server_error"] != 1 {
			t.Errorf("missing %d, given up %v, want one", missing, lost)
		}
		b.close()
	})
}

// A fault ends the series at its instant; it never has a value.
func TestFaultEndsTheSeries(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		r := &receiver{}
		b.send(r, nil)
		b.write(time.Second, 10*time.Second)
		fault := b.clock.Now().WallNS / 1e6
		for range 5 {
			b.add(&record.Sample{Layout: 7, Source: 0, Raw: []record.Raw{{Faults: record.Open, Has: record.HasCode, Code: 1}, {Has: record.HasCode, Code: 2000}}})
			time.Sleep(time.Second)
		}
		b.write(time.Second, 10*time.Second)
		b.settled(time.Minute)
		end := point{Series: `soakrig_sample_temperature_celsius{channel="vr1",job="soakd",rig="bench-2",role="probe"}`, MS: fault}
		want := b.expected()
		want[end] = staleBits
		missing, altered, surplus := receivertest.Compare(want, r.all())
		if missing+altered+surplus > 0 {
			t.Errorf("missing %d, altered %d, surplus %d; the end: %x", missing, altered, surplus, r.all()[end])
		}
		b.close()
	})
}

// stepClock is a clock whose wall time is wrong until it is synchronised.
type stepClock struct {
	stepNS atomic.Int64
	synced atomic.Bool
	start  time.Time
}

func (c *stepClock) Now() record.Stamp {
	now := time.Now()
	return record.Stamp{Boot: record.BootID{9}, BootNS: int64(now.Sub(c.start)), WallNS: now.UnixNano() + c.stepNS.Load(), Synced: c.synced.Load()}
}
func (c *stepClock) SleepUntil(ctx context.Context, _ int64) error { return ctx.Err() }
func (c *stepClock) Speed() float64                                { return 1 }

// A board that boots three days behind: the first request waits for the clock, and
// what was measured before gets the time that it turned out to have.
func TestClockThatIsSetLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := &stepClock{start: time.Now()}
		clock.stepNS.Store(-int64(72 * time.Hour))
		b := &bench{t: t, dir: quickDir(t), clock: clock, layout: benchLayout()}
		b.open()
		b.add(b.layout)
		began := time.Now()
		r := &receiver{}
		b.send(r, nil)
		b.write(time.Second, 45*time.Second)
		if len(r.requests) > 0 {
			t.Error("a request was made with the wrong time")
		}
		clock.stepNS.Store(0)
		clock.synced.Store(true)
		b.write(time.Second, 45*time.Second)
		b.settled(time.Minute)
		for p := range r.all() {
			if at := time.UnixMilli(p.MS); at.Before(began.Add(-time.Second)) || at.After(time.Now()) {
				t.Fatalf("a sample has the time %v, want between %v and now", at, began)
			}
		}
		if n := len(r.all()); n != 4*90 {
			t.Errorf("%d samples are stored, want %d", n, 4*90)
		}
		b.close()
	})
}

// A board whose clock is never set sends after a bounded wait.
func TestClockThatIsNeverSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &bench{t: t, dir: quickDir(t), clock: &stepClock{start: time.Now()}, layout: benchLayout()}
		b.open()
		b.add(b.layout)
		r := &receiver{}
		began := time.Now()
		b.send(r, nil)
		b.write(time.Second, 4*time.Minute)
		b.settled(time.Minute)
		b.wantAll(r)
		if wait := r.requests[0].at.Sub(began); wait < 2*time.Minute || wait > 3*time.Minute {
			t.Errorf("the first request came after %v, want after two minutes", wait)
		}
		b.close()
	})
}

// A cold junction that is another channel is known from the first sample that is sent,
// also where a lane begins in the middle of the journal.
func TestColdJunctionElsewhere(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		l := benchLayout()
		l.ID = 8
		l.Channels[0].Couple, l.Channels[0].Converter = "K", record.Converter{Model: "ADC", Law: record.LawEMF, PerCode: 1e-6}
		l.Channels[0].Cold = record.ColdJunction{From: "channel", Channel: "vr2"}
		l.Sources = append(l.Sources[:0:0], record.Source{Name: "a", EveryNS: 1e9, Channels: []int{1}}, record.Source{Name: "b", EveryNS: 1e9, Channels: []int{0}}, record.Source{Name: "c", EveryNS: 1e9, Channels: []int{2, 3}})
		b.layout = l
		b.add(l)
		var away atomic.Bool
		r := &receiver{answer: func(request) reply {
			if away.Load() {
				return reply{code: -1}
			}
			return reply{code: 204}
		}}
		b.send(r, nil)
		for i := range 900 {
			away.Store(i > 200 && i < 600)
			if i%30 == 0 { // the block's sensor is read rarely
				b.add(&record.Sample{Layout: 8, Source: 0, Raw: []record.Raw{{Has: record.HasCode, Code: 3000 + int64(i)}}})
			}
			b.add(&record.Sample{Layout: 8, Source: 1, Raw: []record.Raw{{Has: record.HasCode, Code: 3000}}})
			time.Sleep(time.Second)
		}
		b.settled(10 * time.Minute)
		b.wantAll(r)
		b.close()
	})
}

// forget drops what was stored lately, as a server does that is killed before its disk
// has it.
func (r *receiver) forget(within time.Duration) (n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, q := range r.requests {
		if time.Since(q.at) > within {
			continue
		}
		for _, p := range q.points {
			if _, ok := r.stored[p]; ok {
				delete(r.stored, p)
				n++
			}
		}
	}
	return n
}

// A receiver that is killed forgets seconds that it has acknowledged; they are sent
// again once it is back: live ones, those of a backlog, and when the sender was killed
// with it.
func TestReceiverForgets(t *testing.T) {
	for name, backlog := range map[string]bool{"live": false, "in the backlog": true} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, b *bench) {
				var away atomic.Bool
				away.Store(backlog)
				r := &receiver{answer: func(request) reply {
					if away.Load() {
						return reply{code: -1}
					}
					return reply{code: 204, after: 100 * time.Millisecond}
				}}
				b.send(r, nil)
				b.write(time.Second, 20*time.Minute)
				away.Store(false)
				for i := 0; backlog && b.s.Stats().Backlog > 1000; i++ {
					if i > 1000 {
						t.Fatal("the backlog does not shrink")
					}
					b.write(time.Second, time.Second)
				}
				away.Store(true)
				if n := r.forget(100 * time.Second); n == 0 || backlog && n < 1000 {
					t.Errorf("only %d samples were forgotten", n)
				}
				b.write(time.Second, time.Minute)
				away.Store(false)
				b.write(time.Second, 5*time.Minute)
				b.stop() // both at once: the receiver is back before the sender looks
				if n := r.forget(3 * time.Second); n == 0 {
					t.Error("nothing was forgotten")
				}
				b.send(r, nil)
				b.write(time.Second, time.Minute)
				b.settled(10 * time.Minute)
				b.wantAll(r)
				b.wantNothingGivenUp()
				b.close()
			})
		})
	}
}
