package rpc

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"soakrig/client"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// testClock is rig time that tests move.
type testClock struct {
	mu sync.Mutex
	at record.Stamp
}

func (c *testClock) Now() record.Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *testClock) move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at.BootNS += int64(d)
	c.at.WallNS += int64(d)
}

func (c *testClock) SleepUntil(ctx context.Context, _ int64) error { return ctx.Err() }
func (c *testClock) Speed() float64                                { return 1 }

var testBoot = record.BootID{0xb0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}

// testLayout has three sources: thermocouples, wall power, pushed.
func testLayout() *record.Layout {
	tc := record.Converter{Model: "test-tc", Law: record.LawEMF, PerCode: 1e-6, ColdPerCode: 1.0 / 64}
	ch := func(name string, kind record.Kind, role record.Role, conv record.Converter) record.Channel {
		return record.Channel{Name: name, Kind: kind, Unit: kind.Unit(), Role: role, Converter: conv}
	}
	lin := record.Converter{Model: "test-lin", Law: record.LawLinear, PerCode: 0.1}
	l := &record.Layout{ID: 11, Rig: "bench", Channels: []record.Channel{
		ch("vr1", record.Temperature, record.RoleProbe, tc), ch("vr2", record.Temperature, record.RoleProbe, tc),
		ch("wall", record.Power, record.RoleSupply, lin), ch("vid", record.Voltage, record.RoleInfo, lin),
	}, Sources: []record.Source{
		{Name: "back", Driver: "max31856", EveryNS: 2e8, Channels: []int{0, 1}},
		{Name: "wall", Driver: "modbusmap", EveryNS: 1e9, Channels: []int{2}},
		{Name: "host", Driver: "push", EveryNS: 1e9, Channels: []int{3}},
	}}
	for i := range 2 {
		l.Channels[i].Couple, l.Channels[i].Class = "K", "iec-1"
	}
	return l
}

// fixture is a rig behind a real server on loopback.
type fixture struct {
	t       testing.TB
	journal *memJournal
	runs    *fakeRuns
	clock   *testClock
	layout  *record.Layout
	opts    Options
	srv     *Server
	addr    string
	served  chan error
	pushed  chan pushedValue
	logged  *lockedBuffer
	n       int // samples appended
}

type pushedValue struct {
	channel string
	value   *float64
	age     time.Duration
}

type lockedBuffer struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func newFixture(t testing.TB) *fixture {
	f := &fixture{
		t: t, journal: newMemJournal("j1"), runs: newFakeRuns(), layout: testLayout(),
		clock:  &testClock{at: record.Stamp{Boot: testBoot, BootNS: 1e9, WallNS: 1777888999e9, Synced: true}},
		pushed: make(chan pushedValue, maxPushed), logged: &lockedBuffer{},
	}
	f.opts = Options{
		Rig: "bench", Version: "test", Algorithm: "test/1", Journal: f.journal, Runs: f.runs, Clock: f.clock,
		RunErrors: RunErrors{NoRun: errFakeNoRun, Open: errFakeOpen, NotOpen: errFakeNotOpen, Plan: errFakePlan, Source: errFakeSource},
		Layout:    func() *record.Layout { return f.layout },
		Convert:   func(l *record.Layout) (Converter, error) { return convert.New(l) },
		Push: func(_ context.Context, channel string, value *float64, age time.Duration) error {
			f.pushed <- pushedValue{channel, value, age}
			return nil
		},
		Sources: func() []SourceHealth {
			return []SourceHealth{{Source: "back", State: "opened", Reads: uint64(f.journal.State().Head)}}
		},
		DefaultPlan: func() record.Plan {
			return record.Plan{Phases: []record.PhasePlan{{Phase: record.PhaseLoad, LengthS: 60, Begins: "load", Results: true,
				Command: record.Command{Args: []string{"load", "on"}, TimeoutS: 5}}}}
		},
		Limits: Limits{RequestsPerSecond: 1e5},
		Log:    slog.New(slog.NewTextHandler(f.logged, nil)),
	}
	return f
}

// start serves on a loopback port until the test ends.
func (f *fixture) start() *fixture {
	f.t.Helper()
	f.serveOn("127.0.0.1:0")
	f.t.Cleanup(func() { f.stop() })
	return f
}

func (f *fixture) serveOn(addr string) {
	f.t.Helper()
	l, err := Listen(addr)
	if err != nil {
		f.t.Fatal(err)
	}
	f.serveListener(l)
}

func (f *fixture) serveListener(l net.Listener) {
	f.t.Helper()
	var err error
	if f.srv, err = New(f.opts); err != nil {
		f.t.Fatal(err)
	}
	f.addr = l.Addr().String()
	if l.Addr().Network() == "unix" {
		f.addr = "unix:" + f.addr
	}
	f.served = make(chan error, 1)
	srv, served := f.srv, f.served
	go func() { served <- srv.Serve(l) }()
}

func (f *fixture) stop() {
	f.t.Helper()
	if f.srv == nil {
		return
	}
	if err := f.srv.Shutdown(context.Background()); err != nil {
		f.t.Error(err)
	}
	if err := <-f.served; err != nil {
		f.t.Error(err)
	}
	f.srv = nil
}

// conn is a bare gRPC connection.
func (f *fixture) conn(opts ...grpc.DialOption) *grpc.ClientConn {
	f.t.Helper()
	opts = append([]grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())}, opts...)
	c, err := grpc.NewClient(f.addr, opts...)
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { c.Close() })
	return c
}

func (f *fixture) client() *client.Client {
	f.t.Helper()
	c, err := client.Dial(f.t.Context(), f.addr, client.Options{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { c.Close() })
	return c
}

// sample appends a sample of the thermocouples 200 ms after the one before; code is
// the EMF of the first in microvolts.
func (f *fixture) sample(code int64) uint64 {
	f.clock.move(200 * time.Millisecond)
	f.n++
	return f.journal.append(f.clock.Now(), &record.Sample{Layout: f.layout.ID, Source: 0, Raw: []record.Raw{
		{Has: record.HasCode | record.HasCold, Code: code, Cold: 25 * 64, AgeUS: 1500},
		{Has: record.HasCode | record.HasCold, Code: code / 2, Cold: 25 * 64, Faults: faultEvery(f.n)},
	}})
}

// faultEvery gives every seventh sample an open probe.
func faultEvery(n int) record.Faults {
	if n%7 == 0 {
		return record.Open
	}
	return 0
}

func (f *fixture) wall(deciwatts int64) uint64 {
	return f.journal.append(f.clock.Now(), &record.Sample{Layout: f.layout.ID, Source: 1, Raw: []record.Raw{{Has: record.HasCode, Code: deciwatts}}})
}

func (f *fixture) mark(text string) uint64 {
	return f.journal.append(f.clock.Now(), &record.Mark{Text: text, Author: "ann"})
}

// fill appends the layout and n thermocouple samples with other entries among them.
func (f *fixture) fill(n int) {
	f.journal.append(f.clock.Now(), f.layout)
	for i := range n {
		f.sample(int64(1000 + 10*i))
		if i%5 == 4 {
			f.wall(int64(500 + i))
		}
		if i%50 == 49 {
			f.mark(fmt.Sprintf("mark %d", i))
		}
	}
}

// noLeaks fails the test if it leaves goroutines of gRPC or ours behind.
func noLeaks(t *testing.T) {
	t.Helper()
	before := goroutines()
	t.Cleanup(func() {
		var now []string
		eventually(t, 10*time.Second, "goroutines of before to be the only ones", func() bool {
			now = goroutines()
			return len(now) <= len(before)
		})
		if t.Failed() && len(now) > len(before) {
			t.Logf("%d goroutines before, %d after:\n%s", len(before), len(now), strings.Join(now, "\n\n"))
		}
	})
}

// eventually waits for what other goroutines bring about.
func eventually(t testing.TB, within time.Duration, what string, is func() bool) {
	t.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(within); !is(); <-tick.C {
		if time.Now().After(deadline) {
			t.Errorf("waited %v for %s", within, what)
			return
		}
	}
}

func goroutines() (ours []string) {
	buf := make([]byte, 4<<20)
	for _, g := range strings.Split(string(buf[:runtime.Stack(buf, true)]), "\n\n") {
		if strings.Contains(g, "grpc") || strings.Contains(g, "soakrig/daemon/internal/rpc.") && !strings.Contains(g, "testing.tRunner") {
			ours = append(ours, g)
		}
	}
	return ours
}
