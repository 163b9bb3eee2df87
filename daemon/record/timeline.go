package record

import "time"

// Timeline turns stamps into run time: seconds since the run's start on the
// monotonic clock, across reboots as well as it can be known. The zero value is
// ready; the first stamp is run time zero. It serves one goroutine.
type Timeline struct {
	first, last Stamp
	base        time.Duration // run time of the current boot's first stamp
	bootStart   Stamp         // first stamp seen of the current boot
	started     bool
}

// Outage is a reboot that a Timeline met.
type Outage struct {
	FromS, ToS float64
	Known      bool // both clocks were synchronised, so the length is known
}

// At is the run time of s. outage is set for the first stamp of another boot: its
// length comes from wall time where both clocks were synchronised, else it counts as
// nothing and Known is false. Run time never goes back.
func (t *Timeline) At(s Stamp) (atS float64, outage *Outage) {
	if !t.started {
		t.started, t.first, t.bootStart, t.last = true, s, s, s
		return 0, nil
	}
	if s.Boot != t.last.Boot {
		from := t.at(t.last)
		gap := time.Duration(s.WallNS - t.last.WallNS)
		known := s.Synced && t.last.Synced && gap >= 0
		if !known {
			gap = 0
		}
		t.base, t.bootStart = from+gap, s
		outage = &Outage{FromS: from.Seconds(), ToS: (from + gap).Seconds(), Known: known}
	}
	t.last = s
	return max(t.at(s), 0).Seconds(), outage
}

func (t *Timeline) at(s Stamp) time.Duration {
	return t.base + time.Duration(s.BootNS-t.bootStart.BootNS)
}
