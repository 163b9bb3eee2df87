package rpc

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/emptypb"

	"soakrig/client"
	pb "soakrig/proto/soakrig/v1"
)

// invoke makes any call with an empty request and gives the code of its first answer.
func invoke(ctx context.Context, conn *grpc.ClientConn, method string, stream bool) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if !stream {
		return conn.Invoke(ctx, method, &emptypb.Empty{}, &emptypb.Empty{})
	}
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, method)
	if err != nil {
		return err
	}
	if err := s.SendMsg(&emptypb.Empty{}); err != nil && err != io.EOF { // EOF: RecvMsg says why
		return err
	}
	if err := s.CloseSend(); err != nil {
		return err
	}
	return s.RecvMsg(&emptypb.Empty{})
}

// operating are the methods that change something; all others must be open to observers.
var operating = []string{"SampleService/Push", "RunService/Start", "RunService/Stop", "RunService/Mark"}

func mustOperate(method string) bool {
	for _, m := range operating {
		if strings.HasSuffix(method, m) {
			return true
		}
	}
	return false
}

// walk calls every method that the server serves, and holds the answer against the role.
func walk(t *testing.T, f *fixture, who string, role Role, ctx context.Context, opts ...grpc.DialOption) {
	t.Helper()
	conn := f.conn(opts...)
	methods := 0
	for service, info := range f.srv.grpc.GetServiceInfo() {
		for _, m := range info.Methods {
			methods++
			method := "/" + service + "/" + m.Name
			if _, known := roleOf(method); !known {
				t.Errorf("%s is in no role", method)
			}
			want := codes.OK
			switch {
			case role == RoleNone:
				want = codes.Unauthenticated
			case role == RoleObserve && mustOperate(method):
				want = codes.PermissionDenied
			}
			err := invoke(ctx, conn, method, m.IsServerStream)
			code := status.Code(err)
			refused := code == codes.Unauthenticated || code == codes.PermissionDenied
			if want == codes.OK && (refused || code == codes.DeadlineExceeded) || want != codes.OK && code != want {
				t.Errorf("%s: %s: %v, want %s", who, method, err, want)
			}
		}
	}
	if methods < 18 {
		t.Errorf("only %d methods were tried", methods)
	}
	if err := invoke(ctx, conn, "/soakrig.v1.RunService/Forget", false); role != RoleNone && status.Code(err) != codes.Unimplemented {
		t.Errorf("%s: a method that is not there: %v", who, err)
	}
}

func TestEveryCallWithEveryRole(t *testing.T) {
	ca, clientCA := newAuthority(t, "rigs"), newAuthority(t, "people")
	f := newFixture(t)
	file, observe, operate := tokens(t)
	f.opts.Security = Security{TokenFile: file, ClientCA: clientCA.file}
	f.opts.Security.CertFile, f.opts.Security.KeyFile = ca.issue("rig", "", time.Hour)
	f.start()
	dial := func(cert, key string) grpc.DialOption {
		conf := &tls.Config{RootCAs: x509.NewCertPool()}
		conf.RootCAs.AddCert(ca.cert)
		if cert != "" {
			pair, err := tls.LoadX509KeyPair(cert, key)
			if err != nil {
				t.Fatal(err)
			}
			// Sent whether or not the rig names its issuer.
			conf.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &pair, nil }
		}
		return grpc.WithTransportCredentials(credentials.NewTLS(conf))
	}
	ctx := t.Context()
	walk(t, f, "nobody", RoleNone, ctx, dial("", ""))
	walk(t, f, "a wrong token", RoleNone, bearing(ctx, observe+"x"), dial("", ""))
	walk(t, f, "an empty token", RoleNone, bearing(ctx, " "), dial("", ""))
	walk(t, f, "observer's token", RoleObserve, bearing(ctx, observe), dial("", ""))
	walk(t, f, "operator's token", RoleOperate, bearing(ctx, operate), dial("", ""))
	walk(t, f, "observer's certificate", RoleObserve, ctx, dial(clientCA.issue("bob", "", time.Hour)))
	walk(t, f, "operator's certificate", RoleOperate, ctx, dial(clientCA.issue("ann", "operate", time.Hour)))
	walk(t, f, "a bad token does not fall back", RoleNone, bearing(ctx, "x"), dial(clientCA.issue("ann", "operate", time.Hour)))

	// A certificate of somebody else's authority does not even connect.
	other := newAuthority(t, "strangers")
	if err := invoke(ctx, f.conn(dial(other.issue("eve", "operate", time.Hour))), "/soakrig.v1.RigService/Describe", false); status.Code(err) != codes.Unavailable {
		t.Errorf("stranger's certificate: %v", err)
	}
	if err := invoke(ctx, f.conn(dial(clientCA.issue("old", "operate", -time.Minute))), "/soakrig.v1.RigService/Describe", false); status.Code(err) != codes.Unavailable {
		t.Errorf("expired certificate: %v", err)
	}
	// Nor does plain text reach TLS.
	if err := invoke(ctx, f.conn(), "/soakrig.v1.RigService/Describe", false); status.Code(err) != codes.Unavailable {
		t.Errorf("plain text: %v", err)
	}
	// What was told to the log names nobody's secret.
	for _, secret := range []string{observe, operate, "Bearer"} {
		if strings.Contains(f.logged.String(), secret) {
			t.Errorf("the log holds %q", secret)
		}
	}
	if !strings.Contains(f.logged.String(), "call refused") || !strings.Contains(f.logged.String(), "handshake failed") {
		t.Errorf("log: %s", f.logged)
	}

	// The client package, with files.
	tokenFile := filepath.Join(t.TempDir(), "token")
	replace(t, tokenFile, operate+"\n")
	c, err := client.Dial(ctx, f.addr, client.Options{CAFile: ca.file, TokenFile: tokenFile})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, _, err := c.Start(ctx, client.StartRequest{Unit: "A"}); err != nil {
		t.Error(err)
	}
	cert, key := clientCA.issue("bob", "", time.Hour)
	c2, err := client.Dial(ctx, f.addr, client.Options{CAFile: ca.file, CertFile: cert, KeyFile: key})
	if err != nil {
		t.Fatal(err)
	}
	defer c2.Close()
	if _, err := c2.Stop(ctx, "", ""); !errors.Is(err, client.ErrDenied) || !strings.Contains(err.Error(), "needs the role operate; bob has observe") {
		t.Errorf("%v", err)
	}
	if _, err := client.Dial(ctx, f.addr, client.Options{CAFile: ca.file}); !errors.Is(err, client.ErrDenied) ||
		!strings.Contains(err.Error(), "wants a token (authorization: Bearer ...) or a client certificate") {
		t.Errorf("%v", err)
	}
	if _, err := client.Dial(ctx, f.addr, client.Options{CAFile: other.file, Token: operate}); !errors.Is(err, client.ErrUnreachable) {
		t.Errorf("a rig whose certificate is not trusted: %v", err)
	}
}

func TestTrimNeedsOperate(t *testing.T) {
	f := newFixture(t)
	file, observe, operate := tokens(t)
	f.opts.Security.TokenFile = file
	f.start()
	c := pb.NewRunServiceClient(f.conn())
	_, err := c.ZeroCheck(bearing(t.Context(), observe), &pb.ZeroCheckRequest{Trim: true})
	checkStatus(t, err, codes.PermissionDenied, reasonRole, "ZeroCheck with trim needs the role operate; screen has observe")
	if _, err := c.ZeroCheck(bearing(t.Context(), observe), &pb.ZeroCheckRequest{}); err != nil {
		t.Error(err)
	}
	if _, err := c.ZeroCheck(bearing(t.Context(), operate), &pb.ZeroCheckRequest{Trim: true}); err != nil {
		t.Error(err)
	}
}

// Without any configuration only this machine is served; a unix socket is guarded by
// its mode even where tokens are configured.
func TestWhereWithoutCredentials(t *testing.T) {
	f := newFixture(t)
	file, _, _ := tokens(t)
	f.opts.Security.TokenFile = file
	f.serveOn("unix:" + filepath.Join(t.TempDir(), "s"))
	defer f.stop()
	walk(t, f, "unix socket", RoleOperate, t.Context())

	g := newFixture(t).start()
	walk(t, g, "loopback", RoleOperate, t.Context())
	h := newFixture(t)
	h.opts.Security.TokenFile = file
	h.start()
	walk(t, h, "loopback with a token file", RoleNone, t.Context())
}

func TestRefusesToServeUnsecured(t *testing.T) {
	ca := newAuthority(t, "rigs")
	cert, key := ca.issue("rig", "", time.Hour)
	file, _, _ := tokens(t)
	cases := []struct {
		addr string
		sec  Security
		want string // empty: served
	}{
		{"127.0.0.1:0", Security{}, ""},
		{"[::1]:0", Security{}, ""},
		{"localhost:0", Security{}, ""},
		{"unix:" + filepath.Join(t.TempDir(), "s"), Security{}, ""},
		{"0.0.0.0:0", Security{}, "it needs a certificate (tls_cert, tls_key) and either tokens or client_ca"},
		{":0", Security{}, "it needs a certificate"},
		{"[::]:0", Security{TokenFile: file}, "without TLS: tokens would travel in the clear"},
		{"0.0.0.0:0", Security{CertFile: cert, KeyFile: key}, "without authentication: set tokens or client_ca"},
		{"0.0.0.0:0", Security{CertFile: cert, KeyFile: key, TokenFile: file}, ""},
		{"0.0.0.0:0", Security{CertFile: cert, KeyFile: key, ClientCA: ca.file}, ""},
	}
	for _, c := range cases {
		addr := c.addr
		if err := CheckAddress(addr, c.sec); (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("check %s: %v, want %q", addr, err, c.want)
		}
		f := newFixture(t)
		f.opts.Security = c.sec
		l, err := Listen(addr)
		if err != nil {
			if strings.Contains(addr, "[::") {
				t.Logf("%s: no IPv6 here: %v", addr, err)
				continue
			}
			t.Fatal(err)
		}
		f.serveListener(l)
		if c.want == "" {
			f.stop()
			continue
		}
		if err := <-f.served; err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("serve on %s: %v, want %q", addr, err, c.want)
		}
		if _, err := l.Accept(); err == nil {
			t.Errorf("%s: the listener is open", addr)
		}
	}
}

func TestFaultySecurityIsToldAtTheStart(t *testing.T) {
	ca := newAuthority(t, "rigs")
	cert, key := ca.issue("rig", "", time.Hour)
	_, otherKey := ca.issue("other", "", time.Hour)
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		replace(t, path, text)
		return path
	}
	cases := []struct {
		sec  Security
		want string
	}{
		{Security{CertFile: cert}, "needs both a certificate and its key"},
		{Security{ClientCA: ca.file}, "client certificates need TLS"},
		{Security{CertFile: cert, KeyFile: otherKey}, "private key does not match"},
		{Security{CertFile: cert, KeyFile: "/no/such/key"}, "no such file"},
		{Security{CertFile: cert, KeyFile: key, ClientCA: file("empty", "")}, "holds no certificate"},
		{Security{TokenFile: "/no/such/tokens"}, "no such file"},
		{Security{TokenFile: file("t1", "observe bob hunter2hunter2\n")}, "t1:1: the third word is not sha256:"},
		{Security{TokenFile: file("t2", "\nadmin bob sha256:00\n")}, `t2:2: "admin" is neither observe nor operate`},
		{Security{TokenFile: file("t3", "observe bob\n")}, "t3:1: 2 words"},
		{Security{TokenFile: file("t4", "observe bob sha256:abcd\nobserve x")}, "t4:2: 2 words"},
	}
	for _, c := range cases {
		f := newFixture(t)
		f.opts.Security = c.sec
		_, err := New(f.opts)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.sec, err, c.want)
		}
		if err != nil && strings.Contains(err.Error(), "hunter2") {
			t.Errorf("the message repeats what may be a token: %v", err)
		}
	}
	for _, bad := range []struct {
		role Role
		name string
	}{{RoleNone, "x"}, {RoleObserve, ""}, {RoleOperate, "two words"}} {
		if _, _, err := NewToken(bad.role, bad.name); err == nil {
			t.Errorf("token for %v %q", bad.role, bad.name)
		}
	}
}
