package rpc

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"soakrig/client"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

func reasonOf(st *status.Status) string {
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.Domain == Domain {
			return info.Reason
		}
	}
	return ""
}

func fieldsOf(st *status.Status) (names []string) {
	for _, d := range st.Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range bad.FieldViolations {
				names = append(names, v.Field)
			}
		}
	}
	return names
}

func TestDescribe(t *testing.T) {
	f := newFixture(t).start()
	f.fill(3)
	d, err := f.client().Describe(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if d.Rig != "bench" || d.Version != "test" || d.Algorithm != "test/1" || d.Speed != 1 || d.Simulated || d.OpenRun != "" ||
		d.Journal.ID != "j1" || d.Journal.Head != 4 || len(d.Layout.Channels) != 4 || d.Layout.Channels[0].Converter.PerCode != 1e-6 ||
		len(d.DefaultPlan.Phases) != 1 || d.DefaultPlan.Phases[0].LengthS != 60 {
		t.Errorf("%+v", d)
	}
}

func TestRuns(t *testing.T) {
	f := newFixture(t).start()
	c := f.client()
	ctx := soon(t)
	band := 2.5
	plan := &record.Plan{Phases: make([]record.PhasePlan, 2), ReferenceAmbientC: &band}
	run, seq, err := c.Start(ctx, client.StartRequest{
		Unit: "carrier A", Revision: "r2", Operator: "ann", Repeat: 3, LoadS: 3600, Plan: plan,
		Setup: record.Setup{Name: "boosted", Conditions: map[string]string{"fans": "2"}, MustMatch: []string{"fans"}},
	})
	if err != nil || run != "2026-05-04-1" || seq != 7 {
		t.Fatal(run, seq, err)
	}
	got := f.runs.started
	if got.Unit != "carrier A" || got.Setup.Conditions["fans"] != "2" || got.Repeat != 3 || f.runs.loadS != 3600 ||
		got.Plan.ReferenceAmbientC == nil || *got.Plan.ReferenceAmbientC != 2.5 {
		t.Errorf("started %+v, load %v", got, f.runs.loadS)
	}
	if _, _, err := c.Start(ctx, client.StartRequest{Unit: "B"}); !isKind(err, client.ErrRunOpen) || !strings.Contains(err.Error(), run) {
		t.Errorf("second start: %v", err)
	}
	if d, err := c.Describe(ctx); err != nil || d.OpenRun != run {
		t.Errorf("describe: %+v, %v", d, err)
	}
	if seq, _, err := c.Mark(ctx, "load start", "script"); err != nil || seq != 1 || f.runs.marks[0] != "script: load start" {
		t.Errorf("mark: %v, %v", f.runs.marks, err)
	}
	if id, err := c.Stop(ctx, "", "bored"); err != nil || id != run {
		t.Errorf("stop: %v, %v", id, err)
	}
	if _, err := c.Stop(ctx, "", "again"); err == nil || !strings.Contains(err.Error(), "no run is open") {
		t.Errorf("stop of nothing: %v", err)
	}
	r, err := c.Get(ctx, "last")
	if err != nil || r.State != "ended" || r.Result == nil || r.Result.Reasons[0].Text != "bored" || len(r.Result.Probes) != 1 || r.Journal != "j1" {
		t.Errorf("get: %+v, %v", r, err)
	}
	if _, err := c.Get(ctx, "nope"); !isKind(err, client.ErrNoRun) {
		t.Errorf("get of nothing: %v", err)
	}
	result, err := c.Evaluate(ctx, run, []record.Limit{{Name: "cooler", Bound: 80}}, map[string]float64{"hold_s": 5})
	if err != nil || result.Limits[0].Name != "cooler" || result.Constants["hold_s"] != 5 {
		t.Errorf("evaluate: %+v, %v", result, err)
	}
	pressure := 1005.0
	z, err := c.ZeroCheck(ctx, client.ZeroCheckRequest{Length: 2 * time.Second, Trim: true, Method: "steam_point", PressureHPa: &pressure, Operator: "ann"})
	if err != nil || !z.Passed || *z.SpreadK != 0.3 || !z.Trimmed || len(z.Probes) != 1 || f.runs.zero.Length != 2*time.Second || *f.runs.zero.PressureHPa != 1005 {
		t.Errorf("zero: %+v, asked %+v, %v", z, f.runs.zero, err)
	}
}

func isKind(err, kind error) bool {
	e, ok := err.(*client.Error)
	return ok && e.Is(kind)
}

func TestListPages(t *testing.T) {
	f := newFixture(t).start()
	for i := range 1203 {
		f.runs.rows = append(f.runs.rows, journal.RunRow{
			Start: record.RunStart{Run: fmt.Sprint("run-", i), Unit: fmt.Sprint("unit-", i%3)}, State: "ended",
			Result: &record.Result{Run: fmt.Sprint("run-", i), Verdict: record.VerdictPass,
				Probes:   []record.ProbeResult{{Channel: "vr1"}},
				Findings: []record.Finding{{Code: "x", Seen: strings.Repeat("y", 2000)}}},
		})
	}
	var got []string
	c := f.client()
	if err := c.List(t.Context(), "unit-1", func(r *client.Run) error {
		got = append(got, r.Start.Run)
		if len(r.Result.Probes) != 0 || len(r.Result.Findings) != 1 {
			t.Errorf("%s: %d probes, %d findings", r.Start.Run, len(r.Result.Probes), len(r.Result.Findings))
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if len(got) != 401 || got[0] != "run-1" || got[400] != "run-1201" {
		t.Errorf("%d runs, %s to %s", len(got), got[0], got[len(got)-1])
	}
	n := 0
	if err := c.List(t.Context(), "", func(*client.Run) error { n++; return nil }); err != nil || n != 1203 {
		t.Errorf("%d runs, %v", n, err)
	}
	raw := pb.NewRunServiceClient(f.conn())
	if page, err := raw.List(t.Context(), &pb.ListRequest{PageSize: 3}); err != nil || len(page.Runs) != 3 || page.NextPageToken == "" {
		t.Errorf("%v, %v", page, err)
	}
	for _, req := range []*pb.ListRequest{{PageSize: -1}, {PageToken: "!"}} {
		_, err := raw.List(t.Context(), req)
		checkStatus(t, err, codes.InvalidArgument, reasonField, "page_")
	}
}

func TestRunRefusals(t *testing.T) {
	f := newFixture(t).start()
	c := pb.NewRunServiceClient(f.conn())
	ctx := soon(t)
	long := strings.Repeat("x", maxText+1)
	start := func(r *pb.StartRequest) error { _, err := c.Start(ctx, r); return err }
	zero := func(r *pb.ZeroCheckRequest) error { _, err := c.ZeroCheck(ctx, r); return err }
	low := 20.0
	cases := []struct {
		err  error
		text string
	}{
		{start(&pb.StartRequest{}), "unit: is empty"},
		{start(&pb.StartRequest{Unit: long}), "unit: 4097 bytes; at most 4096"},
		{start(&pb.StartRequest{Unit: "A", Setup: &pb.Setup{Name: long}}), "setup.name"},
		{start(&pb.StartRequest{Unit: "A", Repeat: 101}), "repeat: 101; want 1 to 100"},
		{start(&pb.StartRequest{Unit: "A", Repeat: -1}), "repeat"},
		{start(&pb.StartRequest{Unit: "A", LoadS: math.Inf(1)}), "load_s"},
		{zero(&pb.ZeroCheckRequest{Method: "guess"}), `method: "guess"; want zero_spread, ice_point or steam_point`},
		{zero(&pb.ZeroCheckRequest{LengthS: 1e9}), "length_s"},
		{zero(&pb.ZeroCheckRequest{PressureHpa: &low}), "pressure_hpa: 20 hPa is no station pressure"},
	}
	for _, one := range cases {
		checkStatus(t, one.err, codes.InvalidArgument, reasonField, one.text)
	}
	checkStatus(t, start(&pb.StartRequest{Unit: "A", Plan: &pb.Plan{Phases: []*pb.PhasePlan{{}}}}), codes.InvalidArgument, reasonPlan, "bad plan")
	withCommand := func(timeoutS float64, args ...string) *pb.StartRequest {
		return &pb.StartRequest{Unit: "A", Plan: &pb.Plan{Phases: []*pb.PhasePlan{
			{Phase: "baseline", Begins: "now"}, {Phase: "load", Begins: "after", Command: &pb.Command{Args: args, TimeoutS: timeoutS}}}}}
	}
	for _, r := range []*pb.StartRequest{withCommand(0, "sh", "-c", "id"), withCommand(5, "load"), withCommand(5, "load", "on", "now"), withCommand(6, "load", "on"), withCommand(5, "")} {
		checkStatus(t, start(r), codes.InvalidArgument, reasonField, "plan.phases[1].command: ")
	}
	_, err := c.Mark(ctx, &pb.MarkRequest{Text: "  "})
	checkStatus(t, err, codes.InvalidArgument, reasonField, "text: is empty")
	_, err = c.Get(ctx, &pb.GetRequest{})
	checkStatus(t, err, codes.InvalidArgument, reasonField, "run: is empty")
	_, err = c.Get(ctx, &pb.GetRequest{Run: "x"})
	checkStatus(t, err, codes.NotFound, reasonNoRun, `"x"`)
	_, err = c.Evaluate(ctx, &pb.EvaluateRequest{Run: "x", Limits: []*pb.Limit{{}}})
	checkStatus(t, err, codes.NotFound, reasonNoRun, `"x"`)
	_, err = c.Stop(ctx, &pb.StopRequest{})
	checkStatus(t, err, codes.FailedPrecondition, reasonNoRunOpen, "no run is open")
}

func TestWatchFollowsRuns(t *testing.T) {
	f := newFixture(t).start()
	c := f.client()
	step := 0
	err := c.Watch(soon(t), 200*time.Millisecond, nil, func(live *record.Live, ended *client.Run) error {
		switch step {
		case 0:
			if live != nil || ended != nil {
				t.Errorf("before the run: %+v %+v", live, ended)
			}
			if _, _, err := c.Start(t.Context(), client.StartRequest{Unit: "A"}); err != nil {
				return err
			}
		case 1, 2:
			if live == nil || live.Unit != "A" || live.Phase != record.PhaseWaiting {
				t.Errorf("live %+v", live)
			}
			if step == 2 {
				if _, err := c.Stop(t.Context(), "", "done"); err != nil {
					return err
				}
			}
		case 3:
			if live != nil || ended == nil || ended.Result.Verdict != record.VerdictVoid {
				t.Errorf("at the end: %+v %+v", live, ended)
			}
			return errEnough
		}
		step++
		return nil
	})
	if err != errEnough {
		t.Errorf("watch: %v at step %d", err, step)
	}
}

func TestPush(t *testing.T) {
	f := newFixture(t).start()
	c := f.client()
	v := 1.05
	if err := c.Push(t.Context(), client.Value{Channel: "vid", Value: &v, Age: 250 * time.Millisecond}, client.Value{Channel: "vid"}); err != nil {
		t.Fatal(err)
	}
	if p := <-f.pushed; p.channel != "vid" || *p.value != 1.05 || p.age != 250*time.Millisecond {
		t.Errorf("%+v", p)
	}
	if p := <-f.pushed; p.value != nil {
		t.Errorf("absent became %v", *p.value)
	}
	raw := pb.NewSampleServiceClient(f.conn())
	inf := math.Inf(1)
	for _, one := range []struct {
		req  *pb.PushRequest
		text string
	}{
		{&pb.PushRequest{}, "values: 0 values"},
		{&pb.PushRequest{Values: []*pb.PushedValue{{Channel: "vid", Value: &v}, {Channel: "vr1", Value: &v}}}, `values[1].channel: "vr1" is not a pushed channel; this rig has vid`},
		{&pb.PushRequest{Values: []*pb.PushedValue{{Channel: "vid", Value: &inf}}}, "values[0].value"},
		{&pb.PushRequest{Values: []*pb.PushedValue{{Channel: "vid", Value: &v, AgeS: -1}}}, "values[0].age_s"},
		{&pb.PushRequest{Values: []*pb.PushedValue{nil}}, "values[0].channel"},
	} {
		_, err := raw.Push(t.Context(), one.req)
		checkStatus(t, err, codes.InvalidArgument, reasonField, one.text)
	}
	if len(f.pushed) != 0 {
		t.Errorf("%d values of refused requests were taken", len(f.pushed))
	}
	f.layout.Sources[2].Driver = "other"
	_, err := raw.Push(t.Context(), &pb.PushRequest{Values: []*pb.PushedValue{{Channel: "vid", Value: &v}}})
	checkStatus(t, err, codes.FailedPrecondition, reasonNoPush, "has no pushed channels")
}

func TestWatchHealthTellsChanges(t *testing.T) {
	f := newFixture(t)
	state := make(chan string, 1)
	state <- "opened"
	now := ""
	f.opts.Sources = func() []SourceHealth {
		select {
		case now = <-state:
		default:
		}
		age := 0.25
		return []SourceHealth{{Source: "back", State: now, AgeS: &age, Reads: 5, Failures: 2, Late: 1}}
	}
	f.start()
	step := 0
	err := f.client().WatchHealth(soon(t), nil, func(h *client.Health) error {
		step++
		s := h.Sources[0]
		if s.AgeS == nil || *s.AgeS != 0.25 || s.Reads != 5 || s.Failures != 2 || s.Late != 1 || !h.ClockSynced || h.Journal.ID != "j1" {
			t.Errorf("%+v", h)
		}
		switch {
		case step == 1:
			if h.Serving || s.State != "opened" {
				t.Errorf("first: %+v", h)
			}
			f.srv.SetServing(true)
		case step == 2:
			if !h.Serving {
				t.Errorf("second: %+v", h)
			}
			state <- "failed"
		default:
			if s.State != "failed" {
				t.Errorf("third: %+v", h)
			}
			return errEnough
		}
		return nil
	})
	if err != errEnough {
		t.Error(err)
	}
}

// C15: NOT_SERVING until told otherwise, under every name, and NOT_FOUND for others.
func TestHealthService(t *testing.T) {
	f := newFixture(t).start()
	c := healthpb.NewHealthClient(f.conn())
	check := func(name string) string {
		resp, err := c.Check(soon(t), &healthpb.HealthCheckRequest{Service: name})
		if err != nil {
			return status.Code(err).String()
		}
		return resp.Status.String()
	}
	names := []string{"", "soakrig.v1.RigService", "soakrig.v1.SampleService", "soakrig.v1.RunService"}
	for _, want := range []string{"NOT_SERVING", "SERVING", "NOT_SERVING"} {
		f.srv.SetServing(want == "SERVING")
		for _, name := range names {
			if got := check(name); got != want {
				t.Errorf("%q: %s, want %s", name, got, want)
			}
		}
	}
	f.srv.SetSourceServing("back", false)
	if got := check("source/back"); got != "NOT_SERVING" {
		t.Errorf("source/back: %s", got)
	}
	if got := check("soakrig.v1.Nothing"); got != "NotFound" {
		t.Errorf("unknown name: %s", got)
	}
}

func TestOptionsAreChecked(t *testing.T) {
	f := newFixture(t)
	for _, spoil := range []func(*Options){
		func(o *Options) { o.Rig = "" }, func(o *Options) { o.Journal = nil }, func(o *Options) { o.Layout = nil },
		func(o *Options) { o.Convert = nil }, func(o *Options) { o.Runs = nil }, func(o *Options) { o.Clock = nil },
	} {
		o := f.opts
		spoil(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), "is missing") {
			t.Errorf("%v", err)
		}
	}
}

func TestPanicsStayInTheirCall(t *testing.T) {
	f := newFixture(t).start()
	f.runs.panics = true
	_, err := pb.NewRunServiceClient(f.conn()).Start(t.Context(), &pb.StartRequest{Unit: "A"})
	checkStatus(t, err, codes.Internal, reasonInternal, "its log says more")
	if !strings.Contains(f.logged.String(), "a fault in the manager") {
		t.Errorf("log: %s", f.logged)
	}
	if _, err := f.client().Describe(t.Context()); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}
