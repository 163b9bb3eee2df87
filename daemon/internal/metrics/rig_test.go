package metrics

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"

	"soakrig/daemon/record"
)

// handClock is a rig clock that a test moves by hand.
type handClock struct {
	mu    sync.Mutex
	stamp record.Stamp
	speed float64
}

func newHandClock() *handClock {
	return &handClock{speed: 1, stamp: record.Stamp{Boot: record.BootID{1}, BootNS: 100e9, WallNS: 1_770_000_000e9, Synced: true}}
}

func (c *handClock) Now() record.Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.stamp
}

func (c *handClock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stamp.BootNS += int64(d)
	c.stamp.WallNS += int64(d)
}

func (c *handClock) SleepUntil(ctx context.Context, _ int64) error { <-ctx.Done(); return ctx.Err() }
func (c *handClock) Speed() float64                                { return c.speed }

// Sources of the invented rig.
const (
	back = 0 // vr1, vr2, vr3: probes, 0.01 degC a code, every 200 ms
	room = 1 // room: ambient, 0.01 degC a code, every 2 s
	wall = 2 // wall: 0.1 W a code; wall_energy: 1 J a code; every 1 s
)

func linear(model string, perCode float64) record.Converter {
	return record.Converter{Model: model, Law: record.LawLinear, PerCode: perCode, Lines: []record.Line{{Name: "stated accuracy", Half: 0.5}}}
}

func benchLayout() *record.Layout {
	probe := func(name, place string) record.Channel {
		return record.Channel{Name: name, Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Place: place, Couple: "K", Converter: linear("TH1", 0.01)}
	}
	l := &record.Layout{
		ID: 7, Rig: "bench-2",
		Sources: []record.Source{
			{Name: "back", Driver: "thermo", EveryNS: 200e6, Channels: []int{0, 1, 2}},
			{Name: "room", Driver: "ambient", EveryNS: 2e9, Channels: []int{3}},
			{Name: "wall", Driver: "meter", EveryNS: 1e9, Channels: []int{4, 5}},
		},
		Channels: []record.Channel{
			probe("vr1", "behind phase 1"), probe("vr2", "behind phase 2"), probe("vr3", `over the "inlet"`),
			{Name: "room", Kind: record.Temperature, Unit: "degC", Role: record.RoleAmbient, Converter: linear("AM1", 0.01)},
			{Name: "wall", Kind: record.Power, Unit: "W", Role: record.RoleSupply, Converter: linear("WM1", 0.1)},
			{Name: "wall_energy", Kind: record.Energy, Unit: "J", Role: record.RoleSupply, Converter: record.Converter{Model: "WM1", Law: record.LawLinear, PerCode: 1}},
		},
	}
	l.Channels[1].Calibration = &record.Calibration{ID: "vr2/2026-05-02", Channel: "vr2", OffsetK: 0.2}
	return l
}

func benchLimits() ([]record.Limit, *record.Band) {
	return []record.Limit{
		{Name: "probe", Role: record.RoleProbe, Quantity: "value", Bound: 105, Severity: "fail"},
		{Name: "rise", Role: record.RoleProbe, Quantity: "rise", Bound: 70, Severity: "note"},
		{Name: "inlet", Channel: "wall", Quantity: "value", Bound: 600, Severity: "stop"},
	}, &record.Band{Low: 21, High: 25}
}

// rig is a page with its clock, fed entry by entry.
type rig struct {
	t     testing.TB
	m     *Metrics
	clock *handClock
	seq   uint64
}

func newRig(t testing.TB, change func(*Options)) *rig {
	clock := newHandClock()
	o := Options{Rig: "bench-2", Version: "1.2.3", Clock: clock, Limits: benchLimits}
	if change != nil {
		change(&o)
	}
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, m: m, clock: clock}
	r.put(benchLayout())
	m.mu.Lock()
	defer m.mu.Unlock()
	m.state.setLimits(benchLimits())
	return r
}

func (r *rig) put(b record.Body) {
	r.seq++
	r.m.take(record.Entry{Seq: r.seq, At: r.clock.Now(), Body: b}, true)
}

// read puts a sample whose codes are good readings.
func (r *rig) read(source uint16, codes ...int64) {
	s := &record.Sample{Layout: 7, Source: source}
	for _, c := range codes {
		s.Raw = append(s.Raw, record.Raw{Has: record.HasCode, Code: c})
	}
	r.put(s)
}

// page gets the page; accept may be empty.
func get(t testing.TB, h http.Handler, path, accept string) (code int, body string) {
	t.Helper()
	req := httptest.NewRequest(http.MethodGet, path, nil)
	if accept != "" {
		req.Header.Set("Accept", accept)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, req)
	return w.Code, w.Body.String()
}

// own is a registry of our own families alone.
func (r *rig) own() *prometheus.Registry {
	own := prometheus.NewRegistry()
	if err := own.Register(r.m); err != nil {
		r.t.Fatal(err)
	}
	return own
}

// text is our own families as exposition text, without the runtime's.
func (r *rig) text() string {
	r.t.Helper()
	all, err := r.own().Gather()
	if err != nil {
		r.t.Fatal(err)
	}
	var b bytes.Buffer
	for _, f := range all {
		if _, err := expfmt.MetricFamilyToText(&b, f); err != nil {
			r.t.Fatal(err)
		}
	}
	return b.String()
}

// value is a series' value on the page; ok is false when there is no such series.
func (r *rig) value(series string) (v float64, ok bool) {
	r.t.Helper()
	for line := range strings.Lines(r.text()) {
		if rest, found := strings.CutPrefix(line, series+" "); found {
			v, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
			if err != nil {
				r.t.Fatal(err)
			}
			return v, true
		}
	}
	return 0, false
}

func (r *rig) want(series string, want float64) {
	r.t.Helper()
	if got, ok := r.value(series); !ok || fmt.Sprintf("%.6g", got) != fmt.Sprintf("%.6g", want) {
		r.t.Errorf("%s is %v (there: %v), want %v", series, got, ok, want)
	}
}

func (r *rig) absent(series string) {
	r.t.Helper()
	if got, ok := r.value(series); ok {
		r.t.Errorf("%s is %v, want no such series", series, got)
	}
}

func probeTemp(name string) string {
	return fmt.Sprintf(`soakrig_temperature_celsius{channel=%q,role="probe"}`, name)
}
