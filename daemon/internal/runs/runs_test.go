package runs

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// bench is a rig without hardware: it writes what a board with two probes, a room
// sensor and a meter would, second by second, at stamps of its own.
type bench struct {
	t    *testing.T
	dir  string
	sync time.Duration // of the journal
	j    *journal.Journal
	m    *Manager

	cancel context.CancelFunc
	done   chan error

	mu      sync.Mutex // guards boot, bootNS and wallNS: the manager takes stamps while the test moves time
	boot    record.BootID
	bootNS  int64
	wallNS  int64
	loadW   float64
	hotC    float64
	openVR2 bool
	stops   []string
}

func layout() *record.Layout {
	lin := func(per float64) record.Converter {
		return record.Converter{Model: "T", Law: record.LawLinear, PerCode: per}
	}
	return &record.Layout{
		ID: 5, Rig: "t",
		Sources: []record.Source{{Name: "s", EveryNS: 1e9, Channels: []int{0, 1, 2, 3}}},
		Channels: []record.Channel{
			{Name: "vr1", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Converter: lin(0.01)},
			{Name: "vr2", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Converter: lin(0.01)},
			{Name: "room", Kind: record.Temperature, Unit: "degC", Role: record.RoleAmbient, Converter: lin(0.01)},
			{Name: "wall", Kind: record.Power, Unit: "W", Role: record.RoleSupply, Converter: lin(0.1)},
		},
	}
}

// Now, SleepUntil, Tick and Speed make the bench a clock.
func (b *bench) Now() record.Stamp {
	b.mu.Lock()
	defer b.mu.Unlock()
	return record.Stamp{Boot: b.boot, BootNS: b.bootNS, WallNS: b.wallNS, Synced: true}
}
func (b *bench) SleepUntil(context.Context, int64) error { return nil }
func (b *bench) Speed() float64                          { return 1 }

func newBench(t *testing.T) *bench {
	b := &bench{t: t, dir: t.TempDir(), sync: 10 * time.Millisecond, boot: record.BootID{1}, bootNS: 1e12, wallNS: time.Date(2030, 5, 1, 20, 0, 0, 0, time.UTC).UnixNano(), hotC: 23}
	b.start()
	t.Cleanup(b.stop)
	return b
}

func (b *bench) start() {
	j, err := journal.Open(journal.Options{Dir: b.dir, Sync: b.sync})
	if err != nil {
		b.t.Fatal(err)
	}
	b.j = j
	plan := record.Plan{Phases: []record.PhasePlan{
		{Phase: record.PhaseBaseline, LengthS: 60, Begins: "now"},
		{Phase: record.PhaseLoad, LengthS: 600, Begins: "load", Results: true},
		{Phase: record.PhaseCooldown, LengthS: 120, Begins: "load_end"},
	}, Limits: []record.Limit{{Name: "probe", Role: record.RoleProbe, Quantity: "value", Bound: 105, Severity: "fail"}}}
	b.m, err = New(Options{Rig: "t", Journal: j, Clock: b, Layout: layout, Plan: plan,
		StopRequest: func(_, reason string) { b.stops = append(b.stops, reason) }})
	if err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	b.cancel, b.done = cancel, make(chan error, 1)
	ready := b.m.following
	go func() { b.done <- b.m.Run(ctx) }()
	<-ready
	if _, err := j.Append(b.Now(), layout()); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) stop() {
	if b.cancel == nil {
		return
	}
	b.cancel()
	if err := <-b.done; err != nil {
		b.t.Error(err)
	}
	if err := b.j.Close(); err != nil {
		b.t.Error(err)
	}
	b.cancel = nil
}

// run writes seconds of samples. Probes follow the load with a time constant of 60 s.
func (b *bench) run(seconds int) {
	for range seconds {
		b.mu.Lock()
		b.bootNS += 1e9
		b.wallNS += 1e9
		b.mu.Unlock()
		b.hotC += (23 + b.loadW*0.25 - b.hotC) / 60
		raw := func(v, per float64) record.Raw {
			return record.Raw{Has: record.HasCode, Code: int64(math.Round(v / per))}
		}
		s := &record.Sample{Layout: 5, Raw: []record.Raw{raw(b.hotC, 0.01), raw(b.hotC-3, 0.01), raw(23, 0.01), raw(60+b.loadW, 0.1)}}
		if b.openVR2 {
			s.Raw[1] = record.Raw{Faults: record.Open}
		}
		if _, err := b.j.Append(b.Now(), s); err != nil {
			b.t.Fatal(err)
		}
		b.settle() // the manager takes its stamps from the bench
	}
}

// settle waits until the manager has followed the journal to its head.
func (b *bench) settle() {
	b.t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for b.m.followed.Load() < b.j.State().Head {
		if time.Now().After(deadline) {
			b.t.Fatalf("the manager stands at %d of %d", b.m.followed.Load(), b.j.State().Head)
		}
		select {
		case err := <-b.done:
			b.t.Fatalf("the manager ended: %v", err)
		case <-b.m.moved:
		}
	}
}

func (b *bench) startRun(start record.RunStart) string {
	b.t.Helper()
	id, _, err := b.m.Start(b.t.Context(), start, 0)
	if err != nil {
		b.t.Fatal(err)
	}
	return id
}

// soak runs the plan to its end.
func (b *bench) soak(start record.RunStart) journal.RunRow {
	b.t.Helper()
	id := b.startRun(start)
	b.run(90)
	b.loadW = 200
	b.run(600)
	b.loadW = 0
	b.run(300)
	row, err := b.m.Get(id)
	if err != nil {
		b.t.Fatal(err)
	}
	if row.State != "ended" || row.Result == nil {
		live, _ := b.m.Live()
		b.t.Fatalf("run %s is %s in phase %s", id, row.State, live.Phase)
	}
	return row
}

func TestSoak(t *testing.T) {
	b := newBench(t)
	b.run(5)
	row := b.soak(record.RunStart{Unit: "u", Setup: record.Setup{Name: "rated"}})
	r := row.Result
	if r.Verdict != record.VerdictPass || !r.Final || r.Peak == nil || r.Peak.Channel != "vr1" || math.Abs(r.Peak.HeldC-73) > 0.3 {
		t.Errorf("verdict %s %+v, peak %+v", r.Verdict, r.Reasons, r.Peak)
	}
	if r.Load == nil || r.Load.Outcome != "complete" || math.Abs(*r.Load.StartS-90) > 2 || math.Abs(*r.Load.EndS-690) > 2 {
		t.Errorf("load %+v", r.Load)
	}
	if r.Run != row.Start.Run || row.Start.Run != "20300501-01" {
		t.Errorf("run id %q, %q", r.Run, row.Start.Run)
	}
	if len(r.Gaps) != 0 {
		t.Errorf("gaps %+v", r.Gaps)
	}
	again, err := b.m.Evaluate(t.Context(), row.Start.Run, []record.Limit{{Name: "tight", Role: record.RoleProbe, Quantity: "value", Bound: 60, Severity: "fail"}}, nil)
	if err != nil || again.Verdict != record.VerdictFail {
		t.Errorf("under a tighter limit: %s, %v", again.Verdict, err)
	}
	if _, err := b.m.Evaluate(t.Context(), row.Start.Run, nil, map[string]float64{"no_such_constant": 1}); !errors.Is(err, ErrPlan) {
		t.Errorf("unknown constant: %v", err)
	}
}

// TestResume kills the follower in mid-load and goes on after a reboot of a minute:
// the run is the same run, with its gap.
func TestResume(t *testing.T) {
	b := newBench(t)
	id := b.startRun(record.RunStart{Unit: "u"})
	b.run(90)
	b.loadW = 200
	b.run(300)
	before, ok := b.m.Live()
	if !ok || before.Phase != record.PhaseLoad {
		t.Fatalf("before: %+v", before)
	}
	b.stop()
	b.boot, b.bootNS, b.wallNS = record.BootID{2}, 9e9, b.wallNS+60e9
	b.start()
	b.run(3)
	live, ok := b.m.Live()
	if !ok || live.Run != id || live.Phase != record.PhaseLoad || math.Abs(live.ElapsedS-453) > 2 {
		t.Fatalf("after the reboot: %+v", live)
	}
	b.run(237)
	b.loadW = 0
	b.run(300)
	row, err := b.m.Get(id)
	if err != nil || row.State != "ended" {
		t.Fatalf("%+v, %v", row.State, err)
	}
	r := row.Result
	if len(r.Gaps) != 1 || math.Abs(r.Gaps[0].DurationS-60) > 3 {
		t.Errorf("gaps %+v", r.Gaps)
	}
	if math.Abs(*r.Load.StartS-90) > 2 || math.Abs(*r.Load.EndS-690) > 3 {
		t.Errorf("load from %g to %g", *r.Load.StartS, *r.Load.EndS)
	}
	if n := events(t, b.j, id)["load_start"]; n != 1 {
		t.Errorf("the start of the load was recorded %d times", n)
	}
}

// events counts what was recorded about a run.
func events(t *testing.T, j *journal.Journal, run string) map[string]int {
	t.Helper()
	count := map[string]int{}
	r := j.NewReader(0)
	defer r.Close()
	for r.Seq() <= j.State().Head {
		e, err := r.Next(t.Context())
		var gap *journal.GapError
		if errors.As(err, &gap) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if ev, ok := e.Body.(*record.RunEvent); ok && ev.Run == run {
			count[ev.Event]++
		}
	}
	return count
}

func TestStopAndMark(t *testing.T) {
	b := newBench(t)
	if _, err := b.m.Stop(t.Context(), "", ""); !errors.Is(err, ErrNoOpen) {
		t.Errorf("nothing to stop: %v", err)
	}
	id := b.startRun(record.RunStart{Unit: "u"})
	if _, _, err := b.m.Start(t.Context(), record.RunStart{Unit: "v"}, 0); !errors.Is(err, ErrRunOpen) || !strings.Contains(err.Error(), id) {
		t.Errorf("second start: %v", err)
	}
	b.run(70)
	if _, run, err := b.m.Mark(t.Context(), "load start", "script"); err != nil || run != id {
		t.Errorf("mark: %q, %v", run, err)
	}
	if _, _, err := b.m.Mark(t.Context(), "  ", ""); err == nil {
		t.Error("an empty mark was taken")
	}
	b.loadW = 200
	b.run(100)
	if _, err := b.m.Stop(t.Context(), "another", ""); !errors.Is(err, ErrNoOpen) {
		t.Errorf("another run: %v", err)
	}
	if _, err := b.m.Stop(t.Context(), id, "smell of hot dust"); err != nil {
		t.Fatal(err)
	}
	b.run(5)
	row, err := b.m.Get("last")
	if err != nil || row.Start.Run != id || row.State != "ended" {
		t.Fatalf("%s is %s, %v", row.Start.Run, row.State, err)
	}
	if r := row.Result; r.Load == nil || math.Abs(*r.Load.StartS-70) > 1.5 || len(r.Marks) != 1 || r.Marks[0].Author != "script" {
		t.Errorf("load %+v, marks %+v", r.Load, r.Marks)
	}
	if _, ok := b.m.Live(); ok {
		t.Error("still live")
	}
}

func TestRefusals(t *testing.T) {
	b := newBench(t)
	for name, start := range map[string]record.RunStart{
		"no name":   {Unit: " "},
		"bad plan":  {Unit: "u", Plan: record.Plan{Phases: []record.PhasePlan{{Phase: "soaking", Begins: "now"}}}},
		"bad limit": {Unit: "u", Plan: record.Plan{Limits: []record.Limit{{Name: "x", Channel: "vr9", Quantity: "value", Severity: "fail"}}}},
	} {
		if id, _, err := b.m.Start(t.Context(), start, 0); !errors.Is(err, ErrPlan) {
			t.Errorf("%s: %q, %v", name, id, err)
		}
	}
	if _, err := b.m.Get("last"); !errors.Is(err, ErrNoRun) {
		t.Errorf("no runs: %v", err)
	}
	id := b.startRun(record.RunStart{Unit: "u"})
	if _, err := b.m.Get("20300501-99"); !errors.Is(err, ErrNoRun) || !strings.Contains(err.Error(), id) {
		t.Errorf("another id: %v", err)
	}
}

// TestRepeats runs twice with a cool-down between.
func TestRepeats(t *testing.T) {
	b := newBench(t)
	first := b.soak(record.RunStart{Unit: "u", Repeats: 2})
	live, ok := b.m.Live()
	if !ok || live.Run == first.Start.Run {
		t.Fatalf("no repeat: %+v", live)
	}
	second, err := b.m.Get(live.Run)
	if err != nil || second.Start.Repeat != 2 || second.Start.Unit != "u" {
		t.Errorf("%+v, %v", second.Start, err)
	}
	// 50 K above the room fall to 3 K in 169 s; the run ended after 120 of them.
	if wait, _ := second.StartedAt.Sub(first.EndedAt); wait < 45*time.Second || wait > 55*time.Second {
		t.Errorf("the repeat began %v after the end", wait)
	}
	rows, err := b.m.List("u", "", 10)
	if err != nil || len(rows) != 2 {
		t.Errorf("%d runs, %v", len(rows), err)
	}
}

// TestNoRepeatAfterADrop: once the interlock has dropped, no further repeat begins by
// itself, since a start would raise it again.
func TestNoRepeatAfterADrop(t *testing.T) {
	b := newBench(t)
	b.startRun(record.RunStart{Unit: "u", Repeats: 3})
	b.run(90)
	if _, err := b.j.Append(b.Now(), &record.RunEvent{Event: "interlock", Text: "probe vr1 is at 130.0 degC, above 120"}); err != nil {
		t.Fatal(err)
	}
	b.loadW = 200
	b.run(100)
	b.loadW = 0
	b.run(900)
	if live, ok := b.m.Live(); ok {
		t.Errorf("run %s began by itself", live.Run)
	}
}

// TestOneRunIsOne: asking for one run, as soak start does by default, gives one.
func TestOneRunIsOne(t *testing.T) {
	b := newBench(t)
	b.soak(record.RunStart{Unit: "u", Repeats: 1})
	b.run(300)
	if live, ok := b.m.Live(); ok {
		t.Errorf("run %s began by itself", live.Run)
	}
	if rows, err := b.m.List("u", "", 10); err != nil || len(rows) != 1 {
		t.Errorf("%d runs, %v", len(rows), err)
	}
}

// TestStopRequest lets a limit ask for a stop, once.
func TestStopRequest(t *testing.T) {
	b := newBench(t)
	id := b.startRun(record.RunStart{Unit: "u", Plan: record.Plan{Limits: []record.Limit{{Name: "hot", Role: record.RoleProbe, Quantity: "value", Bound: 50, Severity: "stop"}}}})
	b.run(90)
	b.loadW = 200
	b.run(200)
	if len(b.stops) != 1 || !strings.Contains(b.stops[0], "vr1") {
		t.Errorf("stop requests: %q", b.stops)
	}
	if n := events(t, b.j, id)["stop_requested"]; n == 0 {
		t.Error("not recorded")
	}
}

func TestCommand(t *testing.T) {
	b := newBench(t)
	plan := record.Plan{Phases: []record.PhasePlan{
		{Phase: record.PhaseBaseline, LengthS: 5, Begins: "now", Command: record.Command{Args: []string{"sh", "-c", "echo run=$SOAK_RUN phase=$SOAK_PHASE; exit 3"}}},
		{Phase: record.PhaseLoad, LengthS: 60, Begins: "load", Results: true},
	}}
	id := b.startRun(record.RunStart{Unit: "u", Plan: plan})
	b.run(3)
	r := b.j.NewReader(0)
	defer r.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for {
		e, err := r.Next(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if ev, ok := e.Body.(*record.RunEvent); ok && ev.Event == "command" {
			if !strings.Contains(ev.Text, "exit status 3") || !strings.Contains(ev.Text, "run="+id+" phase=baseline") {
				t.Errorf("outcome %q", ev.Text)
			}
			return
		}
	}
}
