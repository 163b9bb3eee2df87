package rpc

import (
	"context"
	"errors"
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
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// memJournal is a journal in memory that can lose what a disk can lose.
type memJournal struct {
	mu      sync.Mutex
	id      string
	entries []record.Entry // entries[i].Seq == i+1
	oldest  uint64         // retention has passed everything before
	lost    []record.Gap
	durable uint64
	closed  bool
	more    chan struct{} // closed at the next append
	text    string
}

func newMemJournal(id string) *memJournal {
	return &memJournal{id: id, oldest: 1, more: make(chan struct{})}
}

func (j *memJournal) append(at record.Stamp, b record.Body) uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	if s, ok := b.(*record.Sample); ok {
		c := *s
		c.Raw = append([]record.Raw(nil), s.Raw...)
		b = &c
	}
	seq := uint64(len(j.entries)) + 1
	j.entries = append(j.entries, record.Entry{Seq: seq, At: at, Body: b})
	close(j.more)
	j.more = make(chan struct{})
	return seq
}

// jump loses the numbers up to to, as after an unclean stop.
func (j *memJournal) jump(from, to uint64, cause string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for uint64(len(j.entries)) < to {
		j.entries = append(j.entries, record.Entry{Seq: uint64(len(j.entries)) + 1})
	}
	j.lost = append(j.lost, record.Gap{From: from, To: to, Cause: cause, Text: "test"})
}

func (j *memJournal) retire(oldest uint64) {
	j.mu.Lock()
	j.oldest = oldest
	j.mu.Unlock()
}

func (j *memJournal) close() {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.closed = true
	close(j.more)
	j.more = make(chan struct{})
}

func (j *memJournal) ID() string { return j.id }

func (j *memJournal) State() journal.State {
	j.mu.Lock()
	defer j.mu.Unlock()
	return journal.State{ID: j.id, Oldest: j.oldest, Head: uint64(len(j.entries)), DurableThrough: j.durable, Durable: true, Text: j.text}
}

func (j *memJournal) Head() (uint64, uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return uint64(len(j.entries)), j.durable
}

func (j *memJournal) NewReader(from uint64) Reader {
	r := &memReader{j: j, seq: from}
	if from == 0 {
		r.seq = j.State().Oldest
	}
	return r
}

type memReader struct {
	j      *memJournal
	seq    uint64
	sample record.Sample
}

func (r *memReader) Next(ctx context.Context) (record.Entry, error) {
	for {
		r.j.mu.Lock()
		more := r.j.more
		e, gap, ok, closed := r.look()
		r.j.mu.Unlock()
		switch {
		case gap != nil:
			return record.Entry{}, &journal.GapError{Gap: *gap}
		case ok:
			if s, is := e.Body.(*record.Sample); is { // the same memory again, as the real one does
				r.sample.Layout, r.sample.Source = s.Layout, s.Source
				r.sample.Raw = append(r.sample.Raw[:0], s.Raw...)
				e.Body = &r.sample
			}
			return e, nil
		case closed:
			return record.Entry{}, journal.ErrClosed
		}
		select {
		case <-more:
		case <-ctx.Done():
			return record.Entry{}, ctx.Err()
		}
	}
}

func (r *memReader) look() (e record.Entry, gap *record.Gap, ok, closed bool) {
	if r.seq < r.j.oldest {
		gap = &record.Gap{From: r.seq, To: r.j.oldest - 1, Cause: "retention", Text: "retired"}
		r.seq = r.j.oldest
		return e, gap, false, false
	}
	for _, g := range r.j.lost {
		if r.seq >= g.From && r.seq <= g.To {
			g.From = r.seq
			r.seq = g.To + 1
			return e, &g, false, false
		}
	}
	if r.seq > uint64(len(r.j.entries)) {
		return e, nil, false, r.j.closed
	}
	r.seq++
	return r.j.entries[r.seq-2], nil, true, false
}

func (r *memReader) Buffered() bool {
	r.j.mu.Lock()
	defer r.j.mu.Unlock()
	return r.seq <= uint64(len(r.j.entries)) || r.j.closed
}

func (r *memReader) Seq() uint64 { return r.seq }
func (r *memReader) Close()      {}

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

// fakeRuns answers from what the test put in.
type fakeRuns struct {
	mu      sync.Mutex
	rows    []journal.RunRow // newest first
	live    *record.Live
	changed chan struct{}
	started record.RunStart
	loadS   float64
	marks   []string
	zero    record.ZeroCheck
	panics  bool
	hang    chan struct{} // Evaluate waits for it
}

var errFakeNoRun, errFakeOpen, errFakeNotOpen, errFakePlan, errFakeSource = errors.New("no such run"),
	errors.New("a run is open"), errors.New("no run is open"), errors.New("bad plan"), errors.New("no value")

func newFakeRuns() *fakeRuns { return &fakeRuns{changed: make(chan struct{})} }

func (f *fakeRuns) Start(_ context.Context, s record.RunStart, loadS float64) (string, uint64, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case f.panics:
		panic("a fault in the manager")
	case f.live != nil:
		return "", 0, fmt.Errorf("%w: %s", errFakeOpen, f.live.Run)
	case len(s.Plan.Phases) == 1:
		return "", 0, fmt.Errorf("%w: one phase", errFakePlan)
	}
	s.Run = fmt.Sprintf("2026-05-04-%d", len(f.rows)+1)
	f.started, f.loadS = s, loadS
	f.rows = append([]journal.RunRow{{Start: s, State: "open", FirstSeq: 7}}, f.rows...)
	f.set(&record.Live{Run: s.Run, Unit: s.Unit, Phase: record.PhaseWaiting, VerdictSoFar: record.VerdictNone})
	return s.Run, 7, nil
}

// set changes the open run; mu is held.
func (f *fakeRuns) set(l *record.Live) {
	f.live = l
	close(f.changed)
	f.changed = make(chan struct{})
}

func (f *fakeRuns) Stop(_ context.Context, asked, reason string) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.live == nil || asked != "" && asked != f.live.Run {
		return "", errFakeNotOpen
	}
	run := f.live.Run
	f.rows[0].State = "ended"
	f.rows[0].Result = &record.Result{Run: run, Verdict: record.VerdictVoid, Final: true, DurationS: 12.5,
		Probes: []record.ProbeResult{{Channel: "vr1", Health: "good"}}, Reasons: []record.Reason{{Code: "too_short", Text: reason}}}
	f.set(nil)
	return run, nil
}

func (f *fakeRuns) Mark(_ context.Context, text, author string) (uint64, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.marks = append(f.marks, author+": "+text)
	return uint64(len(f.marks)), "", nil
}

func (f *fakeRuns) Get(run string) (journal.RunRow, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, r := range f.rows {
		if r.Start.Run == run || run == "last" {
			return r, nil
		}
	}
	return journal.RunRow{}, fmt.Errorf("%w: %q; there are: %d", errFakeNoRun, run, len(f.rows))
}

func (f *fakeRuns) List(unit, before string, limit int) (list []journal.RunRow, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	skip := before != ""
	for _, r := range f.rows {
		if !skip && (unit == "" || r.Start.Unit == unit) && len(list) < limit {
			list = append(list, r)
		}
		skip = skip && r.Start.Run != before
	}
	return list, nil
}

func (f *fakeRuns) Live() (record.Live, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.live == nil {
		return record.Live{}, false
	}
	return *f.live, true
}

func (f *fakeRuns) Changed() <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.changed
}

func (f *fakeRuns) Evaluate(_ context.Context, run string, limits []record.Limit, constants map[string]float64) (record.Result, error) {
	if f.hang != nil {
		<-f.hang
	}
	r, err := f.Get(run)
	if err != nil {
		return record.Result{}, err
	}
	if constants["unheard"] != 0 {
		return record.Result{}, fmt.Errorf("%w: no constant %q", errFakePlan, "unheard")
	}
	return record.Result{Run: r.Start.Run, Constants: constants, Limits: []record.LimitResult{{Name: limits[0].Name}}}, nil
}

func (f *fakeRuns) ZeroCheck(_ context.Context, z record.ZeroCheck) (record.ZeroReport, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.zero = z
	spread := 0.3
	return record.ZeroReport{Passed: true, Text: "spread 0.3 K", SpreadK: &spread, Trimmed: z.Trim,
		Probes: []record.ZeroProbe{{Channel: "vr1", Passed: true, MeanC: &spread}}}, nil
}

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
