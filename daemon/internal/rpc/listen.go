package rpc

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"strings"
	"syscall"
	"time"
)

// Listen opens an address: host:port, or unix:/path for a socket that the owner and
// the group of the directory may use. A socket that a killed soakd left behind is
// replaced; one that answers is another soakd's and is left alone.
func Listen(address string) (net.Listener, error) {
	path, isUnix := strings.CutPrefix(address, "unix:")
	if !isUnix {
		l, err := net.Listen("tcp", address)
		if errors.Is(err, syscall.EADDRINUSE) {
			return nil, fmt.Errorf("listen on %s: another program uses the port; stop it or choose another in listen.grpc: %w", address, err)
		}
		if err != nil {
			return nil, fmt.Errorf("listen on %s: %w", address, err)
		}
		return l, nil
	}
	path = strings.TrimPrefix(path, "//") // unix:///path as well
	l, err := listenUnix(path)
	if errors.Is(err, syscall.EADDRINUSE) {
		if err = clearStale(path); err == nil {
			l, err = listenUnix(path)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("listen on unix:%s: %w", path, err)
	}
	return l, nil
}

func listenUnix(path string) (net.Listener, error) {
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o660); err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}

// clearStale removes a socket that nobody listens on.
func clearStale(path string) error {
	info, err := os.Lstat(path)
	if err != nil {
		return err
	}
	if info.Mode()&os.ModeSocket == 0 {
		return errors.New("there is something else than a socket; choose another path or remove it")
	}
	c, err := net.DialTimeout("unix", path, time.Second)
	if err == nil {
		c.Close()
		return errors.New("another soakd answers there; stop it first")
	}
	if !errors.Is(err, syscall.ECONNREFUSED) {
		return fmt.Errorf("a socket is there and can't be asked whether it is in use: %w", err)
	}
	return os.Remove(path)
}

// CheckFiles says why the server would not start with the files that security names;
// nil: it would.
func CheckFiles(sec Security) error {
	_, err := newAuthenticator(sec, slog.New(slog.DiscardHandler))
	return err
}

// CheckAddress says why the server would refuse to serve on the address with this
// security; nil: it would not, or the address is none. It looks no name up: a name
// other than localhost counts as reachable from elsewhere.
func CheckAddress(address string, sec Security) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil || strings.HasPrefix(address, "unix:") {
		return nil
	}
	ip, err := netip.ParseAddr(host)
	if host == "localhost" || err == nil && ip.Unmap().IsLoopback() {
		return nil
	}
	return sec.demand(address)
}

// demand says what is missing for an address that is reachable from elsewhere.
func (sec Security) demand(address string) error {
	hasAuth := sec.TokenFile != "" || sec.ClientCA != ""
	switch {
	case sec.CertFile == "" && !hasAuth:
		return fmt.Errorf("refusing to serve on %s, which others can reach: it needs a certificate (tls_cert, tls_key) and either tokens or client_ca; or listen on 127.0.0.1 or unix:/path", address)
	case sec.CertFile == "":
		return fmt.Errorf("refusing to serve on %s, which others can reach, without TLS: tokens would travel in the clear; set tls_cert and tls_key", address)
	case !hasAuth:
		return fmt.Errorf("refusing to serve on %s, which others can reach, without authentication: set tokens or client_ca", address)
	}
	return nil
}
