package rpc

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"sync/atomic"
	"time"
)

// certs holds the certificate, its key and the client CA in force, read again when a
// file changes. A pair that does not fit (half written) leaves the old one in force.
type certs struct {
	sec  Security
	seen [3]fileStamp // of the last look; used by one goroutine
	cur  atomic.Pointer[certSet]
}

type certSet struct {
	config *tls.Config
	leaf   *x509.Certificate
	ca     *x509.CertPool // nil: no client certificates
}

// refresh reads the files if any changed since the last look. A faulty version is
// reported once.
func (c *certs) refresh() (changed bool, err error) {
	var stamps [3]fileStamp
	for i, path := range []string{c.sec.CertFile, c.sec.KeyFile, c.sec.ClientCA} {
		if path != "" {
			stamps[i], _ = stampOf(path) // a missing file fails to load below
		}
	}
	if stamps == c.seen {
		return false, nil
	}
	c.seen = stamps
	set, err := c.load()
	if err != nil {
		return false, err
	}
	c.cur.Store(set)
	return true, nil
}

func (c *certs) load() (*certSet, error) {
	pair, err := tls.LoadX509KeyPair(c.sec.CertFile, c.sec.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("certificate %s with key %s: %w", c.sec.CertFile, c.sec.KeyFile, err)
	}
	leaf, err := x509.ParseCertificate(pair.Certificate[0])
	if err != nil {
		return nil, fmt.Errorf("certificate %s: %w", c.sec.CertFile, err)
	}
	set := &certSet{leaf: leaf, config: &tls.Config{
		Certificates: []tls.Certificate{pair},
		MinVersion:   tls.VersionTLS13,
		// A resumed session would keep a client that is revoked.
		SessionTicketsDisabled: true,
		NextProtos:             []string{"h2"},
	}}
	if c.sec.ClientCA == "" {
		return set, nil
	}
	text, err := os.ReadFile(c.sec.ClientCA)
	if err != nil {
		return nil, fmt.Errorf("client CA: %w", err)
	}
	set.ca = x509.NewCertPool()
	if !set.ca.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("client CA %s holds no certificate in PEM form", c.sec.ClientCA)
	}
	set.config.ClientCAs = set.ca
	set.config.ClientAuth = tls.RequireAndVerifyClientCert
	if c.sec.TokenFile != "" {
		set.config.ClientAuth = tls.VerifyClientCertIfGiven // or a token
	}
	return set, nil
}

// config is for credentials.NewTLS: every handshake takes the set in force.
func (c *certs) config() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		NextProtos: []string{"h2"},
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
			if set := c.cur.Load(); set != nil {
				return set.config, nil
			}
			return nil, errors.New("no certificate is loaded")
		},
	}
}

func (c *certs) expiry() time.Time { return c.cur.Load().leaf.NotAfter }

// trusts says whether a connection's client certificate would be accepted today.
func (c *certs) trusts(info *connInfo) bool {
	if info.leaf == nil {
		return true // came by another right
	}
	set := c.cur.Load()
	if set.ca == nil {
		return false
	}
	between := x509.NewCertPool()
	for _, cert := range info.tls.PeerCertificates[1:] {
		between.AddCert(cert)
	}
	_, err := info.leaf.Verify(x509.VerifyOptions{
		Roots: set.ca, Intermediates: between, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	})
	return err == nil
}
