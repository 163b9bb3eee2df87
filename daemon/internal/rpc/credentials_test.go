package rpc

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc/metadata"
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
