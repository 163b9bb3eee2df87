package acquire

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/daemon/internal/config"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// memory is a journal that keeps copies of what it is given.
type memory struct {
	mu      sync.Mutex
	entries []record.Entry
	fail    error
}

func (m *memory) Append(at record.Stamp, body record.Body) (uint64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fail != nil {
		return 0, m.fail
	}
	if s, ok := body.(*record.Sample); ok {
		body = &record.Sample{Layout: s.Layout, Source: s.Source, Raw: append([]record.Raw(nil), s.Raw...)}
	}
	m.entries = append(m.entries, record.Entry{Seq: uint64(len(m.entries) + 1), At: at, Body: body})
	return uint64(len(m.entries)), nil
}

func (m *memory) samples(source uint16) (at []float64, raws [][]record.Raw) {
	for _, e := range m.entries {
		if s, ok := e.Body.(*record.Sample); ok && s.Source == source {
			at = append(at, time.Duration(e.At.BootNS).Seconds())
			raws = append(raws, s.Raw)
		}
	}
	return at, raws
}

func (m *memory) events() []string {
	var all []string
	for _, e := range m.entries {
		if s, ok := e.Body.(*record.SourceEvent); ok {
			all = append(all, fmt.Sprintf("%s %s: %s", s.Source, s.State, s.Text))
		}
	}
	return all
}

// script is a driver whose devices do what a test says.
type script struct {
	open func(src drivers.Source) error
	read func(src drivers.Source, n int, out []drivers.Reading) error
}

type scripted struct {
	s      *script
	src    drivers.Source
	n      int
	closed bool
}

func (d *scripted) Converters() []drivers.Converter {
	all := make([]drivers.Converter, len(d.src.Inputs))
	for i := range all {
		all[i] = drivers.Converter{Model: "TEST", Law: drivers.LawFixedSlope, Kind: drivers.Temperature, Unit: "degC", PerCode: 0.25, ColdPerCode: 0.0625, SlopeVoltsPerK: 41.276e-6}
	}
	return all
}

func (d *scripted) Read(_ context.Context, out []drivers.Reading) error {
	if d.closed {
		return bus.ErrClosed
	}
	d.n++
	return d.s.read(d.src, d.n, out)
}

func (d *scripted) Close() error { d.closed = true; return nil }

func (s *script) driver() *drivers.Driver {
	return &drivers.Driver{Name: "scripted", Open: func(_ context.Context, _ *bus.Host, src drivers.Source) (drivers.Device, error) {
		if s.open != nil {
			if err := s.open(src); err != nil {
				return nil, err
			}
		}
		return &scripted{s: s, src: src}, nil
	}}
}

const twoBuses = `
rig: t
sources:
  - {name: back, driver: scripted, every: 500ms, inputs: [{channel: a, port: SPI0.0}, {channel: b, port: SPI0.1}]}
  - {name: room, driver: scripted, every: 2s, inputs: [{channel: c, port: I2C1}]}
channels:
  a: {couple: N, offset: 0.5, checked: 2030-01-01, by: somebody}
  c: {role: ambient}
`

// run acquires for d of bubble time.
func run(t *testing.T, yaml string, s *script, d time.Duration, more ...func(*Options)) (*Acquirer, *memory, error) {
	t.Helper()
	drv := []*drivers.Driver{s.driver()}
	c, err := config.Parse("t.yaml", []byte(yaml), drv)
	if err != nil {
		t.Fatal(err)
	}
	m := &memory{}
	opts := Options{Config: c, Drivers: drv, Clock: rigtime.NewElapsed(record.BootID{1}), Journal: m}
	for _, f := range more {
		f(&opts)
	}
	a, err := New(t.Context(), opts)
	if err != nil {
		return nil, m, err
	}
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	return a, m, a.Run(ctx)
}

func good(_ drivers.Source, n int, out []drivers.Reading) error {
	for i := range out {
		out[i].Set(int64(100+n), 50*time.Millisecond)
		out[i].SetCold(400)
	}
	return nil
}

func TestGrid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, m, err := run(t, twoBuses, &script{read: good}, 5*time.Second+time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		at, raws := m.samples(0)
		if len(at) != 11 || at[10] != 5 {
			t.Errorf("back was read at %v", at)
		}
		if got := raws[3][1]; got != (record.Raw{Has: record.HasCode | record.HasCold, Code: 104, Cold: 400, AgeUS: 50000}) {
			t.Errorf("raw: %+v", got)
		}
		if at, _ := m.samples(1); len(at) != 3 {
			t.Errorf("room was read at %v", at)
		}
		if h := a.Sources()[0]; h.Reads != 11 || h.Failures != 0 || h.Late != 0 || h.Last.BootNS != int64(5*time.Second) {
			t.Errorf("health: %+v", h)
		}
	})
}

// TestSlowBusDelaysOnlyItself lets one bus take three periods per read.
func TestSlowBusDelaysOnlyItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{read: func(src drivers.Source, n int, out []drivers.Reading) error {
			if src.Name == "back" {
				time.Sleep(1600 * time.Millisecond)
			}
			return good(src, n, out)
		}}
		a, m, err := run(t, twoBuses, s, 20*time.Second+time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		room, _ := m.samples(1)
		for i, at := range room {
			if at != 2*float64(i) {
				t.Fatalf("the other bus was read at %v", room)
			}
		}
		back, _ := m.samples(0)
		for i := 1; i < len(back); i++ {
			if gap := back[i] - back[i-1]; gap < 1.6 || gap > 2.2 {
				t.Errorf("reads bunch up or stall: %v", back)
			}
		}
		if h := a.Sources()[0]; h.Late == 0 {
			t.Error("skipped deadlines were not counted")
		}
	})
}

func TestFaultsAndEvents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{read: func(src drivers.Source, n int, out []drivers.Reading) error {
			if err := good(src, n, out); src.Name != "back" {
				return err
			}
			switch {
			case n == 3: // one input open: the source itself is well
				out[1].Fail(drivers.Open|drivers.ShortToGround, errors.New("fault bits OC SCG"))
			case n >= 5 && n < 8:
				cause := errors.New("ioctl: input/output error")
				for i := range out {
					out[i] = drivers.Reading{}
					out[i].Fail(drivers.BusError, cause)
				}
				return cause
			}
			return nil
		}}
		_, m, err := run(t, twoBuses, s, 5*time.Second+time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		_, raws := m.samples(0)
		if r := raws[2]; r[0].Faults != 0 || r[1].Faults.String() != "open+short_to_ground" || r[1].Code != 103 {
			t.Errorf("third sample: %+v", r)
		}
		if r := raws[5][0]; r.Faults != record.BusError || r.Has != 0 {
			t.Errorf("sixth sample: %+v", r)
		}
		var back []string
		for _, e := range m.events() {
			if strings.HasPrefix(e, "back") {
				back = append(back, e)
			}
		}
		want := []string{"back opened: ", "back failed: ioctl: input/output error", "back recovered: "}
		if fmt.Sprint(back) != fmt.Sprint(want) {
			t.Errorf("events %q, want %q", back, want)
		}
	})
}

// TestPortAppearsLater starts without a port that comes after 5 s: its channels
// carry faults until then, and the layout is stored again once its chips are known.
func TestPortAppearsLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now()
		s := &script{read: good, open: func(src drivers.Source) error {
			if src.Name == "room" && time.Since(begin) < 5*time.Second {
				return errors.New("no port I2C1; there are: I2C3")
			}
			return nil
		}}
		a, m, err := run(t, twoBuses, s, 13*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		at, raws := m.samples(1)
		for i := range at {
			wantFault := at[i] < 6 // attempts after 2 s, then 4 s later
			if (raws[i][0].Faults == record.BusError) != wantFault {
				t.Errorf("at %g s: %v", at[i], raws[i][0].Faults)
			}
		}
		var layouts []*record.Layout
		for _, e := range m.entries {
			if l, ok := e.Body.(*record.Layout); ok {
				layouts = append(layouts, l)
			}
		}
		if len(layouts) != 2 || layouts[0].ID == layouts[1].ID {
			t.Fatalf("%d layouts", len(layouts))
		}
		if law := layouts[0].Channels[2].Converter.Law; law != 0 {
			t.Errorf("a chip that was never opened has law %d", law)
		}
		if got := a.Layout(); got.ID != layouts[1].ID || got.Channels[2].Converter.Model != "TEST" {
			t.Errorf("layout in force: %+v", got)
		}
	})
}

func TestLayout(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		stored := []record.Calibration{
			{ID: "z1", Channel: "a", OffsetK: -0.1, Checked: "2029-12-31"}, // older than rig.yaml's
			{ID: "z2", Channel: "b", OffsetK: -0.2, Checked: "2029-12-31"},
		}
		a, _, err := run(t, twoBuses, &script{read: good}, time.Second, func(o *Options) { o.Calibrations = stored })
		if err != nil {
			t.Fatal(err)
		}
		l := a.Layout()
		ch := l.Channels
		if ch[0].Role != record.RoleProbe || ch[0].Couple != "N" || ch[0].Class != "iec-1" || ch[0].Unit != "degC" {
			t.Errorf("a: %+v", ch[0])
		}
		if ch[0].Calibration.OffsetK != 0.5 || ch[1].Calibration.ID != "z2" {
			t.Errorf("calibrations: %+v, %+v", ch[0].Calibration, ch[1].Calibration)
		}
		if ch[2].Role != record.RoleAmbient || len(ch[2].Lines) != 0 || len(ch[0].Lines) != 4 {
			t.Errorf("lines: %+v; %+v", ch[0].Lines, ch[2])
		}
		at := record.Stamp{BootNS: 9}
		if err := a.Calibrate(at, record.Calibration{ID: "z3", Channel: "b", OffsetK: 0.3, Checked: "2030-06-01"}); err != nil {
			t.Fatal(err)
		}
		if now := a.Layout(); now.ID == l.ID || now.Channels[1].Calibration.ID != "z3" {
			t.Errorf("after calibration: %+v", now.Channels[1].Calibration)
		}
	})
}

func TestRefusals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		yaml := strings.ReplaceAll(twoBuses, "every: 500ms,", "every: 500ms, letter: Q,")
		s := &script{read: good, open: func(src drivers.Source) error {
			var o struct {
				Letter string `yaml:"letter"`
			}
			if err := src.Options.Decode(&o); err != nil {
				return err
			}
			if o.Letter == "Q" {
				return &drivers.OptionError{Input: -1, Key: "letter", Text: `no part with the letter "Q"`}
			}
			return nil
		}}
		_, _, err := run(t, yaml, s, time.Second)
		const want = `t.yaml:4:50: sources[0].letter: no part with the letter "Q"`
		if err == nil || err.Error() != want {
			t.Errorf("got %v\nwant %s", err, want)
		}
	})
}

// TestJournalGone checks that acquisition says so when nothing can be stored.
func TestJournalGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		boom := errors.New("journal closed")
		_, _, err := run(t, twoBuses, &script{read: good}, time.Hour, func(o *Options) { o.Journal.(*memory).fail = boom })
		if !errors.Is(err, boom) {
			t.Errorf("got %v", err)
		}
	})
}

// TestFaultWordsAgree holds the two closed sets, the drivers' and the stored one,
// together.
func TestFaultWordsAgree(t *testing.T) {
	d, r := drivers.FaultNames(), record.FaultWords()
	if fmt.Sprint(d) != fmt.Sprint(r) {
		t.Errorf("drivers %v\nrecord  %v", d, r)
	}
	if record.Faults(drivers.DeviceError) != record.DeviceError || record.Faults(drivers.ColdJunction) != record.ColdJunctionFault {
		t.Error("bits differ")
	}
	if record.Law(drivers.LawFloat64) != record.LawFloat64 || record.Law(drivers.LawRTD) != record.LawRTD {
		t.Error("laws differ")
	}
}

// TestClockStep: wall time that jumps is recorded once; what slews is not.
func TestClockStep(t *testing.T) {
	a := &Acquirer{}
	const start = int64(1e18)
	for i, c := range []struct {
		bootS, wallS, stepS float64
	}{{10, 10, 0}, {11, 11, 0}, {12, 12.4, 0}, {13, 259213.4, 259200}, {14, 259214.4, 0}, {15, 259125.4, -90}, {16, 259126.4, 0}} {
		got := a.stepped(record.Stamp{BootNS: int64(c.bootS * 1e9), WallNS: start + int64(c.wallS*1e9), Synced: i > 2})
		if (got != nil) != (c.stepS != 0) || got != nil && (got.StepNS != int64(c.stepS*1e9) || !got.Synced) {
			t.Errorf("look %d: %+v, want a step of %g s", i, got, c.stepS)
		}
	}
}

// TestClockStepSeenOnce: buses stamp their samples before they take turns to look, so
// that a stamp of before the step may come after one of behind it.
func TestClockStepSeenOnce(t *testing.T) {
	at := func(bootS, stepS int64) record.Stamp {
		return record.Stamp{Boot: record.BootID{1}, BootNS: bootS * 1e9, WallNS: 1e18 + (bootS+stepS)*1e9}
	}
	a := &Acquirer{}
	var steps []int64
	for _, s := range []record.Stamp{at(10, 0), at(12, -90), at(11, 0), at(13, -90), at(12, -90), at(14, -90)} {
		if got := a.stepped(s); got != nil {
			steps = append(steps, got.StepNS/1e9)
		}
	}
	if len(steps) != 1 || steps[0] != -90 {
		t.Errorf("steps %v, want one of -90 s", steps)
	}
}

// TestClockStepAcrossRestart: a step while soakd was down or read its configuration
// again is seen against the newest stored entry; another boot tells nothing.
func TestClockStepAcrossRestart(t *testing.T) {
	before := record.Stamp{Boot: record.BootID{1}, BootNS: 100e9, WallNS: 1e18}
	for _, c := range []struct {
		name  string
		first record.Stamp
		stepS int64
	}{
		{"no step", record.Stamp{Boot: record.BootID{1}, BootNS: 105e9, WallNS: 1e18 + 5e9}, 0},
		{"three days", record.Stamp{Boot: record.BootID{1}, BootNS: 105e9, WallNS: 1e18 + 259205e9}, 259200},
		{"back", record.Stamp{Boot: record.BootID{1}, BootNS: 105e9, WallNS: 1e18 - 85e9}, -90},
		{"another boot", record.Stamp{Boot: record.BootID{2}, BootNS: 5e9, WallNS: 1e18 + 259205e9}, 0},
	} {
		a := &Acquirer{walled: before}
		got := a.stepped(c.first)
		if (got != nil) != (c.stepS != 0) || got != nil && got.StepNS != c.stepS*1e9 {
			t.Errorf("%s: %+v, want a step of %d s", c.name, got, c.stepS)
		}
		if a.Newest() != c.first {
			t.Errorf("%s: newest %+v", c.name, a.Newest())
		}
	}
}

func BenchmarkRead(b *testing.B) {
	s := &script{read: good}
	c, err := config.Parse("t.yaml", []byte(twoBuses), []*drivers.Driver{s.driver()})
	if err != nil {
		b.Fatal(err)
	}
	a, err := New(b.Context(), Options{Config: c, Drivers: []*drivers.Driver{s.driver()}, Clock: rigtime.NewElapsed(record.BootID{}), Journal: discard{}})
	if err != nil {
		b.Fatal(err)
	}
	g := a.groups()[1]
	b.ReportAllocs()
	for b.Loop() {
		if err := g.read(b.Context(), g.members[0]); err != nil {
			b.Fatal(err)
		}
	}
}

type discard struct{}

func (discard) Append(record.Stamp, record.Body) (uint64, error) { return 1, nil }
