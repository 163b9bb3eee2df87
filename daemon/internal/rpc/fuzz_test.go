package rpc

import (
	"context"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "soakrig/proto/soakrig/v1"
)

// FuzzRequests gives every unary handler a request of arbitrary bytes: it must answer
// or refuse with a code that blames the request, and never fail by itself.
func FuzzRequests(f *testing.F) {
	fix := newFixture(f)
	fix.fill(40)
	srv, err := New(fix.opts)
	if err != nil {
		f.Fatal(err)
	}
	nan := []byte{0x39, 0, 0, 0, 0, 0, 0, 0xf8, 0x7f} // load_s: not a number
	seeds := []proto.Message{
		&pb.ReadRequest{StartSequence: 3, EndSequence: 9, PageSize: 2, Channels: []string{"vr1"}},
		&pb.ReadRequest{PageToken: "AQAAAAAAAAADAAAAAAAAAAkAAAAA"},
		&pb.StartRequest{Unit: "A", Plan: &pb.Plan{Phases: []*pb.PhasePlan{{Phase: "load"}}}},
		&pb.ListRequest{PageSize: 3, PageToken: "cnVu"}, &pb.EvaluateRequest{Run: "last", Limits: []*pb.Limit{{Bound: 80}}},
		&pb.ZeroCheckRequest{LengthS: 5, Method: "ice_point"}, &pb.PushRequest{Values: []*pb.PushedValue{{Channel: "vid"}}},
		&pb.TailRequest{HeartbeatS: 2, IntervalS: 10},
	}
	for which, m := range seeds {
		raw, err := proto.Marshal(m)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(uint8(which), raw)
	}
	f.Add(uint8(2), nan)
	runs, smp, rigs := &runService{Server: srv}, &samples{Server: srv}, &rig{Server: srv}
	ctx := context.WithValue(context.Background(), callKey{}, &call{id: identity{role: RoleOperate}})
	f.Fuzz(func(t *testing.T, which uint8, raw []byte) {
		fix.runs.mu.Lock()
		fix.runs.live, fix.runs.rows = nil, nil
		fix.runs.mu.Unlock()
		for len(fix.pushed) > 0 {
			<-fix.pushed
		}
		try := func(m proto.Message, call func() error) {
			if proto.Unmarshal(raw, m) != nil {
				return
			}
			switch err := call(); status.Code(err) {
			case codes.OK, codes.InvalidArgument, codes.NotFound, codes.FailedPrecondition, codes.OutOfRange:
			default:
				t.Errorf("%T %v: %v", m, m, err)
			}
		}
		var read pb.ReadRequest
		var start pb.StartRequest
		var list pb.ListRequest
		var eval pb.EvaluateRequest
		var zero pb.ZeroCheckRequest
		var push pb.PushRequest
		var tail pb.TailRequest
		switch which % 8 {
		case 0, 1:
			try(&read, func() error {
				resp, err := smp.Read(ctx, &read)
				if err == nil {
					checkPage(t, &read, resp)
				}
				return err
			})
		case 2:
			try(&start, func() error { _, err := runs.Start(ctx, &start); return err })
		case 3:
			try(&list, func() error { _, err := runs.List(ctx, &list); return err })
		case 4:
			try(&eval, func() error {
				if len(eval.Limits) == 0 {
					return nil // the fake looks at the first one
				}
				_, err := runs.Evaluate(ctx, &eval)
				return err
			})
		case 5:
			try(&zero, func() error { _, err := runs.ZeroCheck(ctx, &zero); return err })
		case 6:
			try(&push, func() error { _, err := smp.Push(ctx, &push); return err })
		case 7:
			try(&tail, func() error { // what Tail decides before it streams
				_, err := smp.wish(&tail)
				return err
			})
		}
		if _, err := rigs.Describe(ctx, &pb.DescribeRequest{}); err != nil {
			t.Error(err)
		}
	})
}

// checkPage holds an answer to the bounds of its request.
func checkPage(t *testing.T, req *pb.ReadRequest, resp *pb.ReadResponse) {
	raw, err := proto.Marshal(resp)
	if err != nil {
		t.Fatal(err)
	}
	var page pb.ReadResponse
	if err := proto.Unmarshal(raw, &page); err != nil {
		t.Fatal(err)
	}
	last := req.StartSequence
	for _, s := range page.GetBatch().GetSamples() {
		if s.Sequence < last || req.EndSequence > 0 && req.PageToken == "" && s.Sequence > req.EndSequence {
			t.Errorf("%v gave sequence %d after %d", req, s.Sequence, last)
		}
		last = s.Sequence + 1
	}
}

func FuzzTokenFile(f *testing.F) {
	_, line, err := NewToken(RoleOperate, "script")
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte("# who\n" + line + "\n"))
	f.Add([]byte("observe x sha256:00"))
	f.Fuzz(func(t *testing.T, text []byte) {
		list, err := parseTokens("file", text)
		for _, id := range list {
			if id.token == nil || id.name == "" || id.role != RoleObserve && id.role != RoleOperate {
				t.Errorf("%+v from %q, %v", id, text, err)
			}
		}
	})
}
