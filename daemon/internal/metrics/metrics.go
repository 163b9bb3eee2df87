package metrics

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// scrapesAtOnce bounds the requests for the page that are answered at a time; more
// get 503.
const scrapesAtOnce = 4

// Metrics keeps the snapshot and serves it. Run it once; Handler and its pages may
// be used concurrently, before Run, during and after it.
type Metrics struct {
	o       Options
	f       *families
	all     *prometheus.Registry // every collector: they must fit together
	rest    *prometheus.Registry // those beside our own
	process *process
	handler http.Handler

	mu     sync.Mutex
	state  *state    // guarded by mu
	status status    // guarded by mu; slices in it are never changed
	taken  uint64    // sequence of the newest entry that state holds; guarded by mu
	heard  time.Time // when state took its newest sample, or Run began; guarded by mu
}

// New prepares the page. It fails when a collector of the options does not fit on it.
func New(o Options) (*Metrics, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	f := newFamilies()
	m := &Metrics{o: o, f: f, all: prometheus.NewRegistry(), rest: prometheus.NewRegistry(), process: newProcess(), state: newState(f)}
	// Without the memstats series: two of them share a name in OpenMetrics.
	runtime := collectors.NewGoCollector(collectors.WithGoCollectorMemStatsMetricsDisabled())
	more := append([]prometheus.Collector{m, runtime, m.process}, o.Collectors...)
	for _, c := range more {
		if err := m.all.Register(c); err != nil {
			return nil, fmt.Errorf("metrics: collector %T: %w", c, err)
		}
		if c == prometheus.Collector(m) {
			continue
		}
		if err := m.rest.Register(c); err != nil {
			return nil, fmt.Errorf("metrics: collector %T: %w", c, err)
		}
	}
	m.process.refresh()
	m.handler = m.routes()
	return m, nil
}

// Handler serves /metrics, /healthz and the landing page /.
func (m *Metrics) Handler() http.Handler { return m.handler }

// page serves /metrics. A collector that fails costs its own series, not the page.
// Pages are not compressed: packing one costs a small board more than sending it.
func (m *Metrics) page() http.Handler {
	return promhttp.HandlerForTransactional(&gatherer{m: m, rest: m.rest}, promhttp.HandlerOpts{
		ErrorLog:            errorLog{m.o.Log},
		ErrorHandling:       promhttp.ContinueOnError,
		Registry:            m.rest,
		MaxRequestsInFlight: scrapesAtOnce,
		CoalesceGather:      true,
		EnableOpenMetrics:   true,
		DisableCompression:  true,
	})
}

// errorLog is promhttp's logger.
type errorLog struct{ log *slog.Logger }

func (l errorLog) Println(v ...any) { l.log.Error("metrics page", "error", fmt.Sprint(v...)) }

// Run tails the journal and keeps the snapshot until ctx ends. Of a run that was
// open before a restart the past is followed again, for its maxima.
func (m *Metrics) Run(ctx context.Context) error {
	polling, stop := context.WithCancel(ctx)
	var poller sync.WaitGroup
	poller.Go(func() { m.keepPolling(polling) })
	defer poller.Wait()
	defer stop()
	now := m.o.Journal.State().Head // entries up to here are the past
	from, err := m.resume(now)
	if err != nil {
		return err
	}
	r := m.o.Journal.NewReader(from)
	defer r.Close()
	for {
		e, err := r.Next(ctx)
		var gap *journal.GapError
		switch {
		case errors.As(err, &gap):
			m.skipped(gap.Gap)
			continue
		case ctx.Err() != nil || errors.Is(err, journal.ErrClosed):
			return nil
		case err != nil:
			return fmt.Errorf("metrics: follow the journal: %w", err)
		}
		m.take(e, e.Seq > now)
	}
}

// resume finds the newest runs and says from which entry on the journal must be
// followed.
func (m *Metrics) resume(head uint64) (from uint64, err error) {
	rows, err := m.o.Journal.Runs(journal.RunFilter{Limit: 2})
	if err != nil {
		return 0, fmt.Errorf("metrics: look for an open run: %w", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	from = head + 1
	for _, row := range rows {
		if row.Result == nil && row.State == "open" {
			from = row.FirstSeq
		} else if row.Result != nil && m.state.lastRun == nil {
			m.state.setLastRun(row.EndedAt, row.Result)
		}
	}
	m.taken, m.heard = from-1, time.Now()
	if l := m.layout(); l != nil {
		err = m.state.relayout(cloneLayout(l))
	}
	return from, err
}

func (m *Metrics) layout() *record.Layout {
	if m.o.Layout == nil {
		return nil
	}
	return m.o.Layout()
}

// take takes one entry into the snapshot.
func (m *Metrics) take(e record.Entry, count bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.taken = e.Seq
	if e.Body.Type() == record.TypeSample {
		m.heard = time.Now()
	}
	if err := m.state.entry(e, count, m.layout); err != nil {
		m.o.Log.Warn("metrics page leaves an entry out", "sequence", e.Seq, "error", err)
	}
}

// skipped moves on behind entries that the journal can't give; it records the loss
// itself.
func (m *Metrics) skipped(g record.Gap) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.taken = g.To
	m.o.Log.Warn("metrics page leaves entries out", "from", g.From, "to", g.To, "cause", g.Cause)
}
