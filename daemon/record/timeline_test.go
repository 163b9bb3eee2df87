package record

import (
	"testing"
	"time"
)

func TestTimeline(t *testing.T) {
	a, b := BootID{1}, BootID{2}
	at := func(boot BootID, bootS, wallS float64, synced bool) Stamp {
		return Stamp{Boot: boot, BootNS: int64(bootS * 1e9), WallNS: int64(wallS * 1e9), Synced: synced}
	}
	for _, c := range []struct {
		name   string
		stamps []Stamp
		want   []float64
		outage *Outage // of the last stamp
	}{
		{"one boot", []Stamp{at(a, 100, 5000, true), at(a, 107.5, 5007.5, true)}, []float64{0, 7.5}, nil},
		{"a wall clock that steps changes nothing", []Stamp{at(a, 100, 5000, false), at(a, 110, 905010, true), at(a, 120, 904930, true)}, []float64{0, 10, 20}, nil},
		{"reboot with both clocks right", []Stamp{at(a, 100, 5000, true), at(a, 160, 5060, true), at(b, 9, 5100, true)}, []float64{0, 60, 100}, &Outage{60, 100, true}},
		{"reboot into a stale clock", []Stamp{at(a, 100, 5000, true), at(a, 160, 5060, true), at(b, 9, 17, false)}, []float64{0, 60, 60}, &Outage{60, 60, false}},
		{"reboot into the past", []Stamp{at(a, 100, 5000, true), at(a, 160, 5060, true), at(b, 9, 4000, true)}, []float64{0, 60, 60}, &Outage{60, 60, false}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var line Timeline
			var outage *Outage
			for i, s := range c.stamps {
				var got float64
				got, outage = line.At(s)
				if got != c.want[i] {
					t.Errorf("stamp %d: %g, want %g", i, got, c.want[i])
				}
			}
			if (outage == nil) != (c.outage == nil) || outage != nil && *outage != *c.outage {
				t.Errorf("outage %+v, want %+v", outage, c.outage)
			}
			// Time goes on from there.
			last := c.stamps[len(c.stamps)-1]
			last.BootNS += int64(3 * time.Second)
			if got, _ := line.At(last); got != c.want[len(c.want)-1]+3 {
				t.Errorf("3 s later: %g", got)
			}
		})
	}
}
