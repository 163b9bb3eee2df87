package analysis

// reading is a value of one second.
type reading struct {
	second int64
	v      float64
}

// hold finds the highest level that a series held for a time: the maximum over
// windows of the window's minimum. A window reaches from a value back to the
// newest value that lies a full hold time earlier; windows with too few values are
// passed over. O(1) per value on average, memory bounded by the hold time.
type hold struct {
	span  int64   // hold time in seconds, at least 1
	share float64 // of the expected values that a window must have

	window []reading // values of the window, oldest first
	lowest []reading // of those the ones that may still be the minimum, ascending values
	best   float64
	at     int64 // first second of the best window
	found  bool
}

func newHold(spanS, share float64) hold {
	return hold{span: max(1, int64(spanS+0.5)), share: share}
}

// push adds the value of a second; seconds ascend. stride is the usual distance
// between values in seconds. It returns the level held by the window that ends
// here.
func (h *hold) push(second int64, v float64, stride int64) (level float64, ok bool) {
	h.window = append(h.window, reading{second, v})
	for len(h.lowest) > 0 && h.lowest[len(h.lowest)-1].v >= v {
		h.lowest = h.lowest[:len(h.lowest)-1]
	}
	h.lowest = append(h.lowest, reading{second, v})
	first := 0
	for first+1 < len(h.window) && second-h.window[first+1].second >= h.span-1 {
		first++
	}
	if first > 0 {
		h.window = h.window[:copy(h.window, h.window[first:])]
	}
	from := h.window[0].second
	gone := 0
	for h.lowest[gone].second < from {
		gone++
	}
	if gone > 0 {
		h.lowest = h.lowest[:copy(h.lowest, h.lowest[gone:])]
	}
	width := second - from + 1
	if width < h.span {
		return 0, false
	}
	expected := float64(width) / float64(max(stride, 1))
	n := len(h.window)
	if float64(n) < h.share*expected || (n < 2 && h.span > 1) {
		return 0, false
	}
	level = h.lowest[0].v
	if !h.found || level > h.best {
		h.best, h.at, h.found = level, from, true
	}
	return level, true
}

// strider finds the usual distance between values: the median of the distances so
// far, up to 900 s.
type strider struct {
	counts [901]uint32
	total  uint32
	below  uint32 // counts of distances below median
	median int64
	last   int64
	seen   bool
}

// push tells that a second has a value and returns the usual distance.
func (s *strider) push(second int64) int64 {
	if s.seen {
		d := min(max(second-s.last, 1), 900)
		s.counts[d]++
		s.total++
		if s.median == 0 {
			s.median = d
		} else if d < s.median {
			s.below++
		}
		half := s.total / 2
		for s.below > half {
			s.median--
			s.below -= s.counts[s.median]
		}
		for s.below+s.counts[s.median] <= half && s.median < 900 {
			s.below += s.counts[s.median]
			s.median++
		}
	}
	s.last, s.seen = second, true
	return max(s.median, 1)
}
