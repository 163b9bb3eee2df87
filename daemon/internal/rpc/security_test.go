package rpc

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/emptypb"

	"soakrig/client"
	pb "soakrig/proto/soakrig/v1"
)

// authority signs certificates for a test.
type authority struct {
	t    testing.TB
	dir  string
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
	file string
	n    int64
}

func newAuthority(t testing.TB, name string) *authority {
	a := &authority{t: t, dir: t.TempDir()}
	var err error
	if a.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign,
	}
	raw, err := x509.CreateCertificate(rand.Reader, template, template, &a.key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	if a.cert, err = x509.ParseCertificate(raw); err != nil {
		t.Fatal(err)
	}
	a.file = filepath.Join(a.dir, "ca.pem")
	a.write(a.file, "CERTIFICATE", raw)
	return a
}

func (a *authority) write(path, kind string, raw []byte) {
	a.t.Helper()
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: raw}), 0o600); err != nil {
		a.t.Fatal(err)
	}
}

// issue writes a certificate and key; unit is the organisational unit.
func (a *authority) issue(name, unit string, valid time.Duration) (cert, key string) {
	a.t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	a.n++
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1 + a.n), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(valid),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		DNSNames:    []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	if unit != "" {
		template.Subject.OrganizationalUnit = []string{unit}
	}
	raw, err := x509.CreateCertificate(rand.Reader, template, a.cert, &k.PublicKey, a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	keyRaw, err := x509.MarshalECPrivateKey(k)
	if err != nil {
		a.t.Fatal(err)
	}
	cert, key = filepath.Join(a.dir, fmt.Sprint(name, a.n, ".pem")), filepath.Join(a.dir, fmt.Sprint(name, a.n, ".key"))
	a.write(cert, "CERTIFICATE", raw)
	a.write(key, "EC PRIVATE KEY", keyRaw)
	return cert, key
}

// tokens makes a token file with one token of each role.
func tokens(t testing.TB) (file, observe, operate string) {
	t.Helper()
	observe, seeLine, err := NewToken(RoleObserve, "screen")
	if err != nil {
		t.Fatal(err)
	}
	operate, doLine, err := NewToken(RoleOperate, "script")
	if err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(t.TempDir(), "tokens")
	replace(t, file, "# who may do what\n"+seeLine+"\n\n"+doLine+" # the load script\n")
	return file, observe, operate
}

// replace writes a file anew, with a time stamp that no version before had.
func replace(t testing.TB, path, text string) {
	t.Helper()
	tmp := path + ".new"
	if err := os.WriteFile(tmp, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	at := time.Unix(0, stamp.Add(int64(time.Second)))
	if err := os.Chtimes(tmp, at, at); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(tmp, path); err != nil {
		t.Fatal(err)
	}
}

var stamp atomic.Int64

func bearing(ctx context.Context, token string) context.Context {
	if token == "" {
		return ctx
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

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

// D3: a reload of a broken file applied half of it. A token that is taken out of the
// file ends what it has open.
func TestD3TokensAreReadAgain(t *testing.T) {
	f := newFixture(t)
	file, observe, operate := tokens(t)
	f.opts.Security = Security{TokenFile: file, Recheck: 20 * time.Millisecond}
	f.start()
	f.fill(2)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	conn := f.conn()
	describe := func(token string) error {
		_, err := pb.NewRigServiceClient(conn).Describe(bearing(soon(t), token), &pb.DescribeRequest{})
		return err
	}
	stream, err := pb.NewSampleServiceClient(conn).Tail(bearing(t.Context(), observe), &pb.TailRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	replace(t, file, string(text)+"nonsense\n")
	f.until("the token file can't be used")
	if err := describe(observe); err != nil {
		t.Errorf("with a broken file: %v", err)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	f.until("no such file")
	if err := describe(operate); err != nil {
		t.Errorf("with no file: %v", err)
	}
	third, line, err := NewToken(RoleObserve, "third")
	if err != nil {
		t.Fatal(err)
	}
	kept := strings.Split(string(text), "\n")[3] // the operator's
	replace(t, file, kept+"\n"+line+"\n")
	_, err = stream.Recv()
	checkStatus(t, err, codes.Unauthenticated, reasonRevoked, "withdrawn")
	checkStatus(t, describe(observe), codes.Unauthenticated, reasonCredentials, "not valid (any more)")
	for _, token := range []string{operate, third} {
		if err := describe(token); err != nil {
			t.Error(err)
		}
	}
	// A role that was taken back ends calls as well.
	watch, err := pb.NewRunServiceClient(conn).Watch(bearing(t.Context(), operate), &pb.WatchRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := watch.Recv(); err != nil {
		t.Fatal(err)
	}
	replace(t, file, strings.Replace(kept, "operate", "observe", 1)+"\n")
	_, err = watch.Recv()
	checkStatus(t, err, codes.Unauthenticated, reasonRevoked, "withdrawn")
	if err := describe(operate); err != nil {
		t.Error(err)
	}
	_, err = pb.NewRunServiceClient(conn).Stop(bearing(t.Context(), operate), &pb.StopRequest{})
	checkStatus(t, err, codes.PermissionDenied, reasonRole, "script has observe")
}

// until waits for a line in the log.
func (f *fixture) until(text string) {
	f.t.Helper()
	eventually(f.t, 10*time.Second, "the log to say "+text, func() bool { return strings.Contains(f.logged.String(), text) })
}

// A client whose token is withdrawn and that does not read is cut off all the same.
func TestWithdrawnTokensOfStalledClients(t *testing.T) {
	noLeaks(t)
	f := newFixture(t)
	file, observe, _ := tokens(t)
	f.opts.Security = Security{TokenFile: file, Recheck: 20 * time.Millisecond}
	f.start()
	start := uint64(1)
	stream, err := pb.NewSampleServiceClient(f.conn()).Tail(bearing(t.Context(), observe), &pb.TailRequest{StartSequence: &start})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	for range 50000 {
		f.sample(1)
	}
	replace(t, file, "# nobody\n")
	eventually(t, 10*time.Second, "the stream of a withdrawn token to end", func() bool { return len(f.srv.guard.methods()) == 0 })
}

// C20: a renewed certificate was served only after a restart, a half-written pair
// broke handshakes, and old connections kept a revoked authority.
func TestC20CertificatesAreReadAgain(t *testing.T) {
	noLeaks(t)
	ca, people, others := newAuthority(t, "rigs"), newAuthority(t, "people"), newAuthority(t, "others")
	dir := t.TempDir()
	cert, key, clients := filepath.Join(dir, "c"), filepath.Join(dir, "k"), filepath.Join(dir, "ca")
	put := func(to, from string) {
		text, err := os.ReadFile(from)
		if err != nil {
			t.Fatal(err)
		}
		replace(t, to, string(text))
	}
	c1, k1 := ca.issue("first", "", time.Hour)
	put(cert, c1)
	put(key, k1)
	put(clients, people.file)
	f := newFixture(t)
	f.opts.Security = Security{CertFile: cert, KeyFile: key, ClientCA: clients, Recheck: 20 * time.Millisecond}
	f.start()
	roots := x509.NewCertPool()
	roots.AddCert(ca.cert)
	identity := func(a *authority) *tls.Config {
		pair, err := tls.LoadX509KeyPair(a.issue("ann", "operate", time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		return &tls.Config{RootCAs: roots, NextProtos: []string{"h2"}, GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &pair, nil }}
	}
	served := func() string { // whose certificate a handshake shows
		conn, err := tls.Dial("tcp", f.addr, identity(people))
		if err != nil {
			t.Fatalf("handshake: %v", err)
		}
		defer conn.Close()
		return conn.ConnectionState().PeerCertificates[0].Subject.CommonName
	}
	if served() != "first" || time.Until(f.srv.auth.certs.expiry()) < 50*time.Minute {
		t.Fatal("the first certificate")
	}
	conn := f.conn(grpc.WithTransportCredentials(credentials.NewTLS(identity(people))))
	stream, err := pb.NewSampleServiceClient(conn).Tail(t.Context(), &pb.TailRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}

	c2, k2 := ca.issue("second", "", 2*time.Hour)
	put(cert, c2) // half of the pair
	f.until("those of before hold")
	if who := served(); who != "first" {
		t.Errorf("with half a pair: %s", who)
	}
	put(key, k2)
	f.until("certificates read again")
	if who := served(); who != "second" || time.Until(f.srv.auth.certs.expiry()) < 110*time.Minute {
		t.Errorf("with the new pair: %s until %v", who, f.srv.auth.certs.expiry())
	}
	f.mark("still there")
	if _, err := stream.Recv(); err != nil {
		t.Errorf("an open stream did not survive the renewal: %v", err)
	}

	put(clients, others.file) // people are not trusted any more
	if _, err := stream.Recv(); status.Code(err) != codes.Unavailable {
		t.Errorf("stream of a revoked client: %v", err)
	}
	if err := invoke(t.Context(), conn, "/soakrig.v1.RigService/Describe", false); status.Code(err) != codes.Unavailable {
		t.Errorf("a revoked client comes back: %v", err)
	}
	conn2 := f.conn(grpc.WithTransportCredentials(credentials.NewTLS(identity(others))))
	if err := invoke(t.Context(), conn2, "/soakrig.v1.RigService/Describe", false); err != nil {
		t.Errorf("a client of the new authority: %v", err)
	}
	// Old protocol versions are not spoken.
	old := identity(others)
	old.MaxVersion = tls.VersionTLS12
	if c, err := tls.Dial("tcp", f.addr, old); err == nil {
		c.Close()
		t.Error("TLS 1.2 was taken")
	}
}

func TestLimitsOnConnectionsAndCalls(t *testing.T) {
	noLeaks(t)
	f := newFixture(t)
	f.opts.Limits = Limits{Connections: 3, Calls: 4, StreamsPerConn: 64, RequestsPerSecond: 1e5}
	f.start()
	f.fill(1)
	var conns []net.Conn
	for range 5 {
		c, err := net.Dial("tcp", f.addr)
		if err != nil {
			t.Fatal(err)
		}
		conns = append(conns, c)
	}
	open := 0
	for _, c := range conns { // a server says its settings first; the refused ones are closed
		if err := c.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		if n, _ := c.Read(make([]byte, 1)); n == 1 {
			open++
		}
		defer c.Close()
	}
	if open != 3 {
		t.Errorf("%d of 5 connections were taken, want 3", open)
	}
	for _, c := range conns {
		c.Close()
	}
	eventually(t, 10*time.Second, "closed connections to count no more", func() bool { return f.openConns() == 0 })
	conn := f.conn()
	for n := range 5 {
		stream, err := pb.NewSampleServiceClient(conn).Tail(t.Context(), &pb.TailRequest{})
		if err != nil {
			t.Fatal(err)
		}
		_, err = stream.Recv()
		if n < 4 && err != nil {
			t.Fatalf("call %d: %v", n, err)
		}
		if n == 4 {
			checkStatus(t, err, codes.ResourceExhausted, reasonTooManyCalls, "close streams")
		}
	}
}

func (f *fixture) openConns() int {
	f.srv.guard.mu.Lock()
	defer f.srv.guard.mu.Unlock()
	return len(f.srv.guard.conns)
}

func TestLargeMessagesAreRefused(t *testing.T) {
	f := newFixture(t).start()
	_, err := pb.NewRunServiceClient(f.conn()).Mark(t.Context(), &pb.MarkRequest{Text: strings.Repeat("x", 2<<20)})
	if status.Code(err) != codes.ResourceExhausted || !strings.Contains(err.Error(), "larger than max") {
		t.Errorf("%v", err)
	}
	// A small message that unpacks to a large one, too.
	_, err = pb.NewRunServiceClient(f.conn(grpc.WithDefaultCallOptions(grpc.UseCompressor("gzip")))).Mark(t.Context(), &pb.MarkRequest{Text: strings.Repeat("x", 64<<20)})
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("%v", err)
	}
}

func TestUnknownHostsAreForgotten(t *testing.T) {
	f := newFixture(t)
	g := newGuard(Limits{Connections: 10, RequestsPerSecond: 1, DeniedPerSecond: 1}, f.opts.Log)
	for i := range 5 * maxHosts {
		a, b := net.Pipe()
		c := g.admit(fakeAddr{a, fmt.Sprintf("10.0.%d.%d:1", i/256, i%256)})
		g.mu.Lock()
		g.hosts[c.host].denied.AllowN(time.Now(), 3) // so that it is remembered
		g.mu.Unlock()
		c.Close()
		b.Close()
	}
	if len(g.hosts) > maxHosts {
		t.Errorf("%d hosts are remembered", len(g.hosts))
	}
}

type fakeAddr struct {
	net.Conn
	from string
}

func (f fakeAddr) RemoteAddr() net.Addr { return fakeName(f.from) }

type fakeName string

func (fakeName) Network() string  { return "tcp" }
func (n fakeName) String() string { return string(n) }
