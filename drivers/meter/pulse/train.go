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

	count    int64         // of all pulses, those that follow too fast among them
	noise    int64         // of those: they bounce longer than the debounce time, or are spikes
	lastAt   time.Duration // of the last pulse that is none of those
	interval time.Duration // between the last two, or the one that was too short; 0: unknown
	spoilt   bool          // interval is one that was too short
	lost     bool          // edges were lost since the last take
	noisy    bool          // pulses followed too fast since the last take
}

// add takes the next edge.
func (t *train) add(e bus.Edge) {
	if t.seq != 0 && e.Seq != t.seq+1 {
		t.lost = true
		t.waiting = false
		t.interval, t.lastAt, t.spoilt = 0, 0, false
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
		if t.spoilt = t.interval < t.least(); t.spoilt {
			t.noise++
			t.noisy = true
			return
		}
	}
	t.lastAt = at
}

// least is the shortest time between two pulses.
func (t *train) least() time.Duration {
	if t.both {
		return minPeriod / 2
	}
	return minPeriod
}
