package rpc

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// Bounds of what a caller may ask of runs.
const (
	maxRuns      = 500
	maxListBytes = 1 << 20
	maxText      = 4096 // bytes of a mark, a name, a reason
	maxRepeat    = 100
	maxLoadS     = 30 * 24 * 3600
	minWatch     = 100 * time.Millisecond
)

// runService is the RunService.
type runService struct {
	pb.UnimplementedRunServiceServer
	*Server
}

// Start implements the service.
func (s *runService) Start(ctx context.Context, req *pb.StartRequest) (*pb.StartResponse, error) {
	if err := checkNamed("unit", req.Unit, "revision", req.Revision, "operator", req.Operator, "setup.name", req.Setup.GetName()); err != nil {
		return nil, err
	}
	if req.Repeat < 0 || req.Repeat > maxRepeat {
		return nil, badField("repeat", "%d; want 1 to %d, or 0 for 1", req.Repeat, maxRepeat)
	}
	if math.IsNaN(req.LoadS) || req.LoadS < 0 || req.LoadS > maxLoadS {
		return nil, badField("load_s", "%v s; want 0 to %d", req.LoadS, maxLoadS)
	}
	start := record.RunStart{Unit: req.Unit, Revision: req.Revision, Operator: req.Operator, Repeat: int(req.Repeat)}
	if req.Setup != nil {
		if err := recordpb.FromProto(req.Setup, &start.Setup); err != nil {
			return nil, badField("setup", "%v", err)
		}
	}
	if req.Plan != nil {
		if err := recordpb.FromProto(req.Plan, &start.Plan); err != nil {
			return nil, badField("plan", "%v", err)
		}
	}
	if err := s.commands(start.Plan); err != nil {
		return nil, err
	}
	run, seq, err := s.opts.Runs.Start(ctx, start, req.LoadS)
	if err != nil {
		return nil, s.runError("plan", err)
	}
	return &pb.StartResponse{Run: run, Sequence: seq}, nil
}

// commands refuses programs that the rig's own configuration does not name: who may
// start a run may not for that reason run what he likes on the board.
func (s *Server) commands(plan record.Plan) error {
	configured := s.opts.DefaultPlan().Phases
	for i, p := range plan.Phases {
		if len(p.Command.Args) == 0 {
			continue
		}
		if !slices.ContainsFunc(configured, func(c record.PhasePlan) bool {
			return c.Command.TimeoutS == p.Command.TimeoutS && slices.Equal(c.Command.Args, p.Command.Args)
		}) {
			return badField(fmt.Sprintf("plan.phases[%d].command", i),
				"%q is not a command of rig %s's configuration, and no other is run; leave it out and mark the load from the script that runs it", p.Command.Args, s.opts.Rig)
		}
	}
	return nil
}

// Stop implements the service.
func (s *runService) Stop(ctx context.Context, req *pb.StopRequest) (*pb.StopResponse, error) {
	if err := checkTexts("run", req.Run, "reason", req.Reason); err != nil {
		return nil, err
	}
	run, err := s.opts.Runs.Stop(ctx, req.Run, req.Reason)
	if err != nil {
		return nil, s.runError("run", err)
	}
	return &pb.StopResponse{Run: run}, nil
}

// Mark implements the service.
func (s *runService) Mark(ctx context.Context, req *pb.MarkRequest) (*pb.MarkResponse, error) {
	if err := checkNamed("text", strings.TrimSpace(req.Text), "text", req.Text, "author", req.Author); err != nil {
		return nil, err
	}
	seq, run, err := s.opts.Runs.Mark(ctx, req.Text, req.Author)
	if err != nil {
		return nil, s.runError("text", err)
	}
	return &pb.MarkResponse{Sequence: seq, Run: run}, nil
}

// Get implements the service.
func (s *runService) Get(_ context.Context, req *pb.GetRequest) (*pb.GetResponse, error) {
	if err := checkNamed("run", req.Run); err != nil {
		return nil, err
	}
	row, err := s.opts.Runs.Get(req.Run)
	if err != nil {
		return nil, s.runError("run", err)
	}
	m, err := s.run(row)
	if err != nil {
		return nil, internal(err)
	}
	return &pb.GetResponse{Run: m}, nil
}

// List implements the service. The token is the id of the last run of the page.
func (s *runService) List(_ context.Context, req *pb.ListRequest) (*pb.ListResponse, error) {
	limit := int(req.PageSize)
	if limit < 0 {
		return nil, badField("page_size", "%d; want 1 to %d, or 0 for %d", limit, maxRuns, maxRuns)
	}
	if limit == 0 || limit > maxRuns {
		limit = maxRuns
	}
	if err := checkTexts("unit", req.Unit); err != nil {
		return nil, err
	}
	before, err := base64.RawURLEncoding.DecodeString(req.PageToken)
	if err != nil || !utf8.Valid(before) || len(before) > maxText {
		return nil, badField("page_token", "not a token of this rig; start without one")
	}
	rows, err := s.opts.Runs.List(req.Unit, string(before), limit+1)
	if err != nil {
		return nil, s.runError("page_token", err)
	}
	resp := &pb.ListResponse{}
	bytes := 0
	for i, row := range rows {
		if i == limit || bytes > maxListBytes {
			resp.NextPageToken = base64.RawURLEncoding.EncodeToString([]byte(rows[i-1].Start.Run))
			break
		}
		m, err := s.run(withoutDetail(row))
		if err != nil {
			return nil, internal(err)
		}
		bytes += proto.Size(m)
		resp.Runs = append(resp.Runs, m)
	}
	return resp, nil
}

func withoutDetail(row journal.RunRow) journal.RunRow {
	if row.Result != nil {
		brief := *row.Result
		brief.Probes, brief.Budget, brief.Statistics = nil, nil, nil
		row.Result = &brief
	}
	return row
}

// run carries a stored run to its message.
func (s *Server) run(row journal.RunRow) (*pb.Run, error) {
	m := &pb.Run{
		Start: &pb.RunStart{}, Rig: s.opts.Rig, State: row.State,
		StartedWallNs: row.StartedAt.WallNS, EndedWallNs: row.EndedAt.WallNS,
		FirstSeq: row.FirstSeq, LastSeq: row.LastSeq, JournalId: s.journal.ID(),
	}
	if err := recordpb.ToProto(row.Start, m.Start); err != nil {
		return nil, err
	}
	if row.Result != nil {
		m.Result = &pb.Result{}
		return m, recordpb.ToProto(row.Result, m.Result)
	}
	return m, nil
}

// Watch implements the service.
func (s *runService) Watch(req *pb.WatchRequest, stream grpc.ServerStreamingServer[pb.WatchResponse]) error {
	interval, err := seconds("interval_s", req.IntervalS, time.Second, minWatch, maxHeartbeat)
	if err != nil {
		return err
	}
	ctx := stream.Context()
	timer := time.NewTimer(interval)
	defer timer.Stop()
	watched := "" // the run that the client was shown last
	for {
		next := s.opts.Runs.Changed() // before looking, so that no change is missed
		live, open := s.opts.Runs.Live()
		m := &pb.WatchResponse{}
		if watched != "" && (!open || live.Run != watched) {
			if m.Ended, err = s.endedRun(watched); err != nil {
				return internal(err)
			}
			watched = ""
		}
		if open {
			watched = live.Run
			m.Live = &pb.Live{}
			if err := recordpb.ToProto(live, m.Live); err != nil {
				return internal(err)
			}
		}
		if err := stream.Send(m); err != nil {
			return err
		}
		pause := interval
		if !open { // only a sign of life
			pause = max(interval, defaultHeartbeat)
		}
		timer.Reset(pause)
		select {
		case <-timer.C:
		case <-next:
		case <-ctx.Done():
			return s.ended(ctx, ctx.Err(), 0)
		}
	}
}

// endedRun is nil for a run that is gone.
func (s *Server) endedRun(run string) (*pb.Run, error) {
	row, err := s.opts.Runs.Get(run)
	if errors.Is(err, s.opts.RunErrors.NoRun) && err != nil {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return s.run(row)
}

// Evaluate implements the service.
func (s *runService) Evaluate(ctx context.Context, req *pb.EvaluateRequest) (*pb.EvaluateResponse, error) {
	if err := checkNamed("run", req.Run); err != nil {
		return nil, err
	}
	var plan record.Plan
	if err := recordpb.FromProto(&pb.Plan{Limits: req.Limits, Constants: req.Constants}, &plan); err != nil {
		return nil, badField("limits", "%v", err)
	}
	result, err := s.opts.Runs.Evaluate(ctx, req.Run, plan.Limits, plan.Constants)
	if err != nil {
		return nil, s.runError("limits", err)
	}
	resp := &pb.EvaluateResponse{Result: &pb.Result{}}
	if err := recordpb.ToProto(result, resp.Result); err != nil {
		return nil, internal(err)
	}
	return resp, nil
}

// ZeroCheck implements the service.
func (s *runService) ZeroCheck(ctx context.Context, req *pb.ZeroCheckRequest) (*pb.ZeroCheckResponse, error) {
	if req.Trim {
		if err := callOf(ctx).id.need(RoleOperate, "ZeroCheck with trim"); err != nil {
			return nil, err
		}
	}
	length, err := seconds("length_s", req.LengthS, 180*time.Second, time.Second, time.Hour)
	if err != nil {
		return nil, err
	}
	switch req.Method {
	case "", "zero_spread", "ice_point", "steam_point":
	default:
		return nil, badField("method", "%q; want zero_spread, ice_point or steam_point", req.Method)
	}
	if p := req.PressureHpa; p != nil && !(*p > 300 && *p < 1200) {
		return nil, badField("pressure_hpa", "%v hPa is no station pressure; want 300 to 1200", *p)
	}
	if err := checkTexts("operator", req.Operator); err != nil {
		return nil, err
	}
	report, err := s.opts.Runs.ZeroCheck(ctx, record.ZeroCheck{
		Length: length, Trim: req.Trim, Operator: req.Operator, Method: req.Method, PressureHPa: req.PressureHpa,
	})
	if err != nil {
		return nil, s.runError("method", err)
	}
	resp := &pb.ZeroCheckResponse{}
	if err := recordpb.ToProto(report, resp); err != nil {
		return nil, internal(err)
	}
	return resp, nil
}

// checkNamed is checkTexts of a request whose first text is needed.
func checkNamed(field, text string, fieldsAndTexts ...string) error {
	if text == "" {
		return badField(field, "is empty; it is needed")
	}
	return checkTexts(append([]string{field, text}, fieldsAndTexts...)...)
}

// checkTexts bounds texts that are stored.
func checkTexts(fieldsAndTexts ...string) error {
	for i := 0; i < len(fieldsAndTexts); i += 2 {
		if n := len(fieldsAndTexts[i+1]); n > maxText {
			return badField(fieldsAndTexts[i], "%d bytes; at most %d", n, maxText)
		}
	}
	return nil
}

// runError gives an error of Runs its code. field is what a bad plan is blamed on.
func (s *Server) runError(field string, err error) error {
	is := func(want error) bool { return want != nil && errors.Is(err, want) }
	meta := map[string]string{"rig": s.opts.Rig}
	switch e := s.opts.RunErrors; {
	case is(e.NoRun):
		return fail(codes.NotFound, reasonNoRun, meta, err.Error())
	case is(e.Open):
		return fail(codes.FailedPrecondition, reasonRunOpen, meta, err.Error())
	case is(e.NotOpen):
		return fail(codes.FailedPrecondition, reasonNoRunOpen, meta, err.Error())
	case is(e.Source):
		return fail(codes.FailedPrecondition, reasonSource, meta, err.Error())
	case is(e.Plan):
		return fail(codes.InvalidArgument, reasonPlan, meta, err.Error(), violation(field, err.Error()))
	case errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded):
		return err // the interceptor knows why
	}
	return internal(err)
}
