package plugin

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"testing"
	"time"

	goplugin "github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	driverv1 "soakrig/proto/soakrig/driver/v1"
)

// The handshake is that of a library of others. It stands here on either side.

func shake() goplugin.HandshakeConfig {
	return goplugin.HandshakeConfig{ProtocolVersion: 1, MagicCookieKey: cookieKey, MagicCookieValue: cookieValue}
}

// half is both sides of the contract as the library wants them.
type half struct {
	goplugin.NetRPCUnsupportedPlugin
	server *server
}

func (h *half) GRPCServer(_ *goplugin.GRPCBroker, g *grpc.Server) error {
	driverv1.RegisterDriverServiceServer(g, h.server)
	return nil
}

func (h *half) GRPCClient(_ context.Context, _ *goplugin.GRPCBroker, c *grpc.ClientConn) (any, error) {
	return driverv1.NewDriverServiceClient(c), nil
}

// serveByLibrary is Serve by the library.
func serveByLibrary(d *drivers.Driver) {
	goplugin.Serve(&goplugin.ServeConfig{
		HandshakeConfig: shake(), GRPCServer: goplugin.DefaultGRPCServer,
		Plugins: goplugin.PluginSet{"driver": &half{server: &server{driver: d, host: bus.NewHost(bus.Hardware())}}},
	})
}

func TestLibraryServesOurHost(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	d, _ := open(t, source(t, "good", self, "library"))
	for i := range 3 {
		if out, err := read(t, d, 5*time.Second); err != nil || out[1].Code != int64(-i-1) {
			t.Fatalf("read %d: %v, %+v", i, err, out)
		}
	}
}

func TestLibraryAsksOurProcess(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	theirs, stdin, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer theirs.Close()
	own := os.Stdin
	os.Stdin = theirs // the library hands its own standard input on; the process ends with it
	defer func() { os.Stdin = own }()
	cmd := exec.Command(self)
	c := goplugin.NewClient(&goplugin.ClientConfig{
		HandshakeConfig: shake(), Plugins: goplugin.PluginSet{"driver": &half{}}, Cmd: cmd,
		AllowedProtocols: []goplugin.Protocol{goplugin.ProtocolGRPC},
	})
	defer c.Kill()
	protocol, err := c.Client()
	if err != nil {
		t.Fatal(err)
	}
	if err := protocol.Ping(); err != nil {
		t.Errorf("health: %v", err)
	}
	raw, err := protocol.Dispense("driver")
	if err != nil {
		t.Fatal(err)
	}
	ask := raw.(driverv1.DriverServiceClient)
	if _, err := ask.Read(t.Context(), &driverv1.ReadRequest{}); err == nil {
		t.Error("a read before Open was answered")
	}
	opened, err := ask.Open(t.Context(), &driverv1.OpenRequest{Source: "x", EveryS: 1, OptionsJson: "{}", Inputs: []*driverv1.Input{{Channel: "a", OptionsJson: "{}"}}})
	if err != nil || len(opened.GetConverters()) != 1 {
		t.Fatal(opened, err)
	}
	got, err := ask.Read(t.Context(), &driverv1.ReadRequest{})
	if err != nil || got.GetReadings()[0].GetCode() != -1 {
		t.Errorf("%v, %v", got, err)
	}
	stdin.Close()
	for began := time.Now(); !c.Exited(); time.Sleep(10 * time.Millisecond) {
		if time.Since(began) > 5*time.Second {
			t.Fatal("the process outlived its standard input")
		}
	}
}

func TestServeByHandSaysWhatItIs(t *testing.T) {
	if err := Serve(&counting); err == nil || errors.Is(err, os.ErrNotExist) {
		t.Errorf("%v", err)
	}
	var o jsonOptions = `{"mode": "x", "more": 1}`
	var v struct {
		Mode string `yaml:"mode"`
	}
	if err := o.Decode(&v); err == nil {
		t.Error("an unknown key was accepted")
	}
	if err := jsonOptions(`{"mode": "x"}`).Decode(&v); err != nil || v.Mode != "x" {
		t.Errorf("%v, %v", v, err)
	}
}
