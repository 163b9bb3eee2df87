package speed

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"soakrig/daemon/internal/acquire"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/metrics"
)

// page is the metrics of a rig whose windows are full, with so many sources of so many
// channels.
func page(t testing.TB, sources, channels int) http.Handler {
	cfg, known := parse(t, sources, channels, 100*time.Millisecond)
	clock := newEager(sources * 700)
	j, err := journal.Open(journal.Options{Dir: t.TempDir(), Sync: time.Second, Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	acq, err := acquire.New(context.Background(), acquire.Options{Config: cfg, Drivers: known, Clock: clock, Journal: j})
	if err != nil {
		t.Fatal(err)
	}
	m, err := metrics.New(metrics.Options{Rig: "speed", Version: "speed", Journal: j, Clock: clock, Layout: acq.Layout,
		Sources: func() []metrics.SourceHealth {
			var all []metrics.SourceHealth
			for _, h := range acq.Sources() {
				all = append(all, metrics.SourceHealth{Source: h.Source, Driver: "quick", EveryNS: 1e8, Up: true, Last: h.Last, HasLast: h.HasLast, Reads: h.Reads})
			}
			return all
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var all sync.WaitGroup
	all.Go(func() { m.Run(ctx) })
	all.Go(func() { acq.Run(ctx) })
	t.Cleanup(func() {
		cancel()
		all.Wait()
		j.Close()
	})
	<-clock.done
	h := m.Handler()
	for deadline := time.Now().Add(30 * time.Second); series(h) < sources*channels*3; runtime.Gosched() {
		if time.Now().After(deadline) {
			t.Fatalf("the page has %d series", series(h))
		}
	}
	return h
}

func scrape(h http.Handler) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	return w
}

func series(h http.Handler) (n int) {
	for line := range strings.Lines(scrape(h).Body.String()) {
		if !strings.HasPrefix(line, "#") {
			n++
		}
	}
	return n
}

// plainPage is a registry of gauges with as many series.
func plainPage(series int) http.Handler {
	const families = 10
	reg := prometheus.NewRegistry()
	for f := range families {
		vec := prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: fmt.Sprintf("plain_temperature_%d_celsius", f), Help: "A gauge with two labels and a help text of usual length.",
		}, []string{"channel", "role"})
		for i := range series / families {
			vec.WithLabelValues(fmt.Sprintf("vr%02d", i), "probe").Set(90.12 + float64(i))
		}
		reg.MustRegister(vec)
	}
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{DisableCompression: true})
}

func benchPage(b *testing.B) {
	h := page(b, 8, 8)
	n := series(h)
	plain := plainPage(n)
	p, allocs := newPair(), 0.0
	for b.Loop() {
		for range 10 {
			allocs = mallocs(func() { p.round(func() { scrape(h) }, func() { scrape(plain) }) })
		}
	}
	put(b, row{what: "/metrics, 64 channels", unit: "us", ours: p.ours * 1e6, limit: p.limit * 1e6,
		of: fmt.Sprintf("bare registry of as many (%d) series", n), allocs: allocs / 2, budget: "< 1 ms", met: p.ours < 1e-3})
}
