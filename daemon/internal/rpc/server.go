package rpc

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"google.golang.org/grpc"
	_ "google.golang.org/grpc/encoding/gzip" // for clients that ask for it
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// errStopping is the cause that ends every call when the server shuts down.
var errStopping = errors.New("the rig is stopping")

// Server serves the three services. Its methods may be called concurrently.
type Server struct {
	opts    Options
	journal Journal
	layouts layouts
	grpc    *grpc.Server
	health  *health.Server
	auth    *authenticator
	guard   *guard

	app  context.Context // ends when the server shuts down; every call ends with it
	stop context.CancelCauseFunc
	bg   sync.WaitGroup // goroutines of our own

	mu    sync.Mutex
	tails map[*subscriber]struct{} // guarded by mu
}

// New makes a server; Serve starts it. It reads the certificate and the token file
// once, so that a fault in them is told at the start.
func New(o Options) (*Server, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	s := &Server{opts: o, journal: o.Journal, tails: map[*subscriber]struct{}{}}
	s.layouts = layouts{current: o.Layout, journal: o.Journal, byID: map[uint32]*record.Layout{}}
	var err error
	if s.auth, err = newAuthenticator(o.Security, o.Log); err != nil {
		return nil, err
	}
	s.guard = newGuard(o.Limits, o.Log)
	s.app, s.stop = context.WithCancelCause(context.Background())
	s.grpc = grpc.NewServer(
		grpc.Creds(&handshaker{auth: s.auth, guard: s.guard}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: o.keepalive(), Timeout: o.keepalive() / 2}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: o.keepalive() / 4, PermitWithoutStream: true}),
		grpc.WaitForHandlers(true),
		grpc.MaxConcurrentStreams(uint32(o.Limits.StreamsPerConn)),
		grpc.MaxRecvMsgSize(1<<20),
		grpc.ForceServerCodecV2(newLenient()),
		grpc.MaxHeaderListSize(16<<10),
		grpc.ConnectionTimeout(10*time.Second),
		grpc.ChainUnaryInterceptor(s.unary),
		grpc.ChainStreamInterceptor(s.streaming),
	)
	pb.RegisterRigServiceServer(s.grpc, &rig{Server: s})
	pb.RegisterSampleServiceServer(s.grpc, &samples{Server: s})
	pb.RegisterRunServiceServer(s.grpc, &runService{Server: s})
	s.health = health.NewServer()
	healthpb.RegisterHealthServer(s.grpc, s.health)
	if !o.NoReflection {
		reflection.Register(s.grpc)
	}
	s.SetServing(false)
	return s, nil
}

// SetServing tells the health service whether the rig delivers: true after the first
// complete scan with an open journal. Until it is called, and after Shutdown, health
// is NOT_SERVING.
func (s *Server) SetServing(serving bool) {
	for name := range s.grpc.GetServiceInfo() {
		s.health.SetServingStatus(name, servingStatus(serving))
	}
	s.health.SetServingStatus("", servingStatus(serving))
}

// SetSourceServing tells the health service about one source, under the name
// "source/NAME".
func (s *Server) SetSourceServing(source string, serving bool) {
	s.health.SetServingStatus("source/"+source, servingStatus(serving))
}

// serving is what SetServing said last.
func (s *Server) serving() bool {
	resp, err := s.health.Check(s.app, &healthpb.HealthCheckRequest{})
	return err == nil && resp.Status == healthpb.HealthCheckResponse_SERVING
}

func servingStatus(serving bool) healthpb.HealthCheckResponse_ServingStatus {
	if serving {
		return healthpb.HealthCheckResponse_SERVING
	}
	return healthpb.HealthCheckResponse_NOT_SERVING
}

// Serve accepts on the listeners until Shutdown, and closes them. It refuses with the
// reason, serving none, when one of them is not secured as its address demands.
func (s *Server) Serve(listeners ...net.Listener) error {
	for _, l := range listeners {
		if err := s.auth.mayListen(l.Addr()); err != nil {
			for _, l := range listeners {
				l.Close()
			}
			return err
		}
	}
	s.bg.Go(func() { s.auth.watch(s.app, s.guard) })
	defer s.bg.Wait()
	failed := make(chan error, len(listeners))
	for _, l := range listeners {
		go func() { failed <- s.grpc.Serve(&guardedListener{Listener: l, guard: s.guard}) }()
	}
	var first error
	for range listeners {
		err := <-failed
		if err != nil && !errors.Is(err, grpc.ErrServerStopped) && first == nil {
			first = fmt.Errorf("serve gRPC: %w", err)
			s.stop(errStopping)
			go s.grpc.Stop() // the others too: half a server would go unnoticed
		}
	}
	return first
}

// stopGrace is how long calls may take to end by themselves.
const stopGrace = 5 * time.Second

// Shutdown ends every call with UNAVAILABLE and where to resume, waits up to five
// seconds or until ctx ends, then cuts the connections of those that did not end, and
// returns when no handler runs any more: the journal may be closed then. An error
// means that a handler still runs ten seconds after its connection was cut.
func (s *Server) Shutdown(ctx context.Context) error {
	s.health.Shutdown()
	s.stop(errStopping)
	ctx, cancel := context.WithTimeout(ctx, stopGrace)
	defer cancel()
	done := make(chan struct{})
	go func() { s.grpc.GracefulStop(); close(done) }()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
	}
	go s.grpc.Stop()
	late := time.NewTimer(2 * stopGrace)
	defer late.Stop()
	select {
	case <-done:
		return nil
	case <-late.C:
		return fmt.Errorf("stop gRPC: calls that do not end: %v", s.guard.methods())
	}
}
