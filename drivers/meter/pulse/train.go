package pulse

import (
	"time"

	"soakrig/drivers/bus"
)

// minPeriod is the shortest time between two pulses: at least 30 ms on and 30 ms off
// (IEC 62053-31, from a public excerpt of AS IEC 62053.31:2018, 4.1.3).
const minPeriod = 60 * time.Millisecond

// train turns edges into pulses. A level counts once it has held for the debounce
// time, on both edges, so that a glitch at release is not a pulse.
type train struct {
	debounce time.Duration
	activeHi bool // the output is on while the line is high
	both     bool // the meter signals on both edges
	pending  bus.Edge
	waiting  bool // pending has not held long enough yet
	active   bool // the settled level
	seq      uint32

	count    int64
	lastAt   time.Duration // of the last pulse
	interval time.Duration // between the last two; 0: unknown
	lost     bool          // edges were lost since the last take
}

// add takes the next edge.
func (t *train) add(e bus.Edge) {
	if t.seq != 0 && e.Seq != t.seq+1 {
		t.lost = true
		t.waiting = false
		t.interval, t.lastAt = 0, 0
		t.active = e.Rising != t.activeHi // before an edge the level was the other one
	}
	t.seq = e.Seq
	t.settle(e.At)
	t.pending, t.waiting = e, true
}

// settle lets the pending level count if it has held until now.
func (t *train) settle(now time.Duration) {
	if !t.waiting || now-t.pending.At < t.debounce {
		return
	}
	t.waiting = false
	active := t.pending.Rising == t.activeHi
	if active == t.active {
		return // back to the level that it had before a glitch
	}
	t.active = active
	if active || t.both {
		t.pulse(t.pending.At)
	}
}

func (t *train) pulse(at time.Duration) {
	t.count++
	if t.lastAt != 0 {
		t.interval = at - t.lastAt
	}
	t.lastAt = at
}
