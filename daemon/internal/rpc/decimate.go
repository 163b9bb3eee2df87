package rpc

import (
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// decimator summarises each channel over intervals of the monotonic clock that start
// at multiples of the interval. Which interval an entry counts in depends on the
// journal alone: an interval ends with the first entry stamped behind it, and a
// sample that was stamped before but came later counts in the next one. So a stream
// that resumes where an interval began gives the same summaries again.
type decimator struct {
	intervalNS int64

	open     bool
	boot     record.BootID
	floor    int64 // no entry of this boot counts before it
	from, to int64 // of the open interval
	table    *table
	acc      []accumulator // by channel
	held     batch         // events of the open interval
	sum      pb.Summary
}

type accumulator struct {
	min, max, last float64
	good, faulted  uint32
	hasLast        bool // the newest reading was good
}

// maxHeld bounds what an interval holds back; more events end it early.
const maxHeld = 48 << 10

// cross ends the open interval if e is behind it, and opens the one that e is in. t
// is nil for an entry that is no sample.
func (f *follower) cross(e *record.Entry, t *table) {
	d := f.dec
	at := max(e.At.BootNS, 0)
	if d.boot == e.At.Boot {
		at = max(at, d.floor)
	}
	if d.open && (d.boot != e.At.Boot || at >= d.to || t != nil && d.table != nil && d.table != t || len(d.held.buf) > maxHeld) {
		f.closeInterval(e.Seq - 1)
	}
	if !d.open {
		d.open, d.boot, d.table = true, e.At.Boot, nil
		d.from = at - at%d.intervalNS
		d.to = d.from + d.intervalNS
		d.floor = d.from
	}
	if t != nil && d.table == nil {
		d.table = t
		if cap(d.acc) < len(t.layout.Channels) {
			d.acc = make([]accumulator, len(t.layout.Channels))
		}
		d.acc = d.acc[:len(t.layout.Channels)]
		clear(d.acc)
	}
}

func (d *decimator) add(channels []int, values []convert.Value) {
	for i := range values {
		a, v := &d.acc[channels[i]], &values[i]
		if v.Faults != 0 {
			a.faulted++
			a.hasLast = false
			continue
		}
		if a.good == 0 {
			a.min, a.max = v.Value, v.Value
		}
		a.min, a.max = min(a.min, v.Value), max(a.max, v.Value)
		a.last, a.hasLast = v.Value, true
		a.good++
	}
}

func (d *decimator) hold(e *record.Entry) error { return d.held.message(batchEvents, event(e)) }

// closeInterval puts the summaries of the open interval and its events into the
// batch, which then covers everything up to last.
func (f *follower) closeInterval(last uint64) {
	d := f.dec
	if d == nil {
		return
	}
	if last+1 > f.first {
		f.covered = last
	}
	if !d.open {
		return
	}
	d.open = false
	if d.table != nil {
		f.summaries()
	}
	f.b.buf = append(f.b.buf, d.held.buf...)
	f.b.entries += d.held.entries
	d.held.reset()
}

func (f *follower) summaries() {
	d := f.dec
	m := &d.sum
	for c := range d.acc {
		a := &d.acc[c]
		if a.good+a.faulted == 0 || d.table.want != nil && !d.table.want[c] {
			continue
		}
		if err := f.tell(d.table); err != nil {
			return // only if the two contracts have come apart, which recordpb tests
		}
		m.Layout, m.Channel, m.FromBootNs, m.ToBootNs = d.table.layout.ID, uint32(c), d.from, d.to
		m.Good, m.Faulted, m.BootId = a.good, a.faulted, d.boot[:]
		m.Min, m.Max, m.Last = nil, nil, nil
		if a.good > 0 {
			m.Min, m.Max = &a.min, &a.max
		}
		if a.hasLast {
			m.Last = &a.last
		}
		if err := f.b.message(batchSummaries, m); err != nil {
			return // holds numbers only: can't fail
		}
	}
}

// idle ends the open interval when its time is over and nothing comes. grace is for
// samples that are under way.
func (f *follower) idle(now record.Stamp, graceNS int64) {
	d := f.dec
	if d == nil || !d.open || d.boot != now.Boot || now.BootNS < d.to+graceNS || f.buffered() {
		return
	}
	f.closeInterval(f.r.Seq() - 1)
	d.floor = d.to
}
