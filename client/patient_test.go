package client

import (
	"context"
	"errors"
	"net"
	"runtime"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "soakrig/proto/soakrig/v1"
)

// busyRig turns each method away as often as it is told to, then answers with nothing.
type busyRig struct {
	pb.UnimplementedRigServiceServer
	pb.UnimplementedRunServiceServer
	pb.UnimplementedSampleServiceServer

	mu    sync.Mutex
	turn  int            // guarded by mu
	with  error          // guarded by mu
	calls map[string]int // guarded by mu
}

func (r *busyRig) away(method string) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.calls[method]++; r.calls[method] <= r.turn {
		return r.with
	}
	return nil
}

// set says how often and how to turn away, and forgets what was counted.
func (r *busyRig) set(turn int, with error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.turn, r.with, r.calls = turn, with, map[string]int{}
}

func (r *busyRig) counted() (method string, n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for method, n = range r.calls {
	}
	return method, n
}

func (r *busyRig) WatchHealth(_ *pb.WatchHealthRequest, s grpc.ServerStreamingServer[pb.WatchHealthResponse]) error {
	return s.Send(&pb.WatchHealthResponse{})
}

func (r *busyRig) dial(t *testing.T) *Client {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	empty := map[string]any{
		"/soakrig.v1.RigService/Describe": &pb.DescribeResponse{}, "/soakrig.v1.RunService/Get": &pb.GetResponse{Run: &pb.Run{}},
		"/soakrig.v1.RunService/List": &pb.ListResponse{}, "/soakrig.v1.RunService/Evaluate": &pb.EvaluateResponse{Result: &pb.Result{}},
		"/soakrig.v1.SampleService/Read": &pb.ReadResponse{}, "/soakrig.v1.RunService/Start": &pb.StartResponse{},
		"/soakrig.v1.RunService/Stop": &pb.StopResponse{}, "/soakrig.v1.RunService/Mark": &pb.MarkResponse{},
		"/soakrig.v1.RunService/ZeroCheck": &pb.ZeroCheckResponse{}, "/soakrig.v1.SampleService/Push": &pb.PushResponse{},
	}
	srv := grpc.NewServer(
		grpc.UnaryInterceptor(func(_ context.Context, _ any, info *grpc.UnaryServerInfo, _ grpc.UnaryHandler) (any, error) {
			return empty[info.FullMethod], r.away(info.FullMethod)
		}),
		grpc.StreamInterceptor(func(srv any, s grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
			if err := r.away(info.FullMethod); err != nil {
				return err
			}
			return next(srv, s)
		}))
	pb.RegisterRigServiceServer(srv, r)
	pb.RegisterRunServiceServer(srv, r)
	pb.RegisterSampleServiceServer(srv, r)
	go srv.Serve(l)
	t.Cleanup(srv.Stop)
	c, err := Dial(t.Context(), l.Addr().String(), Options{Lazy: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// reads and changes are the calls of a client, by whether making them twice is the
// same as making them once.
var (
	reads = map[string]func(context.Context, *Client) error{
		"describe": func(ctx context.Context, c *Client) error { _, err := c.Describe(ctx); return err },
		"health":   func(ctx context.Context, c *Client) error { _, err := c.Health(ctx); return err },
		"get":      func(ctx context.Context, c *Client) error { _, err := c.Get(ctx, "last"); return err },
		"list":     func(ctx context.Context, c *Client) error { return c.List(ctx, "", nil) },
		"evaluate": func(ctx context.Context, c *Client) error { _, err := c.Evaluate(ctx, "last", nil, nil); return err },
		"read":     func(ctx context.Context, c *Client) error { _, err := c.Read(ctx, Range{}, nil); return err },
	}
	changes = map[string]func(context.Context, *Client) error{
		"start": func(ctx context.Context, c *Client) error { _, _, err := c.Start(ctx, StartRequest{}); return err },
		"stop":  func(ctx context.Context, c *Client) error { _, err := c.Stop(ctx, "", ""); return err },
		"mark":  func(ctx context.Context, c *Client) error { _, _, err := c.Mark(ctx, "x", ""); return err },
		"zero":  func(ctx context.Context, c *Client) error { _, err := c.ZeroCheck(ctx, ZeroCheckRequest{}); return err },
		"push":  func(ctx context.Context, c *Client) error { return c.Push(ctx, Value{}) },
	}
)

func TestOnlyReadingComesBack(t *testing.T) {
	r := &busyRig{}
	c := r.dial(t)
	for name, call := range reads {
		r.set(3, busyStatus(time.Millisecond))
		if err := call(t.Context(), c); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if method, n := r.counted(); n != 4 {
			t.Errorf("%s: %s was called %d times, want 4", name, method, n)
		}
	}
	for name, call := range changes {
		r.set(3, busyStatus(time.Millisecond))
		var e *Error
		if err := call(t.Context(), c); !errors.As(err, &e) || e.Code != codes.ResourceExhausted || e.RetryAfter != time.Millisecond {
			t.Errorf("%s: %v", name, err)
		}
		if method, n := r.counted(); n != 1 {
			t.Errorf("%s: %s was called %d times, want once", name, method, n)
		}
	}
}

// The rig's own answer comes back at once where waiting can't help.
func TestReadingGivesUp(t *testing.T) {
	r := &busyRig{}
	c := r.dial(t)
	long, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for _, one := range []struct {
		name  string
		ctx   context.Context
		with  error
		calls int
	}{
		{"the deadline comes first", long, busyStatus(25 * time.Second), 1},
		{"longer than anybody waits", t.Context(), busyStatus(time.Hour), 1},
		{"not said when", t.Context(), status.Error(codes.ResourceExhausted, "too large"), 1},
		{"another reason", t.Context(), status.Error(codes.FailedPrecondition, "no"), 1},
		{"never free", t.Context(), busyStatus(time.Microsecond), maxTurnedAway},
		{"before now", t.Context(), busyStatus(-time.Second), 1},
	} {
		r.set(1000, one.with)
		_, err := c.Get(one.ctx, "last")
		var e *Error
		if !errors.As(err, &e) || e.Code != status.Code(one.with) {
			t.Errorf("%s: %v", one.name, err)
		}
		if _, n := r.counted(); n != one.calls {
			t.Errorf("%s: %d calls, want %d", one.name, n, one.calls)
		}
	}
	// A caller who leaves is not held.
	ctx, leave := context.WithCancel(t.Context())
	r.set(1000, busyStatus(29*time.Second))
	done := make(chan error, 1)
	go func() { _, err := c.Get(ctx, "last"); done <- err }()
	for _, n := r.counted(); n == 0; _, n = r.counted() {
		runtime.Gosched()
	}
	leave()
	select {
	case <-done:
	case <-time.After(20 * time.Second):
		t.Error("the wait goes on")
	}
}
