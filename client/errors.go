package client

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// What callers branch on with errors.Is. The errors of this package are *Error, whose
// text says what to do.
var (
	// ErrUnreachable: the rig does not answer.
	ErrUnreachable = errors.New("rig does not answer")
	// ErrDenied: the credentials are missing, not valid or not enough.
	ErrDenied = errors.New("access denied")
	// ErrNoRun: there is no such run.
	ErrNoRun = errors.New("no such run")
	// ErrRunOpen: another run is open.
	ErrRunOpen = errors.New("a run is open")
	// ErrInvalid: the request contradicts itself or names what the rig lacks.
	ErrInvalid = errors.New("invalid request")
	// ErrJournalChanged: the cursor belongs to another journal than the rig has now.
	ErrJournalChanged = errors.New("the rig has another journal")
	// ErrBeyondHead: the cursor is beyond what the journal holds.
	ErrBeyondHead = errors.New("the cursor is beyond the journal's head")
)

// Error is why a call failed.
type Error struct {
	Rig        string // as dialled
	Op         string // what was asked for
	Code       codes.Code
	Reason     string            // word for programs, from the rig; empty: none came
	Text       string            // for people
	Meta       map[string]string // what goes with Reason; nil: nothing
	Fields     []Field           // fields of the request that are wrong
	RetryAfter time.Duration     // zero: not said
	err        error
}

// Field is a field of a request that is wrong.
type Field struct{ Name, Text string }

// Error words the failure.
func (e *Error) Error() string {
	if e.Is(ErrUnreachable) {
		return fmt.Sprintf("rig %s does not answer (%s): %s; %s", e.Rig, e.Op, e.Text, e.advice())
	}
	return fmt.Sprintf("rig %s: %s: %s", e.Rig, e.Op, e.Text)
}

// advice is what to do where no rig answers.
func (e *Error) advice() string {
	for _, a := range []struct{ sign, text string }{
		{"produced zero addresses", "no computer of that name is known here: check the name, or give its IP address"},
		{"no such host", "no computer of that name is known here: check the name, or give its IP address"},
		{"invalid port", "a port is a number from 1 to 65535"},
		{"bad certificate", "the rig does not take the client certificate, or wants one"},
		{"certificate required", "the rig wants a client certificate"},
		{"x509: ", "somebody is there whose certificate is not taken: check the CA file, and the name that the certificate is for"},
		{"first record does not look like a TLS handshake", "somebody is there without TLS: leave the CA file out if that is the rig"},
		{"server preface", "somebody is there who does not speak plain gRPC: if the rig serves TLS, name the CA file of its certificate"},
	} {
		if strings.Contains(e.Text, a.sign) {
			return a.text
		}
	}
	return "check that soakd runs there and that the address is right"
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.err }

// Is tells the kinds of failure apart.
func (e *Error) Is(target error) bool {
	switch target {
	case ErrUnreachable:
		return e.Code == codes.Unavailable || e.Code == codes.DeadlineExceeded
	case ErrDenied:
		return e.Code == codes.Unauthenticated || e.Code == codes.PermissionDenied
	case ErrNoRun:
		return e.Reason == "NO_SUCH_RUN"
	case ErrRunOpen:
		return e.Reason == "RUN_OPEN"
	case ErrInvalid:
		return e.Code == codes.InvalidArgument
	case ErrJournalChanged:
		return e.Reason == "OTHER_JOURNAL"
	case ErrBeyondHead:
		return e.Reason == "CURSOR_BEYOND_HEAD"
	}
	return false
}

// wrap makes an *Error of what gRPC returned; nil stays nil.
func (c *Client) wrap(op string, err error) error {
	if err == nil {
		return nil
	}
	var known *Error
	if errors.As(err, &known) {
		return err
	}
	st := status.Convert(err)
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		st = status.FromContextError(err)
	}
	e := &Error{Rig: c.rig, Op: op, Code: st.Code(), Text: plain(st.Message()), err: err}
	switch e.Code { // so that errors.Is finds the caller's own reason
	case codes.Canceled:
		e.err = errors.Join(err, context.Canceled)
	case codes.DeadlineExceeded:
		e.err = errors.Join(err, context.DeadlineExceeded)
	}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			e.Reason, e.Meta = d.Reason, d.Metadata
		case *errdetails.BadRequest:
			for _, v := range d.FieldViolations {
				e.Fields = append(e.Fields, Field{Name: v.Field, Text: v.Description})
			}
		case *errdetails.RetryInfo:
			e.RetryAfter = d.RetryDelay.AsDuration()
		}
	}
	return e
}

// plain takes gRPC's wrapping off a transport error.
func plain(text string) string {
	for _, lead := range []string{"connection error: desc = ", "transport: Error while dialing: ", "last connection error: ", "last resolver error: ",
		"transport: per-RPC creds failed due to error: ", "transport: authentication handshake failed: "} {
		if _, after, found := strings.Cut(text, lead); found {
			text = strings.Trim(after, `"`)
		}
	}
	return text
}
