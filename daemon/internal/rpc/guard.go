package rpc

import (
	"context"
	"log/slog"
	"net"
	"sort"
	"sync"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
)

// guard counts connections and calls, keeps to the limits, and can cut off.
type guard struct {
	limits Limits
	log    *slog.Logger

	mu     sync.Mutex
	conns  map[*guardedConn]struct{} // guarded by mu
	calls  map[*call]struct{}        // guarded by mu
	hosts  map[string]*host          // guarded by mu; those with a connection
	warned map[string]warning        // guarded by mu
}

type warning struct {
	at         time.Time
	suppressed int
}

// call is one call under way.
type call struct {
	method string
	id     identity
	conn   *connInfo
	cancel context.CancelCauseFunc // nil until the caller was let in; guarded by guard.mu
	cut    bool                    // cancelled by cutCalls; guarded by guard.mu
}

// String names the caller: who, from where.
func (c *call) String() string {
	if c.conn != nil && c.conn.conn != nil {
		return c.id.name + "@" + c.conn.conn.RemoteAddr().String()
	}
	return c.id.name
}

func newGuard(l Limits, log *slog.Logger) *guard {
	return &guard{
		limits: l, log: log, conns: map[*guardedConn]struct{}{}, calls: map[*call]struct{}{},
		hosts: map[string]*host{}, warned: map[string]warning{},
	}
}

// enter admits a call, or says why not.
func (g *guard) enter(c *call) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.calls) >= g.limits.Calls {
		return later(codes.ResourceExhausted, reasonTooManyCalls, 5*time.Second,
			"the rig serves as many calls as it may; close streams that are not needed", nil)
	}
	g.calls[c] = struct{}{}
	return nil
}

// arm makes a call endable.
func (g *guard) arm(c *call, cancel context.CancelCauseFunc) {
	g.mu.Lock()
	c.cancel = cancel
	g.mu.Unlock()
}

func (g *guard) leave(c *call) {
	g.mu.Lock()
	delete(g.calls, c)
	g.mu.Unlock()
}

// methods lists what still runs.
func (g *guard) methods() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	var list []string
	for c := range g.calls {
		list = append(list, c.method)
	}
	sort.Strings(list)
	return list
}

// cutCalls ends the calls whose identity no longer holds. One that was told and does
// not end (its client does not read) loses its connection the next time.
func (g *guard) cutCalls(holds func(identity) bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for c := range g.calls {
		switch {
		case c.cancel == nil || holds(c.id):
		case !c.cut:
			c.cut = true
			c.cancel(fail(codes.Unauthenticated, reasonRevoked, nil, "the token was withdrawn"))
			g.log.Warn("call ended: its token was withdrawn", "caller", c.String(), "method", c.method)
		case c.conn != nil && c.conn.conn != nil:
			go c.conn.conn.Close() // takes the lock
		}
	}
}

// cutConns closes the connections that are no longer trusted.
func (g *guard) cutConns(trusts func(*connInfo) bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for c := range g.conns {
		if info := c.info; info != nil && !trusts(info) {
			g.log.Warn("connection closed: its client certificate is no longer trusted",
				"peer", c.RemoteAddr().String(), "name", info.leaf.Subject.CommonName)
			go c.Close() // takes the lock
		}
	}
}

// warn logs at most one line per kind in ten seconds, with the number left out.
func (g *guard) warn(kind string, args ...any) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.warnLocked(kind, args...)
}

// warnLocked is warn where mu is held.
func (g *guard) warnLocked(kind string, args ...any) {
	w := g.warned[kind]
	if time.Since(w.at) < 10*time.Second {
		w.suppressed++
		g.warned[kind] = w
		return
	}
	if w.suppressed > 0 {
		args = append(args, "left_out", w.suppressed)
	}
	g.log.Warn(kind, args...)
	g.warned[kind] = warning{at: time.Now()}
}

// guardedListener closes connections beyond the limit at once.
type guardedListener struct {
	net.Listener
	guard *guard
}

// Accept implements net.Listener.
func (l *guardedListener) Accept() (net.Conn, error) {
	for {
		raw, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if c := l.guard.admit(raw); c != nil {
			return c, nil
		}
		l.guard.warn("connection refused: as many are open as may be", "peer", raw.RemoteAddr().String(), "limit", l.guard.limits.Connections)
		raw.Close()
	}
}

func (g *guard) admit(raw net.Conn) *guardedConn {
	c := &guardedConn{Conn: raw, guard: g, host: raw.RemoteAddr().String()}
	if name, _, err := net.SplitHostPort(c.host); err == nil {
		c.host = name
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.conns) >= g.limits.Connections {
		return nil
	}
	g.conns[c] = struct{}{}
	h := g.hosts[c.host]
	if h == nil {
		g.forget()
		h = &host{denied: bucket(g.limits.DeniedPerSecond), callers: map[string]*rate.Limiter{}}
		g.hosts[c.host] = h
	}
	h.conns++
	return c
}

// maxHosts bounds the hosts whose rate is remembered after they left.
const maxHosts = 1024

// forget drops hosts without a connection when there are too many; mu is held.
func (g *guard) forget() {
	if len(g.hosts) < maxHosts {
		return
	}
	for name, h := range g.hosts {
		if h.conns == 0 {
			delete(g.hosts, name)
		}
	}
}

// guardedConn is a connection that the guard counts.
type guardedConn struct {
	net.Conn
	guard *guard
	host  string
	info  *connInfo // set by the handshake; guarded by guard.mu
	once  sync.Once
}

// Close implements net.Conn.
func (c *guardedConn) Close() error {
	c.once.Do(func() {
		c.guard.mu.Lock()
		defer c.guard.mu.Unlock()
		delete(c.guard.conns, c)
		h := c.guard.hosts[c.host]
		if h.conns--; h.idle() {
			delete(c.guard.hosts, c.host)
		}
	})
	return c.Conn.Close()
}

// handshaker does TLS on TCP where it is configured, and notes what a connection is.
type handshaker struct {
	auth  *authenticator
	guard *guard
}

// ServerHandshake implements credentials.TransportCredentials.
func (h *handshaker) ServerHandshake(raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	info := &connInfo{network: raw.LocalAddr().Network()}
	info.SecurityLevel = credentials.NoSecurity
	info.conn, _ = raw.(*guardedConn)
	conn := raw
	if h.auth.certs != nil && info.network == "tcp" {
		secured, auth, err := credentials.NewTLS(h.auth.certs.config()).ServerHandshake(raw)
		if err != nil {
			h.guard.warn("handshake failed", "peer", raw.RemoteAddr().String(), "err", err)
			return nil, nil, err
		}
		state := auth.(credentials.TLSInfo).State
		conn, info.tls = secured, &state
		info.SecurityLevel = credentials.PrivacyAndIntegrity
		if len(state.VerifiedChains) > 0 {
			info.leaf = state.PeerCertificates[0]
		}
	}
	if info.conn != nil {
		h.guard.mu.Lock()
		info.conn.info = info
		h.guard.mu.Unlock()
	}
	return conn, info, nil
}

// ClientHandshake implements credentials.TransportCredentials; a server has no use
// for it.
func (h *handshaker) ClientHandshake(ctx context.Context, authority string, raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	return insecure.NewCredentials().ClientHandshake(ctx, authority, raw)
}

// Info implements credentials.TransportCredentials.
func (h *handshaker) Info() credentials.ProtocolInfo {
	return credentials.ProtocolInfo{SecurityProtocol: Domain}
}

// Clone implements credentials.TransportCredentials.
func (h *handshaker) Clone() credentials.TransportCredentials { return h }

// OverrideServerName implements credentials.TransportCredentials.
func (h *handshaker) OverrideServerName(string) error { return nil }
