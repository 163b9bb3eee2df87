package metrics

import (
	"testing"

	"pgregory.net/rapid"
)

// The window's maximum is that of the plain list of readings, but for readings closer
// together than a cell, where it may leave out lower ones.
func TestWindowIsTheMaximum(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var w window
		var all []reading
		at := int64(0)
		for range rapid.IntRange(0, 300).Draw(rt, "readings") {
			at += rapid.Int64Range(cell, 3e9).Draw(rt, "step")
			v := rapid.Float64Range(-50, 150).Draw(rt, "value")
			w.add(at, v)
			all = append(all, reading{at, v})
			now := at + rapid.Int64Range(0, 70e9).Draw(rt, "later")
			length := rapid.SampledFrom([]int64{32e9, 60e9, 1e9}).Draw(rt, "window")
			want, ok := 0.0, false
			for _, r := range all {
				if r.at > now-length && (!ok || r.value > want) {
					want, ok = r.value, true
				}
			}
			if got, there := w.max(now, length); there != ok || got != want {
				rt.Fatalf("at %d, window %d: %v %v, want %v %v", now, length, got, there, want, ok)
			}
		}
	})
}

// A window stays small at any rate, and a peak between dense readings is kept.
func TestWindowIsBounded(t *testing.T) {
	var w window
	const step = int64(1e6) // 1 kHz, falling: the worst case
	for i := range int64(200_000) {
		w.add(i*step, 1000-float64(i)*0.001)
		if i%977 == 0 {
			w.add(i*step, 2000)
			if got, _ := w.max(i*step, 32e9); got != 2000 {
				t.Fatalf("a peak at %d ms is not seen: %v", i, got)
			}
		}
	}
	w = window{}
	for i := range int64(200_000) {
		w.add(i*step, 1000-float64(i)*0.001)
	}
	if len(w.q) > 2*1024+64 || cap(w.q) > 8*1024 {
		t.Errorf("%d readings are kept in room for %d, want about 1024", len(w.q), cap(w.q))
	}
	w.clear()
	if _, ok := w.max(200e9, 60e9); ok {
		t.Error("a cleared window has a maximum")
	}
}

// A reading that comes out of order counts at the newest time.
func TestWindowTimeDoesNotGoBack(t *testing.T) {
	var w window
	w.add(10e9, 5)
	w.add(9e9, 7)
	if v, ok := w.max(42e9-1, 32e9); !ok || v != 7 {
		t.Errorf("%v %v, want 7", v, ok)
	}
}
