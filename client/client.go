package client

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"os"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"

	pb "soakrig/proto/soakrig/v1"
)

// Options say how a rig is reached. The zero value serves a rig on this machine
// without credentials.
type Options struct {
	// Token is sent with every call; TokenFile names a file that holds it and is read
	// for every call, so that it may be replaced. They travel over TLS, a unix socket
	// or loopback only.
	Token     string
	TokenFile string
	// CAFile is the PEM file of the authority that signed the rig's certificate; empty:
	// the system's. With it, or for a host that is not this machine, TLS is used.
	CAFile string
	// CertFile and KeyFile are a client certificate.
	CertFile string
	KeyFile  string
	// ServerName is the name in the rig's certificate where it differs from the host.
	ServerName string
	// Timeout bounds one call; zero: 10 s. Calls that take longer by nature have more.
	Timeout time.Duration
	// Lazy: Dial does not ask whether the rig answers.
	Lazy bool
	// UserAgent names the program to the rig; empty: soakrig-client.
	UserAgent string
}

// Client is the connection to one rig. Its methods may be called concurrently. Calls
// of one answer share a connection; every stream has its own, so that one that is
// read slowly holds nothing else up.
type Client struct {
	rig    string
	target string
	opts   Options
	dial   []grpc.DialOption

	conn *grpc.ClientConn
	rigs pb.RigServiceClient
	runs pb.RunServiceClient
	smp  pb.SampleServiceClient
}

// Dial connects to a rig: host:port, or unix:/path. Unless opts.Lazy is set it asks
// the rig to describe itself; an error that is ErrUnreachable means that no rig
// answered within opts.Timeout. Close the client.
func Dial(ctx context.Context, rig string, opts Options) (*Client, error) {
	c := &Client{rig: rig, opts: opts}
	if c.opts.Timeout <= 0 {
		c.opts.Timeout = 10 * time.Second
	}
	local, err := c.aim()
	if err != nil {
		return nil, err
	}
	creds, err := c.transport(local)
	if err != nil {
		return nil, err
	}
	agent := opts.UserAgent
	if agent == "" {
		agent = "soakrig-client"
	}
	c.dial = []grpc.DialOption{
		grpc.WithTransportCredentials(creds),
		grpc.WithNoProxy(), // rigs are in the lab
		grpc.WithUserAgent(agent),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 20 * time.Second, Timeout: 5 * time.Second}),
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff:           backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 2 * time.Second},
			MinConnectTimeout: 5 * time.Second,
		}),
	}
	if opts.Token != "" || opts.TokenFile != "" {
		c.dial = append(c.dial, grpc.WithPerRPCCredentials(bearer{opts}))
	}
	if c.conn, err = c.newConn(); err != nil {
		return nil, err
	}
	c.rigs = pb.NewRigServiceClient(c.conn)
	c.runs = pb.NewRunServiceClient(c.conn)
	c.smp = pb.NewSampleServiceClient(c.conn)
	if opts.Lazy {
		return c, nil
	}
	if _, err := c.Describe(ctx); err != nil {
		c.Close()
		return nil, err
	}
	return c, nil
}

// Rig is the address that was dialled.
func (c *Client) Rig() string { return c.rig }

// Close ends the connection and with it every call under way. Streams end when their
// context does.
func (c *Client) Close() error { return c.conn.Close() }

func (c *Client) newConn() (*grpc.ClientConn, error) {
	conn, err := grpc.NewClient(c.target, c.dial...)
	if err != nil {
		return nil, fmt.Errorf("rig %s: %w", c.rig, err)
	}
	return conn, nil
}

// aim turns the rig's address into a target. local: it can't leave this machine.
func (c *Client) aim() (local bool, err error) {
	if path, ok := strings.CutPrefix(c.rig, "unix:"); ok {
		path = strings.TrimPrefix(path, "//")
		if path == "" {
			return false, fmt.Errorf("rig %q: no path follows the word unix", c.rig)
		}
		c.target = "unix:" + path
		return true, nil
	}
	host, port, err := net.SplitHostPort(c.rig)
	if err != nil || port == "" {
		return false, fmt.Errorf("rig %q: want host:port or unix:/path", c.rig)
	}
	c.target = "dns:///" + c.rig
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || host == "" || err == nil && ip.Unmap().IsLoopback(), nil
}

func (c *Client) transport(local bool) (credentials.TransportCredentials, error) {
	o := c.opts
	wantTLS := o.CAFile != "" || o.CertFile != "" || o.ServerName != "" || !local
	if strings.HasPrefix(c.rig, "unix:") || !wantTLS {
		return insecure.NewCredentials(), nil
	}
	conf := &tls.Config{MinVersion: tls.VersionTLS13, ServerName: o.ServerName}
	if o.CAFile != "" {
		text, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("rig %s: certificate authority: %w", c.rig, err)
		}
		conf.RootCAs = x509.NewCertPool()
		if !conf.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("rig %s: %s holds no certificate in PEM form", c.rig, o.CAFile)
		}
	}
	if (o.CertFile == "") != (o.KeyFile == "") {
		return nil, errors.New("a client certificate needs both its file and its key")
	}
	if o.CertFile != "" {
		// Read for every handshake, so that a renewed one is taken.
		conf.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
			pair, err := tls.LoadX509KeyPair(o.CertFile, o.KeyFile)
			return &pair, err
		}
	}
	return credentials.NewTLS(conf), nil
}

// bearer sends the token.
type bearer struct{ opts Options }

// GetRequestMetadata implements credentials.PerRPCCredentials.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	token := b.opts.Token
	if b.opts.TokenFile != "" {
		text, err := os.ReadFile(b.opts.TokenFile)
		if err != nil {
			return nil, fmt.Errorf("token: %w", err)
		}
		token = strings.TrimSpace(string(text))
	}
	return map[string]string{"authorization": "Bearer " + token}, nil
}

// RequireTransportSecurity implements credentials.PerRPCCredentials. Where there is
// no TLS the connection can't leave this machine; see transport.
func (bearer) RequireTransportSecurity() bool { return false }

// within bounds a call.
func (c *Client) within(ctx context.Context, extra time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, c.opts.Timeout+extra)
}

// A call that only reads comes back when the rig says that there are too many just
// now: at most maxTurnedAway times, and after no longer than longestWait each.
const (
	maxTurnedAway = 10
	longestWait   = 30 * time.Second
	slowRead      = 20 * time.Second // how much longer than Timeout a page may take
)

// patient makes a call that only reads, as often as the rig says when to come back,
// within the caller's deadline. extra is how much longer than Timeout one try may
// take. A call that changes something is never made twice.
func patient[R any](ctx context.Context, c *Client, op string, extra time.Duration, call func(context.Context) (R, error)) (R, error) {
	for tries := 1; ; tries++ {
		inner, cancel := c.within(ctx, extra)
		resp, err := call(inner)
		cancel()
		err = c.wrap(op, err)
		if err == nil || tries == maxTurnedAway || !pause(ctx, err) {
			return resp, err
		}
	}
}

// pause waits as long as the rig asked for. false: it did not ask, or there is no time
// left for another try.
func pause(ctx context.Context, err error) bool {
	var e *Error
	if !errors.As(err, &e) || e.Code != codes.ResourceExhausted || e.RetryAfter <= 0 || e.RetryAfter > longestWait {
		return false
	}
	wait := e.RetryAfter + rand.N(e.RetryAfter/4+1) // so that those turned away together don't return together
	if deadline, ok := ctx.Deadline(); ok && time.Until(deadline) <= wait {
		return false
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}
