package simrig

import (
	"errors"
	"math"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/spi"
)

// probeFault runs one fault on stage 3 (SPI0.2) from second 60 for 60 s and returns
// the frame before, during and after it.
func probeFault(t *testing.T, f Fault) (before, during, after uint32, r *Rig, c *clock) {
	t.Helper()
	f.At, f.For = time.Minute, time.Minute
	o := quiet()
	o.Errors.SelfHeatK = 4
	o.Load = []LoadAt{{0, 1}}
	o.Faults = []Fault{f}
	r, c = newRig(t, o)
	conn := open(t, r, "SPI0.2", spi.Mode0)
	c.t = 59 * time.Second
	before = word(t, conn)
	c.t = 119 * time.Second
	during = word(t, conn)
	c.t = 150 * time.Second
	return before, during, word(t, conn), r, c
}

func TestProbeFaults(t *testing.T) {
	for _, x := range []struct {
		f      Fault
		during func(w uint32, truthC float64) bool
	}{
		{Fault{Kind: "open", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w>>16 == 0x7FFD && w&7 == 1 && w&0xfff0 != 0 }},
		{Fault{Kind: "open", Place: "stage 3"}, func(w uint32, _ float64) bool { return w>>16 == 0x7FFD && w&7 == 1 }},
		{Fault{Kind: "open"}, func(w uint32, _ float64) bool { return w>>16 == 0x7FFD && w&7 == 1 }},
		{Fault{Kind: "short_to_ground", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w&0x10007 == 0x10002 }},
		{Fault{Kind: "short_to_supply", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w&0x10007 == 0x10004 }},
		{Fault{Kind: "short", Chip: "SPI0.2"}, func(w uint32, _ float64) bool {
			chip, cold := decode(w)
			return w&0x10007 == 0 && math.Abs(chip-cold) < 0.3
		}},
		{Fault{Kind: "reversed", Chip: "SPI0.2"}, func(w uint32, hot float64) bool {
			chip, cold := decode(w)
			return w&0x10007 == 0 && math.Abs(chip-cold+(hot-cold)) < 3 && chip < 10
		}},
		{Fault{Kind: "pickup", Chip: "SPI0.2", Value: 6}, func(w uint32, hot float64) bool {
			chip, _ := decode(w)
			return math.Abs(chip-hot-6) < 2
		}},
		{Fault{Kind: "no_chip", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w == 0 }},
		{Fault{Kind: "brown_out", Chip: "SPI0.2"}, func(w uint32, _ float64) bool { return w == 0 }},
		{Fault{Kind: "detached", Place: "stage 3"}, func(w uint32, hot float64) bool {
			chip, _ := decode(w)
			return chip < hot-8 && chip > 22
		}},
		{Fault{Kind: "detached", Place: "stage 3", Value: 0.5}, func(w uint32, hot float64) bool {
			chip, _ := decode(w)
			return chip < hot-4 && chip > 26
		}},
	} {
		before, during, after, r, _ := probeFault(t, x.f)
		if before&0x1000f != 0 || after&0x1000f != 0 {
			t.Errorf("%s: frames %08X before and %08X after it", x.f.Kind, before, after)
		}
		hot := r.Truth().StageC[2]
		near(t, x.f.Kind+": after", linearised(t, after), hot, 1)
		if !x.during(during, hot-1.5) {
			chip, cold := decode(during)
			t.Errorf("%+v: frame %08X (%.2f, cold %.2f) while the stage is near %.1f", x.f, during, chip, cold, hot)
		}
	}
}

// A bead in the air is restless.
func TestDetachedProbeIsNoisier(t *testing.T) {
	o := quiet()
	o.Faults = []Fault{{Kind: "detached", Place: "stage 3", At: time.Hour}}
	r, c := newRig(t, o)
	spread := func() float64 {
		lo, hi := math.Inf(1), math.Inf(-1)
		for range 400 {
			c.t += Step
			r.Truth()
			v := r.hist.newest()[2]
			lo, hi = min(lo, v), max(hi, v)
		}
		return hi - lo
	}
	c.t = 50 * time.Minute
	r.Truth()
	if s := spread(); s > 0.05 {
		t.Errorf("bonded: wanders by %.3f K", s)
	}
	c.t = 70 * time.Minute
	r.Truth()
	if s := spread(); s < 0.3 || s > 3 {
		t.Errorf("in the air: wanders by %.3f K", s)
	}
}

func TestFloatingHigh(t *testing.T) {
	o := quiet()
	o.MISO = "high"
	o.Faults = []Fault{{Kind: "no_chip", Chip: "SPI0.0"}}
	r, _ := newRig(t, o)
	for _, port := range []string{"SPI0.0", "SPI0.9"} {
		if w := word(t, open(t, r, port, spi.Mode0)); w != math.MaxUint32 {
			t.Errorf("%s: %08X", port, w)
		}
	}
}

func TestFrozenNoisyBusError(t *testing.T) {
	o := quiet()
	o.Errors.NoiseK = 0.5
	o.Faults = []Fault{
		{Kind: "frozen", Chip: "SPI0.0", At: time.Minute, For: time.Minute},
		{Kind: "noisy", Chip: "SPI0.1", Value: 8, At: time.Minute},
		{Kind: "bus_error", Chip: "SPI0.2", At: time.Minute, For: time.Minute},
	}
	r, c := newRig(t, o)
	still, loud, dead := open(t, r, "SPI0.0", spi.Mode0), open(t, r, "SPI0.1", spi.Mode0), open(t, r, "SPI0.2", spi.Mode0)
	spread := func(conn spi.Conn) float64 {
		lo, hi := math.Inf(1), math.Inf(-1)
		for range 100 {
			c.t += 100 * time.Millisecond
			chip, _ := decode(word(t, conn))
			lo, hi = min(lo, chip), max(hi, chip)
		}
		return hi - lo
	}
	calm := spread(loud)
	if spread(still) == 0 {
		t.Error("frozen before its time")
	}
	c.t = 61 * time.Second
	if s := spread(still); s != 0 {
		t.Errorf("frozen, but wanders by %g K", s)
	}
	if s := spread(loud); s < 3*calm {
		t.Errorf("noise %.2f K, %.2f K before", s, calm)
	}
	if err := dead.Tx(nil, make([]byte, 4)); !errors.Is(err, syscall.EIO) {
		t.Errorf("bus error: %v", err)
	}
	c.t = 121 * time.Second
	if spread(still) == 0 {
		t.Error("frozen after its time")
	}
	word(t, dead)
}

// A dip leaves 200 ms of doubtful data behind: all zero here.
func TestBrownOut(t *testing.T) {
	o := quiet()
	o.Faults = []Fault{{Kind: "brown_out", Chip: "SPI0.0", At: time.Minute, For: 100 * time.Millisecond}}
	r, c := newRig(t, o)
	conn := open(t, r, "SPI0.0", spi.Mode0)
	c.t = time.Minute - time.Millisecond
	if word(t, conn) == 0 {
		t.Error("zero before the dip")
	}
	for _, ms := range []int{0, 99, 150, 290} {
		c.t = time.Minute + time.Duration(ms)*time.Millisecond
		if w := word(t, conn); w != 0 {
			t.Errorf("%d ms after the dip began: %08X", ms, w)
		}
	}
	c.t = time.Minute + 500*time.Millisecond
	if word(t, conn) == 0 {
		t.Error("still zero 400 ms after the dip's end")
	}
}

func TestSpikes(t *testing.T) {
	o := quiet()
	o.Faults = []Fault{{Kind: "spikes", Chip: "SPI0.8", Value: 8, Every: 20 * time.Second}}
	r, c := newRig(t, o)
	conn := open(t, r, "SPI0.8", spi.Mode0)
	bursts, in, longest, length := 0, false, 0, 0
	for c.t < time.Hour {
		c.t += 100 * time.Millisecond
		chip, _ := decode(word(t, conn))
		hit := math.Abs(chip-23) > 1.5
		switch {
		case hit && !in:
			bursts, length = bursts+1, 1
		case hit:
			length++
		}
		in = hit
		longest = max(longest, length)
	}
	if bursts < 90 || bursts > 220 {
		t.Errorf("%d bursts in an hour with one each 20 s on average", bursts)
	}
	if longest < 18 || longest > 60 {
		t.Errorf("longest burst %d conversions", longest)
	}
}

func TestPickupOnlyWhileLoaded(t *testing.T) {
	o := quiet()
	o.Faults = []Fault{{Kind: "pickup", Place: "intake", Value: 5}}
	r, c := newRig(t, o)
	conn := open(t, r, "SPI0.8", spi.Mode0)
	c.t = 10 * time.Second
	near(t, "idle", linearised(t, word(t, conn)), 23, 0.4)
	r.SetLoad(true)
	c.t = 12 * time.Second
	near(t, "loaded", linearised(t, word(t, conn)), 28, 0.4)
	r.SetLoad(false)
	c.t = 14 * time.Second
	near(t, "idle again", linearised(t, word(t, conn)), 23, 0.4)
}

// A unit's faults go with it; those that count from the load wait for it.
func TestFaultsOfAUnit(t *testing.T) {
	o := quiet()
	o.Unit.Faults = []Fault{
		{Kind: "open", Place: "stage 1", At: time.Minute},
		{Kind: "open", Place: "stage 2", At: time.Minute, From: "mount"},
		{Kind: "open", Place: "stage 3", At: time.Minute, From: "start"},
	}
	o.Faults = []Fault{{Kind: "open", Chip: "SPI0.3", At: time.Minute, From: "load"}}
	r, c := newRig(t, o)
	state := func() (s string) {
		for _, port := range []string{"SPI0.0", "SPI0.1", "SPI0.2", "SPI0.3"} {
			if word(t, open(t, r, port, spi.Mode0))&1 != 0 {
				s += "x"
			} else {
				s += "-"
			}
		}
		return s
	}
	want := func(what, s string) {
		t.Helper()
		if got := state(); got != s {
			t.Errorf("%s: %s, want %s", what, got, s)
		}
	}
	c.t = 50 * time.Second
	want("at first", "----")
	c.t = 70 * time.Second
	want("a minute after start and mounting", "-xx-")
	r.SetLoad(true)
	c.t += 62 * time.Second
	want("a minute of load", "xxxx")
	if err := r.Mount(quiet().Unit); err != nil {
		t.Fatal(err)
	}
	c.t += 5 * time.Minute
	want("another unit", "----")
	r.SetLoad(true)
	c.t += 62 * time.Second
	want("another unit, loaded", "---x")
	if err := r.Mount(o.Unit); err != nil {
		t.Fatal(err)
	}
	c.t += time.Second
	want("first unit again", "--x-")
}

func TestFanStop(t *testing.T) {
	o := quiet()
	o.Load = []LoadAt{{0, 1}}
	o.Faults = []Fault{{Kind: "fan_stop", Value: 1.5, At: 3 * time.Hour}}
	r, c := newRig(t, o)
	c.t = 3 * time.Hour
	before := r.Truth()
	c.t = 3*time.Hour + 30*time.Minute
	after := r.Truth()
	near(t, "sink over enclosure", after.SinkC-after.BoxC, 1.5*(before.SinkC-before.BoxC), 1)
}
