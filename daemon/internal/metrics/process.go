package metrics

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// processEvery is how often the kernel is asked about the process: reading /proc
// takes longer than all the rest of a page.
const processEvery = 5 * time.Second

// process is the usual process_ metrics, as they were when refresh last asked.
type process struct {
	of prometheus.Collector

	mu    sync.Mutex
	found []prometheus.Metric // guarded by mu; replaced, never changed
	at    time.Time           // guarded by mu
}

func newProcess() *process {
	return &process{of: collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})}
}

// refresh asks the kernel if the answers are old.
func (p *process) refresh() {
	p.mu.Lock()
	young := !p.at.IsZero() && time.Since(p.at) < processEvery
	p.mu.Unlock()
	if young {
		return
	}
	ch := make(chan prometheus.Metric)
	go func() {
		defer close(ch)
		p.of.Collect(ch)
	}()
	var found []prometheus.Metric
	for m := range ch {
		found = append(found, m)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.found, p.at = found, time.Now()
}

// Describe implements prometheus.Collector.
func (p *process) Describe(ch chan<- *prometheus.Desc) { p.of.Describe(ch) }

// Collect implements prometheus.Collector.
func (p *process) Collect(ch chan<- prometheus.Metric) {
	p.mu.Lock()
	found := p.found
	p.mu.Unlock()
	for _, m := range found {
		ch <- m
	}
}
