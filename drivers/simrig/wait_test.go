package simrig

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

func TestWait(t *testing.T) {
	r, c := newRig(t, quiet())
	r.SetWait(func(ctx context.Context, d time.Duration) error { c.t += d; return nil })
	if err := r.Wait(t.Context(), 200*time.Millisecond); err != nil || c.t != 200*time.Millisecond {
		t.Errorf("%v at %v", err, c.t)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := r.Wait(ctx, time.Second); !errors.Is(err, context.Canceled) || c.t != 200*time.Millisecond {
		t.Errorf("cancelled: %v at %v", err, c.t)
	}
	if err := r.Wait(t.Context(), 0); err != nil {
		t.Error(err)
	}
}

func TestWaitInRealTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		r, err := New(quiet(), func() time.Duration { return time.Since(start) })
		if err != nil {
			t.Fatal(err)
		}
		if err := r.Wait(t.Context(), time.Second); err != nil || time.Since(start) != time.Second {
			t.Errorf("%v after %v", err, time.Since(start))
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := r.Wait(ctx, time.Hour); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("past the deadline: %v", err)
		}
	})
}
