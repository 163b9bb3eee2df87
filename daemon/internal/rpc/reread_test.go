package rpc

import (
	"crypto/tls"
	"crypto/x509"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	pb "soakrig/proto/soakrig/v1"
)

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
