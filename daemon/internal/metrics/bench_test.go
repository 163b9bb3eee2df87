package metrics

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"soakrig/daemon/record"
)

// wide is a rig of 64 probes in 8 sources, in a run, every one with a limit.
func wide(t testing.TB) *rig {
	l := &record.Layout{ID: 64, Rig: "wide"}
	var sources []SourceHealth
	for s := range 8 {
		src := record.Source{Name: fmt.Sprint("bank", s), Driver: "thermo", EveryNS: 100e6}
		for i := range 8 {
			src.Channels = append(src.Channels, len(l.Channels))
			l.Channels = append(l.Channels, record.Channel{
				Name: fmt.Sprintf("vr%d%d", s, i), Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe,
				Place: "behind a phase", Couple: "K", Converter: linear("TH1", 0.01),
			})
		}
		l.Sources = append(l.Sources, src)
		sources = append(sources, SourceHealth{Source: src.Name, Driver: src.Driver, EveryNS: src.EveryNS, Up: true, HasLast: true, Reads: 1})
	}
	r := newRig(t, nil)
	r.put(l)
	r.put(&record.RunEvent{Run: "a", Event: "started", Start: &record.RunStart{Run: "a", Plan: record.Plan{
		Limits: []record.Limit{{Name: "probe", Role: record.RoleProbe, Quantity: "value", Bound: 105, Severity: "fail"}},
	}}})
	for tick := range 600 { // a minute at 10 Hz, so that the windows are full
		for s := range 8 {
			b := &record.Sample{Layout: 64, Source: uint16(s)}
			for i := range 8 {
				b.Raw = append(b.Raw, record.Raw{Has: record.HasCode, Code: 9000 + int64(i*tick%37)})
			}
			r.put(b)
		}
		r.clock.pass(100 * time.Millisecond)
	}
	r.m.mu.Lock()
	defer r.m.mu.Unlock()
	r.m.status = status{at: time.Now(), sources: sources, hasLive: true, open: true, live: record.Live{Run: "a", Phase: record.PhaseLoad}}
	return r
}

func serve(b *testing.B, h http.Handler) {
	req := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	size := 0
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code != 200 {
			b.Fatal(w.Code)
		}
		size = w.Body.Len()
	}
	b.ReportMetric(float64(size), "bytes/page")
}

// bare is a registry of plain gauges that makes a page of as many series.
func bare(series int) http.Handler {
	reg := prometheus.NewRegistry()
	const families = 10
	for f := range families {
		vec := prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: fmt.Sprintf("bare_temperature_%d_celsius", f), Help: "A gauge with two labels and a help text of usual length.",
		}, []string{"channel", "role"})
		for i := range series / families {
			vec.WithLabelValues(fmt.Sprintf("vr%02d", i), "probe").Set(90.12 + float64(i))
		}
		reg.MustRegister(vec)
	}
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{DisableCompression: true})
}

func (r *rig) series() int {
	n := 0
	all, err := r.m.all.Gather()
	if err != nil {
		r.t.Fatal(err)
	}
	for _, f := range all {
		n += len(f.GetMetric())
	}
	return n
}

func BenchmarkPage64(b *testing.B) {
	r := wide(b)
	b.Run("page", func(b *testing.B) { serve(b, r.m.Handler()); b.ReportMetric(float64(r.series()), "series") })
	b.Run("bare", func(b *testing.B) { serve(b, bare(r.series())) })
}

func BenchmarkTake(b *testing.B) {
	r := wide(b)
	s := &record.Sample{Layout: 64, Raw: make([]record.Raw, 8)}
	for i := range s.Raw {
		s.Raw[i] = record.Raw{Has: record.HasCode, Code: 9000}
	}
	b.ReportAllocs()
	for b.Loop() {
		r.clock.pass(100 * time.Millisecond)
		r.seq++
		r.m.take(record.Entry{Seq: r.seq, At: r.clock.Now(), Body: s}, true)
	}
}

// The page of 64 channels in a run allocates less than a quarter of what a bare
// registry's page of as many series does: what it is made of is used again.
// BenchmarkPage64 has the times.
func TestPageAllocations(t *testing.T) {
	r := wide(t)
	req := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	count := func(h http.Handler) float64 {
		return testing.AllocsPerRun(20, func() { h.ServeHTTP(httptest.NewRecorder(), req) })
	}
	page, plain := count(r.m.Handler()), count(bare(r.series()))
	t.Logf("page of %d series: %.0f allocations, bare registry of as many %.0f", r.series(), page, plain)
	if page > plain/4 {
		t.Errorf("the page makes %.0f allocations, a bare registry's %.0f", page, plain)
	}
}

// Taking a sample in allocates nothing.
func TestTakeDoesNotAllocate(t *testing.T) {
	r := wide(t)
	s := &record.Sample{Layout: 64, Raw: make([]record.Raw, 8)}
	for i := range s.Raw {
		s.Raw[i] = record.Raw{Has: record.HasCode, Code: 9000}
	}
	e := record.Entry{Seq: 1, At: r.clock.Now(), Body: s}
	if n := testing.AllocsPerRun(1000, func() { e.Seq++; e.At.BootNS += 1e8; r.m.take(e, true) }); n != 0 {
		t.Errorf("%v allocations per sample", n)
	}
}
