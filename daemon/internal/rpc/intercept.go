package rpc

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

type callKey struct{}

// callOf is the call that the context belongs to; in a handler it is never nil.
func callOf(ctx context.Context) *call {
	c, _ := ctx.Value(callKey{}).(*call)
	if c == nil {
		return &call{id: identity{name: "unknown"}}
	}
	return c
}

// begin admits a call: credentials, role, its turn. The context it gives ends with the
// server, with cutCalls and with the client. done must be called at the end.
func (s *Server) begin(ctx context.Context, method string) (_ context.Context, done func(), err error) {
	c := &call{method: method, conn: connOf(ctx)}
	if err := s.guard.enter(c); err != nil {
		s.guard.warn("call refused: too many", "method", method)
		return nil, nil, err
	}
	if c.id, err = s.auth.allow(ctx, method); err != nil {
		s.guard.leave(c)
		s.guard.warn("call refused: "+status.Code(err).String(), "method", method, "caller", c.String())
		return nil, nil, s.guard.denied(c, err)
	}
	ctx, cancel := context.WithCancelCause(context.WithValue(ctx, callKey{}, c))
	s.guard.arm(c, cancel)
	unhook := context.AfterFunc(s.app, func() { cancel(errStopping) })
	done = func() {
		unhook()
		cancel(nil)
		s.guard.leave(c)
	}
	if err := s.guard.turn(ctx, c); err != nil {
		err = s.finished(ctx, err) // the reason, as long as the context holds it
		done()
		return nil, nil, err
	}
	return ctx, done, nil
}

func (s *Server) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (resp any, err error) {
	ctx, done, err := s.begin(ctx, info.FullMethod)
	if err != nil {
		return nil, err
	}
	defer done()
	defer s.recovered(info.FullMethod, &err)
	if err := checkRequest(req); err != nil {
		return nil, err
	}
	resp, err = handler(ctx, req)
	return resp, s.finished(ctx, err)
}

func (s *Server) streaming(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
	ctx, done, err := s.begin(stream.Context(), info.FullMethod)
	if err != nil {
		return err
	}
	defer done()
	defer s.recovered(info.FullMethod, &err)
	return s.finished(ctx, handler(srv, &endingStream{ServerStream: stream, ctx: ctx}))
}

// finished gives an error that came from the end of the context its real reason.
func (s *Server) finished(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	code := status.Code(err)
	if cause := context.Cause(ctx); cause != nil && (code == codes.Canceled || code == codes.Unknown || code == codes.Internal) {
		return s.ended(ctx, err, 0)
	}
	if code == codes.Unknown && errors.Is(err, context.Canceled) {
		return status.FromContextError(context.Canceled).Err()
	}
	return err
}

// recovered turns a panic in a handler into INTERNAL: one faulty request must not
// end acquisition.
func (s *Server) recovered(method string, err *error) {
	if r := recover(); r != nil {
		s.opts.Log.Error("handler failed", "method", method, "panic", fmt.Sprint(r), "stack", string(debug.Stack()))
		*err = fail(codes.Internal, reasonInternal, nil, "fault in the rig's software; its log says more")
	}
}

// endingStream is a stream whose context ends with the server.
type endingStream struct {
	grpc.ServerStream
	ctx context.Context
}

// Context implements grpc.ServerStream.
func (s *endingStream) Context() context.Context { return s.ctx }

// RecvMsg implements grpc.ServerStream.
func (s *endingStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return checkRequest(m)
}
