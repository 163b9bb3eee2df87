package metrics

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"soakrig/daemon/record"
)

// scraper is a real Prometheus that scrapes a page every second.
type scraper struct {
	t    *testing.T
	base string
}

func startScraper(t *testing.T, target string) *scraper {
	t.Helper()
	path, err := exec.LookPath("prometheus")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("prometheus is missing: apt-get install prometheus")
		}
		t.Skip("prometheus is missing (apt-get install prometheus): nothing was scraped")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "prometheus.yml")
	config := fmt.Sprintf("global: {scrape_interval: 1s}\nscrape_configs: [{job_name: soakrig, static_configs: [{targets: [%q]}]}]\n", target)
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+addr, "--log.level=error")
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed: its status says nothing
	})
	return &scraper{t, "http://" + addr}
}

// values is what a query gives now; nil while the server is starting.
func (s *scraper) values(query string) (all []float64) {
	s.t.Helper()
	resp, err := http.Get(s.base + "/api/v1/query?" + url.Values{"query": {query}}.Encode())
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	var got struct {
		Data struct {
			Result []struct{ Value [2]json.RawMessage }
		}
	}
	if json.NewDecoder(resp.Body).Decode(&got) != nil {
		return nil // "starting" is no JSON
	}
	for _, r := range got.Data.Result {
		var text string
		if err := json.Unmarshal(r.Value[1], &text); err != nil {
			s.t.Fatal(err)
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			s.t.Fatal(err)
		}
		all = append(all, v)
	}
	return all
}

// wait polls a query until it gives n series; the bound is against hanging only.
func (s *scraper) wait(query string, n int) {
	s.t.Helper()
	for began := time.Now(); len(s.values(query)) != n; time.Sleep(50 * time.Millisecond) {
		if time.Since(began) > 2*time.Minute {
			s.t.Fatalf("%s gives %d series, want %d", query, len(s.values(query)), n)
		}
	}
}

// A probe that lets go leaves the graph at the next scrape, not after the five minutes
// for which a server repeats a value; its peak of before stays.
func TestRealScrape(t *testing.T) {
	r := newRig(t, nil)
	var formats sync.Map // that the page was asked for and given in
	page := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		r.m.Handler().ServeHTTP(w, req)
		formats.Store(w.Header().Get("Content-Type"), true)
	}))
	defer page.Close()
	r.read(back, 9125, 0, 8000)
	s := startScraper(t, page.Listener.Addr().String())
	good := `soakrig_temperature_celsius{channel="vr1"}`
	s.wait(good, 1)
	if v := s.values(good); len(v) != 1 || v[0] != 91.25 {
		t.Errorf("the server has %v, want 91.25", v)
	}
	if v := s.values(`soakrig_temperature_celsius{channel="vr2"}`); len(v) != 1 || v[0] != 0.2 {
		t.Errorf("the server has %v, want 0.2", v)
	}
	r.clock.pass(200 * time.Millisecond)
	r.put(&record.Sample{Layout: 7, Source: back, Raw: []record.Raw{{Faults: record.Open}, {Has: record.HasCode}, {Has: record.HasCode, Code: 8000}}})
	s.wait(`soakrig_channel_fault{channel="vr1",fault="open"} == 1`, 1)
	if v := s.values(good); len(v) != 0 { // the scrape that brought the fault took the value away
		t.Errorf("the value is repeated beside the fault: %v", v)
	}
	if v := s.values(`soakrig_temperature_max_32s_celsius{channel="vr1"}`); len(v) != 1 || v[0] != 91.25 {
		t.Errorf("the peak before the fault is %v, want 91.25", v)
	}
	if v := s.values(`up{job="soakrig"}`); len(v) != 1 || v[0] != 1 {
		t.Errorf("up is %v", v)
	}
	formats.Range(func(format, _ any) bool {
		if !strings.HasPrefix(format.(string), "application/openmetrics-text; version=1.0.0") {
			t.Errorf("the server was given %s, want OpenMetrics, which it asks for first", format)
		}
		return true
	})
}
