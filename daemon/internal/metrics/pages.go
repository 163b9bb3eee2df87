package metrics

import (
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"soakrig/daemon/record"
)

//go:embed pages/landing.html
var files embed.FS

// silentAfter is real time without any sample after which the rig counts as silent.
const silentAfter = 10 * time.Second

// askedBefore is real time after which the answers of the rest of the daemon are too
// old to call it healthy.
const askedBefore = 10 * time.Second

func (m *Metrics) routes() http.Handler {
	landing := template.Must(template.ParseFS(files, "pages/landing.html"))
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", m.page())
	mux.HandleFunc("GET /healthz", m.serveHealth)
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
		if err := landing.Execute(w, m.landing()); err != nil {
			m.o.Log.Debug("landing page cut short", "error", err)
		}
	})
	return mux
}

// Health is what /healthz says.
type Health struct {
	Rig       string   `json:"rig"`
	Simulated bool     `json:"simulated"`
	Healthy   bool     `json:"healthy"`
	Problems  []string `json:"problems"` // why it is not healthy; a probe with a fault is data, not a problem
	Sources   []string `json:"sources"`  // sources that give no value, and why
}

// health judges the daemon: does it acquire, and is what it acquires safe.
func (m *Metrics) health() Health {
	m.mu.Lock()
	defer m.mu.Unlock()
	h := Health{Rig: m.o.Rig, Simulated: m.o.Simulated, Problems: []string{}, Sources: []string{}}
	problem := func(format string, args ...any) { h.Problems = append(h.Problems, fmt.Sprintf(format, args...)) }
	s := &m.status
	switch {
	case s.at.IsZero():
		problem("starting")
	case time.Since(s.at) > askedBefore:
		problem("the daemon has not told its state for %.0f s", time.Since(s.at).Seconds())
	case s.hasServing && !s.serving:
		problem("starting: not every source has been read yet")
	}
	if !s.at.IsZero() && !s.journal.durable {
		problem("the journal is not durable: %s", orWord(s.journal.text, "no reason given"))
	}
	if !m.heard.IsZero() && time.Since(m.heard) > silentAfter {
		problem("no source has given a sample for %.0f s", time.Since(m.heard).Seconds())
	}
	for _, src := range s.sources {
		if !src.Up && src.HasLast {
			h.Sources = append(h.Sources, src.Source+": "+orWord(src.Text, "no value"))
		}
	}
	h.Healthy = len(h.Problems) == 0
	return h
}

// serveHealth answers 200 or 503, in text or, where JSON is asked for, in JSON.
func (m *Metrics) serveHealth(w http.ResponseWriter, r *http.Request) {
	h := m.health()
	code := http.StatusOK
	if !h.Healthy {
		code = http.StatusServiceUnavailable
	}
	w.Header().Set("Cache-Control", "no-store")
	if strings.Contains(r.Header.Get("Accept"), "application/json") {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(code)
		_ = json.NewEncoder(w).Encode(h) // a client that has gone is nobody's problem
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(code)
	if h.Healthy {
		fmt.Fprintf(w, "ok: %s\n", h.Rig)
	}
	for _, p := range h.Problems {
		fmt.Fprintf(w, "problem: %s\n", p)
	}
	for _, s := range h.Sources {
		fmt.Fprintf(w, "source %s\n", s)
	}
}

// landing is what the landing page shows.
type landing struct {
	Rig, Version, Now, Run string
	Simulated, Healthy     bool
	Problems               []string
	Channels               []landingRow
}

type landingRow struct{ Name, Place, Role, Reading, Fault, Max string }

func (m *Metrics) landing() landing {
	h := m.health()
	now := m.o.Clock.Now()
	l := landing{
		Rig: m.o.Rig, Version: orWord(m.o.Version, "(unversioned)"), Now: now.Wall().Format("2006-01-02 15:04:05 UTC"),
		Simulated: m.o.Simulated, Healthy: h.Healthy, Problems: h.Problems, Run: "No run is open.",
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.status.open {
		live := &m.status.live
		l.Run = fmt.Sprintf("Run %s of unit %s (%s) is in its %s phase.", live.Run, live.Unit, live.Setup, live.Phase)
	}
	speed := m.o.Clock.Speed()
	for _, c := range m.state.channels {
		row := landingRow{Name: valid(c.Name), Place: valid(c.Place), Role: string(c.Role)}
		if f := c.faults(now, speed); f != 0 {
			row.Fault = f.String()
		} else {
			row.Reading = measured(c.value.Value, c.value.Expanded, c.Unit)
		}
		if c.window != nil && c.boot == now.Boot {
			if v, ok := c.window.max(now.BootNS, 32e9); ok {
				row.Max = measured(v, 0, c.Unit)
			}
		}
		l.Channels = append(l.Channels, row)
	}
	return l
}

// measured words a value with its unit and, where it is stated, its uncertainty.
func measured(value, expanded float64, unit string) string {
	if unit == string(record.Temperature.Unit()) {
		unit = "°C"
	}
	if expanded > 0 {
		return fmt.Sprintf("%.1f ± %.1f %s", value, expanded, unit)
	}
	return fmt.Sprintf("%.1f %s", value, unit)
}

// valid replaces what is no text, as the labels of the page do.
func valid(text string) string { return strings.ToValidUTF8(text, "\uFFFD") }

func orWord(word, otherwise string) string {
	if word == "" {
		return otherwise
	}
	return word
}
