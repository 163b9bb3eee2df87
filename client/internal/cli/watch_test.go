package cli

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/client"
	"soakrig/daemon/record"
)

// quietRig says that no run is open once said is closed, then nothing more.
type quietRig struct {
	Rig
	said <-chan struct{}
}

func (r quietRig) Watch(ctx context.Context, _ time.Duration, _ func(client.Link), fn func(*record.Live, *client.Run) error) error {
	<-r.said
	if err := fn(nil, nil); err != nil {
		return err
	}
	<-ctx.Done()
	return ctx.Err()
}

func (quietRig) Tail(ctx context.Context, from client.Cursor, _ client.TailOptions, _ func(*client.Event) error) (client.Cursor, error) {
	<-ctx.Done()
	return from, ctx.Err()
}

// TestUntilEndWaitsForEveryRig: a rig whose run is over must not end the watch of one
// that has not spoken yet; one that can't be watched keeps nobody waiting.
func TestUntilEndWaitsForEveryRig(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		first, second := make(chan struct{}), make(chan struct{})
		close(first)
		w := &watch{untilEnd: true, cancel: cancel}
		gone := errors.New("connection refused")
		failed := w.followAll(ctx, []*namedRig{
			{rigAddress: rigAddress{name: "a"}, Rig: quietRig{said: first}},
			{rigAddress: rigAddress{name: "b"}, Rig: quietRig{said: second}},
			{rigAddress: rigAddress{name: "c"}, err: gone},
			{rigAddress: rigAddress{name: "d"}, Rig: struct{ Rig }{}},
		})
		if !errors.Is(failed, gone) {
			t.Errorf("rig c: got %v, want %v", failed, gone)
		}
		synctest.Wait()
		if ctx.Err() != nil {
			t.Fatal("the watch ended before rig b had said whether a run is open")
		}
		close(second)
		w.wg.Wait()
		if ctx.Err() == nil {
			t.Error("every rig has said that no run is open, and the watch goes on")
		}
		for i, want := range []string{"", "", gone.Error(), "this rig can't be watched"} {
			if got := w.states[i].problem; got != want {
				t.Errorf("rig %s: problem %q, want %q", w.states[i].name, got, want)
			}
		}
	})
}
