package plugin

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/goccy/go-yaml"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	driverv1 "soakrig/proto/soakrig/driver/v1"
)

// Serve makes the program the process of a driver: call it from main. It returns when
// standard input ends, or with the reason why it can't serve; a person who starts the
// program by hand gets such a reason too.
func Serve(d *drivers.Driver) error {
	if os.Getenv(cookieKey) != cookieValue {
		return fmt.Errorf("this is the driver %s for soakd: name the program in a source with driver: plugin", d.Name)
	}
	host := bus.NewHost(bus.Hardware())
	s := &server{driver: d, host: host}
	path := filepath.Join(cmp.Or(os.Getenv("PLUGIN_UNIX_SOCKET_DIR"), os.TempDir()), fmt.Sprintf("driver-%d.sock", os.Getpid()))
	socket, err := net.Listen("unix", path)
	if err != nil {
		return err
	}
	g := grpc.NewServer()
	driverv1.RegisterDriverServiceServer(g, s)
	alive := health.NewServer()
	alive.SetServingStatus("plugin", healthpb.HealthCheckResponse_SERVING)
	healthpb.RegisterHealthServer(g, alive)
	go func() {
		// The parent holds the other end: when it is gone, so is the reason to be.
		_, _ = io.Copy(io.Discard, os.Stdin)
		time.AfterFunc(graceTime/2, func() { os.Exit(0) }) // a Close that hangs holds nobody
		s.close()
		g.Stop()
	}()
	fmt.Printf("%s|%s|unix|%s|grpc\n", coreVersion, appVersion, path)
	return errors.Join(g.Serve(socket), host.Close())
}

// server serves one source of a driver written in Go.
type server struct {
	driverv1.UnimplementedDriverServiceServer
	driver *drivers.Driver
	host   *bus.Host

	turn sync.Mutex // one call at a time; guards out
	out  []drivers.Reading

	mu  sync.Mutex // guards dev
	dev drivers.Device
}

func (s *server) device() drivers.Device {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.dev
}

// jsonOptions decodes JSON, which is YAML, as strictly as rig.yaml.
type jsonOptions string

func (o jsonOptions) Decode(v any) error {
	var keys map[string]json.RawMessage
	if err := json.Unmarshal([]byte(o), &keys); err != nil {
		return err
	}
	if len(keys) == 0 {
		return nil
	}
	return yaml.UnmarshalWithOptions([]byte(o), v, yaml.Strict())
}

// Open implements the contract.
func (s *server) Open(ctx context.Context, req *driverv1.OpenRequest) (*driverv1.OpenResponse, error) {
	s.turn.Lock()
	defer s.turn.Unlock()
	if s.device() != nil {
		return nil, status.Error(codes.FailedPrecondition, "the source is open already")
	}
	src := drivers.Source{
		Name: req.GetSource(), Every: time.Duration(req.GetEveryS() * float64(time.Second)), MainsHz: int(req.GetMainsHz()),
		Port: req.GetPort(), Options: jsonOptions(req.GetOptionsJson()),
	}
	for _, in := range req.GetInputs() {
		src.Inputs = append(src.Inputs, drivers.Input{
			Channel: in.GetChannel(), Port: in.GetPort(), Select: in.GetSelect(), Couple: in.GetCouple(),
			Kind: drivers.Kind(in.GetKind()), Options: jsonOptions(in.GetOptionsJson()),
		})
	}
	if len(src.Inputs) == 0 {
		return nil, status.Error(codes.InvalidArgument, "a source without inputs")
	}
	dev, err := s.driver.Open(ctx, s.host, src)
	if err != nil {
		return nil, status.Error(codes.InvalidArgument, err.Error())
	}
	s.mu.Lock()
	s.dev = dev
	s.mu.Unlock()
	s.out = make([]drivers.Reading, len(src.Inputs))
	return &driverv1.OpenResponse{Converters: wireConverters(dev.Converters())}, nil
}

// Read implements the contract.
func (s *server) Read(ctx context.Context, _ *driverv1.ReadRequest) (*driverv1.ReadResponse, error) {
	s.turn.Lock()
	defer s.turn.Unlock()
	dev := s.device()
	if dev == nil {
		return nil, status.Error(codes.FailedPrecondition, "Open comes first")
	}
	err := dev.Read(ctx, s.out) // repeated in the readings
	resp := &driverv1.ReadResponse{}
	for _, r := range s.out {
		if err != nil && r.Faults == 0 {
			r.Fail(drivers.BusError, fmt.Errorf("read: %w", err))
		}
		resp.Readings = append(resp.Readings, wireReading(r))
	}
	return resp, nil
}

func (s *server) close() {
	if dev := s.device(); dev != nil {
		dev.Close() // the process ends; nobody could act on an error
	}
}
