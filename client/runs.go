package client

import (
	"context"
	"math"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"soakrig/daemon/record"
	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// newer is the error for an answer that this build can't hold.
func (c *Client) newer(op string, err error) error {
	return &Error{Rig: c.rig, Op: op, Code: codes.Internal, err: err,
		Text: "the answer does not fit this version of soak (" + err.Error() + "); update it"}
}

// StartRequest opens a run.
type StartRequest struct {
	Unit     string
	Revision string // of the unit
	Setup    record.Setup
	Plan     *record.Plan // nil: the rig's default plan
	Operator string
	Repeat   int     // this many runs, each after the unit has cooled; 0: 1
	LoadS    float64 // planned load for the default plan; 0: the plan's own
}

// Run is a run and what it came to.
type Run struct {
	Start    record.RunStart `json:"start"`
	Rig      string          `json:"rig"`
	State    string          `json:"state"` // open, ended
	Started  time.Time       `json:"started"`
	Ended    time.Time       `json:"ended,omitzero"` // zero: it is open
	FirstSeq uint64          `json:"first_seq"`
	LastSeq  uint64          `json:"last_seq"`
	Journal  string          `json:"journal_id"`
	Result   *record.Result  `json:"result,omitempty"` // nil: none yet
}

// Start opens a run and gives its id and the sequence of its first entry.
func (c *Client) Start(ctx context.Context, r StartRequest) (run string, seq uint64, err error) {
	ctx, cancel := c.within(ctx, 0)
	defer cancel()
	req := &pb.StartRequest{
		Unit: r.Unit, Revision: r.Revision, Setup: &pb.Setup{}, Operator: r.Operator,
		Repeat: int32(min(max(r.Repeat, -1), math.MaxInt32)), LoadS: r.LoadS,
	}
	if err := recordpb.ToProto(r.Setup, req.Setup); err != nil {
		return "", 0, err
	}
	if r.Plan != nil {
		req.Plan = &pb.Plan{}
		if err := recordpb.ToProto(r.Plan, req.Plan); err != nil {
			return "", 0, err
		}
	}
	resp, err := c.runs.Start(ctx, req)
	return resp.GetRun(), resp.GetSequence(), c.wrap("start", err)
}

// Stop ends a run now; run empty: the open one. It gives the id of the run.
func (c *Client) Stop(ctx context.Context, run, reason string) (string, error) {
	ctx, cancel := c.within(ctx, 0)
	defer cancel()
	resp, err := c.runs.Stop(ctx, &pb.StopRequest{Run: run, Reason: reason})
	return resp.GetRun(), c.wrap("stop", err)
}

// Mark adds a line to the journal, and to the open run, whose id it gives.
func (c *Client) Mark(ctx context.Context, text, author string) (seq uint64, run string, err error) {
	ctx, cancel := c.within(ctx, 0)
	defer cancel()
	resp, err := c.runs.Mark(ctx, &pb.MarkRequest{Text: text, Author: author})
	return resp.GetSequence(), resp.GetRun(), c.wrap("mark", err)
}

// Get gives a run by its id or "last"; ErrNoRun names those there are.
func (c *Client) Get(ctx context.Context, run string) (*Run, error) {
	resp, err := patient(ctx, c, "get run "+run, 0, func(ctx context.Context) (*pb.GetResponse, error) {
		return c.runs.Get(ctx, &pb.GetRequest{Run: run})
	})
	if err != nil {
		return nil, err
	}
	return c.run(resp.Run)
}

// List calls fn with every run, newest first, of one unit or of all (empty), until
// fn returns an error, which List returns. The results come without the parts per
// probe; see Get.
func (c *Client) List(ctx context.Context, unit string, fn func(*Run) error) error {
	req := &pb.ListRequest{Unit: unit}
	for {
		resp, err := patient(ctx, c, "list runs", slowRead, func(ctx context.Context) (*pb.ListResponse, error) { return c.runs.List(ctx, req) })
		if err != nil {
			return err
		}
		for _, m := range resp.Runs {
			r, err := c.run(m)
			if err != nil {
				return err
			}
			if err := fn(r); err != nil {
				return err
			}
		}
		if req.PageToken = resp.NextPageToken; req.PageToken == "" {
			return nil
		}
	}
}

// Evaluate judges a stored run under other limits and constants; nil: its own.
func (c *Client) Evaluate(ctx context.Context, run string, limits []record.Limit, constants map[string]float64) (*record.Result, error) {
	plan := &pb.Plan{}
	if err := recordpb.ToProto(record.Plan{Limits: limits, Constants: constants}, plan); err != nil {
		return nil, err
	}
	resp, err := patient(ctx, c, "evaluate run "+run, time.Minute, func(ctx context.Context) (*pb.EvaluateResponse, error) {
		return c.runs.Evaluate(ctx, &pb.EvaluateRequest{Run: run, Limits: plan.Limits, Constants: plan.Constants})
	})
	if err != nil {
		return nil, err
	}
	result := &record.Result{}
	if err := recordpb.FromProto(resp.GetResult(), result); err != nil {
		return nil, c.newer("evaluate", err)
	}
	return result, nil
}

// Watch calls fn with the state of the open run every interval (zero: 1 s), with nil
// when none is open, and once with each run that ended, across restarts of the rig,
// until fn returns an error or ctx ends; it returns that error. link may be nil.
func (c *Client) Watch(ctx context.Context, interval time.Duration, link func(Link), fn func(live *record.Live, ended *Run) error) error {
	w := &watching{c: c, fn: fn}
	return c.keep(ctx, keeping{op: "watch", silence: 3 * max(heartbeat, interval), link: link},
		func(ctx context.Context, conn *grpc.ClientConn, dog *watchdog) error {
			stream, err := pb.NewRunServiceClient(conn).Watch(ctx, &pb.WatchRequest{IntervalS: interval.Seconds()})
			if err != nil {
				return err
			}
			for {
				m, err := stream.Recv()
				if err != nil {
					return err
				}
				dog.heard()
				if err := w.take(ctx, m); err != nil {
					return &callersError{err}
				}
				dog.wait()
			}
		})
}

type watching struct {
	c    *Client
	fn   func(*record.Live, *Run) error
	open string // run that was open when the rig was heard last
}

func (w *watching) take(ctx context.Context, m *pb.WatchResponse) (err error) {
	var live *record.Live
	var ended *Run
	if m.Live != nil {
		live = &record.Live{}
		if err := recordpb.FromProto(m.Live, live); err != nil {
			return w.c.newer("watch", err)
		}
	}
	switch {
	case m.Ended != nil:
		if ended, err = w.c.run(m.Ended); err != nil {
			return err
		}
	case w.open != "" && (live == nil || live.Run != w.open): // it ended while the rig was out of reach
		if r, err := w.c.Get(ctx, w.open); err == nil && r.State == "ended" {
			ended = r
		}
	}
	w.open = ""
	if live != nil {
		w.open = live.Run
	}
	return w.fn(live, ended)
}

func (c *Client) run(m *pb.Run) (*Run, error) {
	r := &Run{
		Rig: m.GetRig(), State: m.GetState(), Started: wall(m.GetStartedWallNs()), Ended: wall(m.GetEndedWallNs()),
		FirstSeq: m.GetFirstSeq(), LastSeq: m.GetLastSeq(), Journal: m.GetJournalId(),
	}
	if err := recordpb.FromProto(m.GetStart(), &r.Start); err != nil {
		return nil, c.newer("run", err)
	}
	if m.GetResult() != nil {
		r.Result = &record.Result{}
		if err := recordpb.FromProto(m.Result, r.Result); err != nil {
			return nil, c.newer("run", err)
		}
	}
	return r, nil
}

func wall(ns int64) time.Time {
	if ns == 0 {
		return time.Time{}
	}
	return time.Unix(0, ns).UTC()
}

// ZeroCheckRequest asks for a comparison of all probes of an unpowered rig.
type ZeroCheckRequest = record.ZeroCheck

// ZeroReport is what a zero check found.
type ZeroReport = record.ZeroReport

// ZeroCheck compares all probes of an unpowered rig; it takes r.Length.
func (c *Client) ZeroCheck(ctx context.Context, r ZeroCheckRequest) (*ZeroReport, error) {
	length := r.Length
	if length == 0 {
		length = 180 * time.Second
	}
	ctx, cancel := c.within(ctx, length+length/10)
	defer cancel()
	resp, err := c.runs.ZeroCheck(ctx, &pb.ZeroCheckRequest{
		LengthS: r.Length.Seconds(), Trim: r.Trim, Operator: r.Operator, Method: r.Method, PressureHpa: r.PressureHPa,
	})
	if err != nil {
		return nil, c.wrap("zero check", err)
	}
	report := &ZeroReport{}
	if err := recordpb.FromProto(resp, report); err != nil {
		return nil, c.newer("zero check", err)
	}
	return report, nil
}
