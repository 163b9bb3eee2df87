package rpc

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
)

// Security says who may reach the server. The zero value serves loopback addresses
// and unix sockets only, and everyone there may operate.
type Security struct {
	CertFile string // PEM; TLS on every TCP listener
	KeyFile  string
	// ClientCA is a PEM file: a client certificate that it signed is a credential. The
	// role is operate if the subject has the organisational unit "operate", else
	// observe.
	ClientCA string
	// TokenFile lists bearer tokens by hash; see NewToken. On TCP a token or a client
	// certificate is then needed, on loopback too. A unix socket is guarded by its file
	// mode alone: who may open it may operate.
	TokenFile string
	// Recheck is how often the files are looked at for changes; zero: 1 s.
	Recheck time.Duration
}

// Role is what a caller may do; a higher one may do what lower ones may.
type Role int

// The roles.
const (
	RoleNone Role = iota
	RoleObserve
	RoleOperate
)

// String is the word that the token file uses.
func (r Role) String() string {
	return [...]string{"none", "observe", "operate"}[r]
}

// roleOf is what each method needs. A method that is not here is refused to
// everyone: a new one is closed until somebody decides.
func roleOf(method string) (Role, bool) {
	switch method {
	case "/soakrig.v1.RigService/Describe",
		"/soakrig.v1.RigService/WatchHealth",
		"/soakrig.v1.SampleService/Tail",
		"/soakrig.v1.SampleService/Read",
		"/soakrig.v1.RunService/Get",
		"/soakrig.v1.RunService/List",
		"/soakrig.v1.RunService/Watch",
		"/soakrig.v1.RunService/Evaluate",
		"/soakrig.v1.RunService/ZeroCheck", // with trim: operate, asked in the handler
		"/grpc.health.v1.Health/Check",
		"/grpc.health.v1.Health/List",
		"/grpc.health.v1.Health/Watch",
		"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
		"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo":
		return RoleObserve, true
	case "/soakrig.v1.SampleService/Push",
		"/soakrig.v1.RunService/Start",
		"/soakrig.v1.RunService/Stop",
		"/soakrig.v1.RunService/Mark":
		return RoleOperate, true
	}
	return RoleNone, false
}

// identity is who calls and by what right.
type identity struct {
	name  string
	role  Role
	token *[32]byte // hash of the token that gave the role; nil: no token
}

// authenticator knows the credentials in force.
type authenticator struct {
	sec    Security
	tokens *tokenFile // nil: none
	certs  *certs     // nil: no TLS
	log    *slog.Logger
}

func newAuthenticator(sec Security, log *slog.Logger) (*authenticator, error) {
	if sec.Recheck == 0 {
		sec.Recheck = time.Second
	}
	a := &authenticator{sec: sec, log: log}
	if (sec.CertFile == "") != (sec.KeyFile == "") {
		return nil, errors.New("TLS needs both a certificate and its key: set tls_cert and tls_key")
	}
	if sec.ClientCA != "" && sec.CertFile == "" {
		return nil, errors.New("client certificates need TLS: set tls_cert and tls_key beside client_ca")
	}
	if sec.CertFile != "" {
		a.certs = &certs{sec: sec}
		if _, err := a.certs.refresh(); err != nil {
			return nil, err
		}
	}
	if sec.TokenFile != "" {
		a.tokens = &tokenFile{path: sec.TokenFile}
		if _, err := a.tokens.refresh(); err != nil {
			return nil, err
		}
	}
	return a, nil
}

// mayListen refuses an address that this security does not fit.
func (a *authenticator) mayListen(addr net.Addr) error {
	switch at := addr.(type) {
	case *net.UnixAddr:
		return nil
	case *net.TCPAddr:
		if at.IP.IsLoopback() {
			return nil
		}
		return a.sec.demand(addr.String())
	}
	if addr.Network() == "bufconn" { // in memory: only this process can reach it
		return nil
	}
	return fmt.Errorf("refusing to serve on %s %s: neither TCP nor a unix socket", addr.Network(), addr)
}

// identify says who calls; an error is the status to answer with.
func (a *authenticator) identify(ctx context.Context) (identity, error) {
	conn := connOf(ctx)
	if conn == nil {
		return identity{}, fail(codes.Unauthenticated, reasonCredentials, nil, "the connection is not known")
	}
	if a.tokens == nil && a.sec.ClientCA == "" || conn.network != "tcp" {
		return identity{name: "local", role: RoleOperate}, nil
	}
	if md, _ := metadata.FromIncomingContext(ctx); len(md["authorization"]) > 0 && a.tokens != nil {
		scheme, token, _ := strings.Cut(md["authorization"][0], " ")
		if id, ok := a.tokens.find(token); ok && strings.EqualFold(scheme, "bearer") {
			return id, nil
		}
		return identity{}, fail(codes.Unauthenticated, reasonCredentials, nil,
			"the token is not valid (any more); ask for a new one, or check the token file of the rig")
	}
	if id, ok := certIdentity(conn.tls); ok {
		return id, nil
	}
	want := "a token (authorization: Bearer ...)"
	switch {
	case a.tokens == nil:
		want = "a client certificate"
	case a.sec.ClientCA != "":
		want += " or a client certificate"
	}
	return identity{}, fail(codes.Unauthenticated, reasonCredentials, nil, "this rig wants "+want)
}

func certIdentity(state *tls.ConnectionState) (identity, bool) {
	if state == nil || len(state.VerifiedChains) == 0 {
		return identity{}, false
	}
	subject := state.PeerCertificates[0].Subject
	id := identity{name: subject.CommonName, role: RoleObserve}
	if slices.Contains(subject.OrganizationalUnit, RoleOperate.String()) {
		id.role = RoleOperate
	}
	return id, true
}

// allow says whether the caller may use the method.
func (a *authenticator) allow(ctx context.Context, method string) (identity, error) {
	need, known := roleOf(method)
	if !known {
		return identity{}, fail(codes.PermissionDenied, reasonRole, nil, method+" is not open to anyone")
	}
	id, err := a.identify(ctx)
	if err != nil {
		return id, err
	}
	return id, id.need(need, method)
}

func (id identity) need(role Role, method string) error {
	if id.role >= role {
		return nil
	}
	return fail(codes.PermissionDenied, reasonRole, map[string]string{"needed": role.String(), "role": id.role.String()},
		fmt.Sprintf("%s needs the role %s; %s has %s", method, role, id.name, id.role))
}

// watch follows the files until ctx ends, and cuts off whom they no longer let in.
func (a *authenticator) watch(ctx context.Context, g *guard) {
	if a.tokens == nil && a.certs == nil {
		return
	}
	tick := time.NewTicker(a.sec.Recheck)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			a.recheck(g)
		case <-ctx.Done():
			return
		}
	}
}

// recheck is one look at the files. A file that can't be used leaves what is in
// force as it is, said once per version of the file.
func (a *authenticator) recheck(g *guard) {
	if a.tokens != nil {
		if changed, err := a.tokens.refresh(); err != nil {
			a.log.Error("the token file can't be used; the tokens of before hold", "err", err)
		} else if changed {
			a.log.Info("token file read again", "file", a.sec.TokenFile)
		}
		g.cutCalls(func(id identity) bool {
			if id.token == nil { // came by another right
				return true
			}
			now, ok := a.tokens.byHash(id.token)
			return ok && now.role >= id.role
		})
	}
	if a.certs != nil {
		if changed, err := a.certs.refresh(); err != nil {
			a.log.Error("the certificate files can't be used; those of before hold", "err", err)
		} else if changed {
			a.log.Info("certificates read again", "file", a.sec.CertFile, "valid_until", a.certs.expiry())
		}
		g.cutConns(a.certs.trusts)
	}
}

// connInfo is what is known of a connection since its handshake.
type connInfo struct {
	credentials.CommonAuthInfo
	conn    *guardedConn // nil: not from a guarded listener
	network string       // tcp, unix, bufconn
	tls     *tls.ConnectionState
	leaf    *x509.Certificate // the client's, when it was verified
}

// AuthType implements credentials.AuthInfo.
func (*connInfo) AuthType() string { return Domain }

func connOf(ctx context.Context) *connInfo {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return nil
	}
	info, _ := p.AuthInfo.(*connInfo)
	return info
}
