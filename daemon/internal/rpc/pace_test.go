package rpc

import (
	"context"
	"fmt"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"soakrig/client"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// retryAfter is the time that a status says to come back after; zero: none.
func retryAfter(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.RetryInfo); ok {
			return info.RetryDelay.AsDuration()
		}
	}
	return 0
}

// from is a call of a caller from a host that is connected to the guard.
func (g *guard) from(t *testing.T, host, name string) *call {
	a, b := net.Pipe()
	c := g.admit(fakeAddr{a, host + ":1"})
	t.Cleanup(func() { c.Close(); b.Close() })
	return &call{method: "/m", id: identity{name: name}, conn: &connInfo{conn: c}}
}

func TestTurnsSlowDownRatherThanRefuse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGuard(Limits{Connections: 100, RequestsPerSecond: 10, DeniedPerSecond: 1}, newFixture(t).opts.Log)
		busy := g.from(t, "10.0.0.1", "script")
		begin := time.Now()
		for n := range 121 { // 21 at once, the others at 10 per second
			if err := g.turn(t.Context(), busy); err != nil {
				t.Fatalf("call %d: %v", n, err)
			}
		}
		if took := time.Since(begin); took < 9900*time.Millisecond || took > 10100*time.Millisecond {
			t.Errorf("121 calls at 10 per second took %v", took)
		}
		begin = time.Now()
		for _, other := range []*call{g.from(t, "10.0.0.2", "script"), g.from(t, "10.0.0.1", "screen")} {
			if err := g.turn(t.Context(), other); err != nil || time.Since(begin) != 0 {
				t.Errorf("%s waits for somebody else: %v, %v", other, time.Since(begin), err)
			}
		}
	})
}

func TestTurnsThatPileUpAreToldWhenToComeBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGuard(Limits{Connections: 100, RequestsPerSecond: 10, DeniedPerSecond: 1}, newFixture(t).opts.Log)
		busy := g.from(t, "10.0.0.1", "script")
		results := make(chan error, 60)
		for range cap(results) { // 21 at once, 20 within two seconds
			go func() { results <- g.turn(t.Context(), busy) }()
		}
		refused := 0
		for range cap(results) {
			if err := <-results; err != nil {
				refused++
				checkStatus(t, err, codes.ResourceExhausted, reasonTooMany, "too many requests by script")
				if d := retryAfter(err); d <= longestTurn || d > 2*longestTurn {
					t.Errorf("come back after %v", d)
				}
			}
		}
		if refused != 19 {
			t.Errorf("%d of 60 were refused, want 19", refused)
		}
		for range 21 { // those that left gave their turns back
			if err := g.turn(t.Context(), busy); err != nil {
				t.Fatal(err)
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		defer cancel()
		if err := g.turn(ctx, busy); err != context.DeadlineExceeded {
			t.Errorf("waited on without a caller: %v", err)
		}
	})
}

// An archive of a thousand runs is ordinary work: no call of it fails, whatever the rate.
func TestOrdinaryWorkIsNotTurnedAway(t *testing.T) {
	f := newFixture(t)
	f.opts.Limits = Limits{RequestsPerSecond: 500}
	const runs = 1300
	for i := range runs {
		f.runs.rows = append(f.runs.rows, journal.RunRow{Start: record.RunStart{Run: fmt.Sprint("r", i)}, State: "ended"})
	}
	c := f.start().client()
	for i := range runs {
		if _, err := c.Get(t.Context(), fmt.Sprint("r", i)); err != nil {
			t.Fatalf("run %d of %d: %v", i, runs, err)
		}
	}
}

func TestGuessersAreTurnedAwayAndNobodyElse(t *testing.T) {
	f := newFixture(t)
	file, observe, _ := tokens(t)
	f.opts.Security.TokenFile = file
	f.opts.Limits = Limits{DeniedPerSecond: 2, RequestsPerSecond: 1e5}
	conn := f.start().conn()
	describe := func(token string) error {
		_, err := pb.NewRigServiceClient(conn).Describe(bearing(t.Context(), token), &pb.DescribeRequest{})
		return err
	}
	counts := map[codes.Code]int{}
	for range 500 {
		err := describe("guess")
		counts[status.Code(err)]++
		if d := retryAfter(err); status.Code(err) == codes.ResourceExhausted && (d <= 0 || d > time.Second) {
			t.Errorf("come back after %v: %v", d, err)
		}
		if err := describe(observe); err != nil {
			t.Fatalf("whoever has a token is locked out: %v", err)
		}
	}
	if counts[codes.Unauthenticated] < 5 || counts[codes.ResourceExhausted] == 0 || counts[codes.Unauthenticated]+counts[codes.ResourceExhausted] != 500 {
		t.Errorf("%v", counts)
	}
	// The client does not take a refusal of its credentials for a busy rig.
	if _, err := client.Dial(t.Context(), f.addr, client.Options{}); err == nil {
		t.Error("no token was needed")
	}
}
