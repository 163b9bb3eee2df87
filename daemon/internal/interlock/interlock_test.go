package interlock

import (
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

type pin struct {
	levels []gpio.Level
	fail   error
}

func (p *pin) Out(l gpio.Level) error {
	if p.fail != nil {
		return p.fail
	}
	p.levels = append(p.levels, l)
	return nil
}

func (p *pin) now() gpio.Level { return p.levels[len(p.levels)-1] }

var layout = &record.Layout{
	ID: 1, Rig: "t",
	Sources: []record.Source{{Name: "s", Channels: []int{0, 1}}},
	Channels: []record.Channel{
		{Name: "vr1", Role: record.RoleProbe, Unit: "degC", Converter: record.Converter{Law: record.LawLinear, PerCode: 0.25}},
		{Name: "room", Role: record.RoleAmbient, Unit: "degC", Converter: record.Converter{Law: record.LawLinear, PerCode: 0.25}},
	},
}

type rig struct {
	i      *Interlock
	pin    *pin
	tables map[uint32]*table
	now    int64        // moved by the test alone
	clock  atomic.Int64 // the same, for the heartbeat
}

func newRig(t *testing.T, o Options) *rig {
	t.Helper()
	r := &rig{pin: &pin{}, tables: map[uint32]*table{}}
	o.Pin = r.pin
	o.Now = func() record.Stamp { return record.Stamp{BootNS: r.clock.Load()} }
	i, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	r.i = i
	r.pass(&record.Layout{ID: layout.ID, Rig: layout.Rig, Sources: layout.Sources, Channels: layout.Channels})
	return r
}

func (r *rig) advance(d time.Duration) {
	r.now += int64(d)
	r.clock.Store(r.now)
}

// pass hands one entry over as Run does and drops where it asks to.
func (r *rig) pass(b record.Body) string {
	why := r.i.entry(record.Entry{At: record.Stamp{BootNS: r.now}, Body: b}, r.tables)
	if why != "" {
		r.i.Drop(why)
	}
	return why
}

// sample passes a second of rig time and one sample; a nil value is an open probe.
func (r *rig) sample(vr1 *float64, room float64) string {
	r.advance(time.Second)
	raw := record.Raw{Faults: record.Open}
	if vr1 != nil {
		raw = record.Raw{Has: record.HasCode, Code: int64(*vr1 / 0.25)}
	}
	return r.pass(&record.Sample{Layout: 1, Raw: []record.Raw{raw, {Has: record.HasCode, Code: int64(room / 0.25)}}})
}

func f(v float64) *float64 { return &v }

func TestDropAbove(t *testing.T) {
	r := newRig(t, Options{DropAbove: f(120)})
	if r.pin.now() != gpio.Low {
		t.Error("high before the first sample")
	}
	if r.sample(f(90), 500); r.pin.now() != gpio.High {
		t.Error("not high while all is well (the room does not count)")
	}
	if why := r.sample(f(121), 23); why != "" || r.pin.now() != gpio.High {
		t.Errorf("one sample dropped it: %s", why)
	}
	why := r.sample(f(122), 23)
	if !strings.Contains(why, "vr1 is at 122.0 degC, above 120") || r.pin.now() != gpio.Low {
		t.Errorf("two samples above: %q, level %v", why, r.pin.now())
	}
	for range 5 {
		if why := r.sample(f(60), 23); why != "" || r.pin.now() != gpio.Low {
			t.Errorf("the latch let go: %q, level %v", why, r.pin.now())
		}
	}
	r.pass(&record.RunEvent{Event: "started"})
	if r.sample(f(60), 23); r.pin.now() != gpio.High || r.i.Dropped() != "" {
		t.Error("a new run does not reset the latch")
	}
}

func TestLostProbe(t *testing.T) {
	r := newRig(t, Options{LostProbe: 5 * time.Second})
	r.sample(f(60), 23)
	for range 4 {
		if why := r.sample(nil, 23); why != "" {
			t.Fatalf("dropped early: %s", why)
		}
	}
	if why := r.sample(nil, 23); !strings.Contains(why, "vr1 has given no value for 5s (open)") || r.pin.now() != gpio.Low {
		t.Errorf("%q, level %v", why, r.pin.now())
	}
}

func TestStopIsLow(t *testing.T) {
	r := newRig(t, Options{})
	r.sample(f(60), 23)
	r.i.off()
	if r.pin.now() != gpio.Low || r.i.Dropped() == "" {
		t.Error("not low after the stop")
	}
	if r.sample(f(60), 23); r.pin.now() != gpio.Low {
		t.Error("rises after the stop")
	}
}

// TestHeartbeat: it toggles while samples come and stops low when they don't.
func TestHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, Options{Heartbeat: time.Second})
		ctx := t.Context()
		go r.i.beat(ctx)
		time.Sleep(3100 * time.Millisecond)
		if n := len(r.pin.levels); n != 1 {
			t.Errorf("toggles before the first sample: %v", r.pin.levels)
		}
		r.sample(f(60), 23)
		time.Sleep(5*time.Second + time.Millisecond)
		synctest.Wait()
		if n := len(r.pin.levels); n != 11 {
			t.Errorf("%d levels after 5 s of heartbeat", n)
		}
		r.advance(silence) // a hung daemon: no sample any more
		time.Sleep(time.Second)
		synctest.Wait()
		n := len(r.pin.levels)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if r.pin.now() != gpio.Low || len(r.pin.levels) != n {
			t.Errorf("still beating: %v", r.pin.levels[n:])
		}
	})
}

func TestPinThatFails(t *testing.T) {
	boom := errors.New("EBUSY")
	if _, err := New(Options{Pin: &pin{fail: boom}}); !errors.Is(err, boom) {
		t.Errorf("got %v", err)
	}
}

// twoSources has the probe behind a source of its own.
var twoSources = &record.Layout{
	ID: 2, Rig: "t",
	Sources: []record.Source{{Name: "back", Channels: []int{0}}, {Name: "air", Channels: []int{1}}}, Channels: layout.Channels,
}

// TestSourceThatFallsSilent: a probe whose source gives nothing at all, not even faults,
// is lost while another source goes on, from the start or later.
func TestSourceThatFallsSilent(t *testing.T) {
	for _, comes := range []int{0, 3} {
		r := newRig(t, Options{LostProbe: 5 * time.Second})
		r.pass(&record.Layout{ID: 2, Rig: "t", Sources: twoSources.Sources, Channels: twoSources.Channels})
		why := ""
		for s := range 12 {
			r.advance(time.Second)
			if s < comes {
				r.pass(&record.Sample{Layout: 2, Source: 0, Raw: []record.Raw{{Has: record.HasCode, Code: 200}}})
			}
			if w := r.pass(&record.Sample{Layout: 2, Source: 1, Raw: []record.Raw{{Has: record.HasCode, Code: 92}}}); w != "" {
				if why = w; s < 5 {
					t.Errorf("dropped after %d s", s)
				}
			}
		}
		if !strings.Contains(why, "vr1 has given no value for 5s (no sample)") || r.pin.now() != gpio.Low {
			t.Errorf("%d samples, then none: %q, level %v", comes, why, r.pin.now())
		}
	}
}

// TestSteadyLevelFalls: without a heartbeat too the output falls when no sample comes,
// and rises with the next.
func TestSteadyLevelFalls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, Options{})
		go r.i.look(t.Context())
		if r.sample(f(60), 23); r.pin.now() != gpio.High {
			t.Fatal("not high")
		}
		r.advance(silence - time.Second)
		time.Sleep(2 * lookEvery)
		synctest.Wait()
		if r.pin.now() != gpio.High {
			t.Error("fell early")
		}
		r.advance(time.Second)
		time.Sleep(2 * lookEvery)
		synctest.Wait()
		if r.pin.now() != gpio.Low {
			t.Error("still high without samples")
		}
		if r.sample(f(60), 23); r.pin.now() != gpio.High {
			t.Error("does not rise again")
		}
	})
}

// TestDropIsDrivenAgain: a pin that could not be driven low is tried again.
func TestDropIsDrivenAgain(t *testing.T) {
	r := newRig(t, Options{DropAbove: f(120)})
	r.sample(f(60), 23)
	r.pin.fail = errors.New("EIO")
	r.sample(f(130), 23)
	r.sample(f(130), 23)
	r.pin.fail = nil
	if r.sample(f(60), 23); r.pin.now() != gpio.Low {
		t.Error("not low once the pin works again")
	}
}

// TestDropOutlastsARestart: what dropped since the newest run started still latches when
// soakd starts again; a later start has ended it.
func TestDropOutlastsARestart(t *testing.T) {
	for _, c := range []struct {
		events []string
		low    bool
	}{{[]string{"started", "interlock", "ended"}, true}, {[]string{"started", "ended"}, false}, {[]string{"started", "interlock", "ended", "started"}, false}} {
		dir := t.TempDir()
		j, err := journal.Open(journal.Options{Dir: dir})
		if err != nil {
			t.Fatal(err)
		}
		first := uint64(0)
		for n, e := range c.events {
			seq, err := j.Append(record.Stamp{BootNS: int64(n)}, &record.RunEvent{Event: e, Text: "probe vr1 is at 130.0 degC, above 120"})
			if err != nil {
				t.Fatal(err)
			}
			if n == 0 {
				first = seq
			}
		}
		i, err := New(Options{Pin: &pin{}, Since: first, Layout: func() *record.Layout { return layout }, Now: func() record.Stamp { return record.Stamp{} }})
		if err != nil {
			t.Fatal(err)
		}
		if err := i.remember(t.Context(), j, j.State().Head+1); err != nil {
			t.Fatal(err)
		}
		if got := i.Dropped(); strings.Contains(got, "before soakd started again: probe vr1") != c.low {
			t.Errorf("%v: %q", c.events, got)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
