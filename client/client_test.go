package client

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
)

func busyStatus(after time.Duration) error {
	st, err := status.New(codes.ResourceExhausted, "too many").WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
	if err != nil {
		panic(err)
	}
	return st.Err()
}

func TestDialOfNothing(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	silent := l.Addr().String() // takes connections and never speaks
	defer l.Close()
	gone, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	gone.Close()
	cases := []struct{ rig, text string }{
		{gone.Addr().String(), "connection refused"},
		{"unix:" + filepath.Join(t.TempDir(), "none.sock"), "no such file"},
		{silent, "deadline"},
	}
	for _, c := range cases {
		_, err := Dial(t.Context(), c.rig, Options{Timeout: 700 * time.Millisecond})
		if !errors.Is(err, ErrUnreachable) || !strings.Contains(err.Error(), c.text) || !strings.Contains(err.Error(), "check that soakd runs there") {
			t.Errorf("%s: %v", c.rig, err)
		}
	}
	lazy, err := Dial(t.Context(), gone.Addr().String(), Options{Lazy: true})
	if err != nil {
		t.Fatal(err)
	}
	lazy.Close()
}

// TestAdviceWhereNoRigAnswers: what is wrong with a certificate, or with the lack of one,
// is not put down to a daemon that is not there.
func TestAdviceWhereNoRigAnswers(t *testing.T) {
	c := &Client{rig: "bench"}
	for text, want := range map[string]string{
		`connection error: desc = "transport: Error while dialing: dial tcp 192.0.2.1:1: connect: connection refused"`: "check that soakd runs there",
		"name resolver error: produced zero addresses":                                                                 "check the name",
		"dial tcp: address 99999: invalid port":                                                                        "1 to 65535",
		`connection error: desc = "transport: authentication handshake failed: tls: failed to verify certificate: x509: certificate is valid for bench-5.example, not wrong.example"`: "the name that the certificate is for",
		`connection error: desc = "transport: authentication handshake failed: tls: failed to verify certificate: x509: certificate signed by unknown authority"`:                     "check the CA file",
		`connection error: desc = "transport: authentication handshake failed: tls: first record does not look like a TLS handshake"`:                                                 "leave the CA file out",
		`connection error: desc = "error reading server preface: EOF"`:                                                                                                                "name the CA file",
		`connection error: desc = "error reading server preface: remote error: tls: certificate required"`:                                                                            "wants a client certificate",
	} {
		err := c.wrap("describe", status.Error(codes.Unavailable, text))
		if !errors.Is(err, ErrUnreachable) || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "desc =") || strings.Contains(err.Error(), "transport:") {
			t.Errorf("%s:\n%v\nwant %q", text, err, want)
		}
	}
}

func TestDialRefusesBadAddresses(t *testing.T) {
	for rig, want := range map[string]string{
		"bench-2": "want host:port or unix:/path", "unix:": "no path", "": "want host:port", "host:": "want host:port",
	} {
		if _, err := Dial(t.Context(), rig, Options{}); err == nil || !strings.Contains(err.Error(), want) || errors.Is(err, ErrUnreachable) {
			t.Errorf("%q: %v, want %q", rig, err, want)
		}
	}
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty.pem")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, o := range []Options{{CAFile: "/no/such"}, {CAFile: empty}, {CertFile: "only-half"}} {
		o.Lazy = true
		if _, err := Dial(t.Context(), "127.0.0.1:1", o); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
}

// A token must never leave this machine in the clear.
func TestTLSWhereverTheMachineIsLeft(t *testing.T) {
	for rig, want := range map[string]string{
		"127.0.0.1:1": "insecure", "[::1]:1": "insecure", "localhost:1": "insecure", "unix:/x": "insecure", "unix:///x": "insecure",
		"bench-2:7640": "tls", "192.0.2.7:7640": "tls", "[2001:db8::1]:7640": "tls", "localhost.example:1": "tls",
	} {
		c := &Client{rig: rig, opts: Options{Token: "t"}}
		local, err := c.aim()
		if err != nil {
			t.Fatal(err)
		}
		creds, err := c.transport(local)
		if err != nil || creds.Info().SecurityProtocol != want {
			t.Errorf("%s: %s, %v; want %s", rig, creds.Info().SecurityProtocol, err, want)
		}
	}
	c := &Client{rig: "127.0.0.1:1", opts: Options{ServerName: "bench-2"}}
	if creds, err := c.transport(true); err != nil || creds.Info().SecurityProtocol != "tls" {
		t.Errorf("asked for by name: %v", err)
	}
}

func TestTokensAreReadForEveryCall(t *testing.T) {
	path := filepath.Join(t.TempDir(), "token")
	b := bearer{Options{TokenFile: path}}
	if _, err := b.GetRequestMetadata(t.Context()); err == nil {
		t.Error("no file, but a token")
	}
	for _, token := range []string{"first", "second"} {
		if err := os.WriteFile(path, []byte(token+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if md, err := b.GetRequestMetadata(t.Context()); err != nil || md["authorization"] != "Bearer "+token {
			t.Errorf("%v, %v", md, err)
		}
	}
}

func TestErrorsTellKinds(t *testing.T) {
	c := &Client{rig: "bench"}
	with := func(code codes.Code, reason string) error {
		st, err := status.New(code, "text").WithDetails(
			&errdetails.ErrorInfo{Reason: reason, Domain: "soakrig", Metadata: map[string]string{"k": "v"}},
			&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "unit", Description: "is empty"}}},
			&errdetails.RetryInfo{RetryDelay: durationpb.New(time.Second)})
		if err != nil {
			t.Fatal(err)
		}
		return st.Err()
	}
	kinds := []error{ErrUnreachable, ErrDenied, ErrNoRun, ErrRunOpen, ErrInvalid, ErrJournalChanged, ErrBeyondHead}
	cases := []struct {
		err  error
		kind error // nil: none
	}{
		{status.Error(codes.Unavailable, "x"), ErrUnreachable},
		{context.DeadlineExceeded, ErrUnreachable},
		{with(codes.Unauthenticated, "NO_CREDENTIALS"), ErrDenied},
		{with(codes.PermissionDenied, "ROLE_NEEDED"), ErrDenied},
		{with(codes.NotFound, "NO_SUCH_RUN"), ErrNoRun},
		{with(codes.FailedPrecondition, "RUN_OPEN"), ErrRunOpen},
		{with(codes.InvalidArgument, "INVALID_FIELD"), ErrInvalid},
		{with(codes.FailedPrecondition, "OTHER_JOURNAL"), ErrJournalChanged},
		{with(codes.OutOfRange, "CURSOR_BEYOND_HEAD"), ErrBeyondHead},
		{with(codes.Internal, "INTERNAL"), nil},
		{errors.New("anything"), nil},
	}
	for _, one := range cases {
		err := c.wrap("op", one.err)
		for _, kind := range kinds {
			if errors.Is(err, kind) != (kind == one.kind) {
				t.Errorf("%v: is %v: %v", one.err, kind, errors.Is(err, kind))
			}
		}
	}
	var e *Error
	if !errors.As(c.wrap("start", with(codes.InvalidArgument, "INVALID_FIELD")), &e) || e.Rig != "bench" || e.Op != "start" ||
		e.Fields[0] != (Field{"unit", "is empty"}) || e.Meta["k"] != "v" || e.RetryAfter != time.Second || e.Error() != "rig bench: start: text" {
		t.Errorf("%+v", e)
	}
	if again := c.wrap("other", e); again != error(e) {
		t.Errorf("wrapped twice: %v", again)
	}
	if c.wrap("x", nil) != nil {
		t.Error("nil became an error")
	}
	if err := c.wrap("x", status.FromContextError(context.Canceled).Err()); !errors.Is(err, context.Canceled) {
		t.Errorf("%v is not the caller's own", err)
	}
}

// One answer has its deadline even where the caller set none.
func TestCallsEnd(t *testing.T) {
	s := &script{describe: func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }}
	c := s.dial(t, Options{Lazy: true, Timeout: 200 * time.Millisecond})
	if _, err := c.Describe(context.Background()); !errors.Is(err, ErrUnreachable) || !errors.Is(err, context.DeadlineExceeded) {
		t.Error(err)
	}
}

func TestStoredNeedsTheWholeSample(t *testing.T) {
	s := &script{ends: []error{final}}
	m := batchOf(1, 1, 1)
	s.streams = append(s.streams, nil)
	h := hello(1)
	h.GetHello().Layout.Sources[0].Channels = []int32{0, 0}
	s.streams[0] = append(s.streams[0], h, m)
	_, err := s.dial(t, Options{}).Tail(t.Context(), Cursor{Next: 1}, TailOptions{}, func(e *Event) error {
		if e.Sample.Stored() != nil {
			t.Error("a part of a sample passes for all of it")
		}
		return nil
	})
	if !errors.Is(err, ErrDenied) {
		t.Error(err)
	}
}
