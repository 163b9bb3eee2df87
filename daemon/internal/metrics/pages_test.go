package metrics

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestHealth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		check := func(code int, want string) {
			t.Helper()
			got, body := get(t, r.m.Handler(), "/healthz", "")
			if got != code || !strings.Contains(body, want) {
				t.Errorf("%d %q, want %d with %q", got, body, code, want)
			}
		}
		check(503, "problem: starting\n")
		r.read(back, 1, 2, 3)
		r.m.status = status{at: time.Now(), hasServing: true, journal: journalStatus{durable: true}}
		check(503, "not every source has been read yet")
		r.m.status.serving = true
		check(200, "ok: bench-2\n")
		r.m.status.sources = []SourceHealth{{Source: "wall", HasLast: true, Text: "connection refused"}}
		check(200, "source wall: connection refused\n") // a source with a fault is data, not a problem
		r.m.status.journal = journalStatus{text: "the disk is full"}
		check(503, "the journal is not durable: the disk is full")
		r.m.status.journal.durable = true
		time.Sleep(silentAfter + time.Second) // the bubble's time
		check(503, "no source has given a sample for 11 s")
		check(503, "the daemon has not told its state for 11 s")
	})
}

func TestHealthJSON(t *testing.T) {
	r := newRig(t, nil)
	code, body := get(t, r.m.Handler(), "/healthz", "application/json")
	var h Health
	if err := json.Unmarshal([]byte(body), &h); err != nil || code != 503 || h.Healthy || h.Rig != "bench-2" || len(h.Problems) != 1 || h.Sources == nil {
		t.Errorf("%d %+v %v", code, h, err)
	}
}

func TestLanding(t *testing.T) {
	r := loaded(t)
	code, body := get(t, r.m.Handler(), "/", "")
	for _, want := range []string{
		"<h1>bench-2</h1>", "soakd is not a safety device", "independent thermal cut-out", "licensed or competent persons",
		"Run 20260202-01 of unit carrier-07 (boosted) is in its load phase.", "106.0 ± 0.6 °C", "corrupt&#43;open", "over the &#34;inlet&#34;",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the landing page (%d) has no %q:\n%s", code, want, body)
		}
	}
	if strings.Contains(body, "Simulated rig") {
		t.Error("a real rig is called simulated")
	}
	r.m.o.Simulated = true
	if _, body = get(t, r.m.Handler(), "/", ""); !strings.Contains(body, "nothing on this page was measured") {
		t.Error("a simulated rig does not say so")
	}
}

func TestRoutes(t *testing.T) {
	r := newRig(t, nil)
	for _, c := range []struct {
		method, path string
		code         int
	}{
		{http.MethodGet, "/nothing", 404}, {http.MethodPost, "/metrics", 405}, {http.MethodPost, "/", 405},
		{http.MethodHead, "/", 200}, {http.MethodGet, "/metrics", 200},
	} {
		w := httptest.NewRecorder()
		r.m.Handler().ServeHTTP(w, httptest.NewRequest(c.method, c.path, nil))
		if w.Code != c.code {
			t.Errorf("%s %s: %d, want %d", c.method, c.path, w.Code, c.code)
		}
	}
}
