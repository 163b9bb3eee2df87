package metrics

import "sort"

// widest is the longest window of a sliding maximum, ns of rig time.
const widest = int64(60e9)

// cell bounds how densely a window keeps readings, so that it stays small at any
// rate: of two readings closer than this only the higher is kept for certain.
const cell = widest / 1024

// window is the maximum over the newest part of a channel's readings. It holds only
// readings that no later one exceeds, so the first one inside any window up to
// widest is that window's maximum. It is bounded: about 1,024 readings.
type window struct {
	q []reading
}

type reading struct {
	at    int64 // ns, monotonic
	value float64
}

// add takes in a reading. Readings come in order of time; one that is older than the
// newest counts as at its time.
func (w *window) add(at int64, value float64) {
	if n := len(w.q); n > 0 {
		last := w.q[n-1]
		at = max(at, last.at)
		if value <= last.value && at-last.at < cell {
			return
		}
	}
	n := len(w.q)
	for n > 0 && w.q[n-1].value <= value {
		n--
	}
	w.q = append(w.q[:n], reading{at, value})
	w.trim(at)
}

// trim drops what no window reaches any more, and moves the rest to the front once
// that frees half of it.
func (w *window) trim(now int64) {
	i := w.first(now - widest)
	if i > 64 && i > len(w.q)/2 {
		w.q = w.q[:copy(w.q, w.q[i:])]
	}
}

// first is the index of the oldest reading that is newer than since.
func (w *window) first(since int64) int {
	return sort.Search(len(w.q), func(i int) bool { return w.q[i].at > since })
}

// max is the highest reading of the last length ns; ok is false when there was none.
func (w *window) max(now, length int64) (value float64, ok bool) {
	if i := w.first(now - length); i < len(w.q) {
		return w.q[i].value, true
	}
	return 0, false
}

// clear forgets everything: times of another boot mean nothing.
func (w *window) clear() { w.q = w.q[:0] }
