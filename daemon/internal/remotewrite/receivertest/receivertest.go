// Package receivertest starts the receivers of remote write that labs have, on
// loopback, for tests that kill them and then compare every sample they hold. It is
// linked into tests only.
package receivertest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// Point is a sample without its value: a series as Series words it, and ms since 1970.
type Point struct {
	Series string
	MS     int64
}

// Series words a series of ours.
func Series(name, channel, job, rig, role string) string {
	return fmt.Sprintf("%s{channel=%q,job=%q,rig=%q,role=%q}", name, channel, job, rig, role)
}

// Server is a real receiver that a test may kill. It keeps its disk.
type Server struct {
	Name string // prometheus or victoria-metrics

	t     testing.TB
	args  []string
	base  string
	ready string // path that answers 200 once it is ready
	cmd   *exec.Cmd
	read  func(*Server) map[Point]uint64
}

// Install finds a program of a Debian package of its name, or skips; where CI is set
// it must be there.
func Install(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is missing: apt-get install %[1]s", name)
		}
		t.Skipf("%s is missing (apt-get install %[1]s): nothing was compared with it", name)
	}
	return path
}

// FreePort is a loopback address that nobody listens on.
func FreePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// Prometheus starts a Prometheus that takes remote write, and samples as old as window
// (a duration in its own words; empty: none). It scrapes itself, so that it has newer
// samples than any backlog.
func Prometheus(t testing.TB, window string) *Server {
	t.Helper()
	path := Install(t, "prometheus")
	dir := t.TempDir()
	addr := FreePort(t)
	config := "global: {scrape_interval: 1s}\nscrape_configs: [{job_name: self, static_configs: [{targets: [" + addr + "]}]}]\n"
	if window != "" {
		config += "storage: {tsdb: {out_of_order_time_window: " + window + "}}\n"
	}
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	s := &Server{Name: "prometheus", t: t, base: "http://" + addr, ready: "/-/ready", read: (*Server).queried, args: []string{
		path, "--config.file=" + file, "--storage.tsdb.path=" + filepath.Join(dir, "data"),
		"--web.listen-address=" + addr, "--web.enable-remote-write-receiver", "--log.level=error",
	}}
	s.Start()
	for end := time.Now().Add(time.Minute); s.Count("up") == 0; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it does not scrape itself")
		}
	}
	return s
}

// Victoria starts a VictoriaMetrics.
func Victoria(t testing.TB) *Server {
	t.Helper()
	path := Install(t, "victoria-metrics")
	addr := FreePort(t)
	s := &Server{Name: "victoria-metrics", t: t, base: "http://" + addr, ready: "/health", read: (*Server).exported, args: []string{
		path, "-storageDataPath=" + t.TempDir(), "-httpListenAddr=" + addr, "-retentionPeriod=12", "-dedup.minScrapeInterval=1ms", "-loggerLevel=ERROR",
		"-memory.allowedBytes=67108864",
	}}
	s.Start()
	return s
}

// WriteURL is where it takes samples.
func (s *Server) WriteURL() string { return s.base + "/api/v1/write" }

// Start starts the server and waits until it is ready.
func (s *Server) Start() {
	s.t.Helper()
	s.cmd = exec.Command(s.args[0], s.args[1:]...)
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(s.Kill)
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if resp, err := http.Get(s.base + s.ready); err == nil {
			resp.Body.Close()
			if resp.StatusCode == 200 {
				return
			}
		}
	}
	s.t.Fatalf("%s is not ready after a minute", s.args[0])
}

// Kill ends it without warning: what it has not given to the kernel is lost.
func (s *Server) Kill() {
	if s.cmd.ProcessState == nil {
		_ = s.cmd.Process.Kill()
		_ = s.cmd.Wait() // it was killed: its status says nothing
	}
}

func (s *Server) get(path string, query url.Values) io.ReadCloser {
	s.t.Helper()
	resp, err := http.Get(s.base + path + "?" + query.Encode())
	if err != nil {
		s.t.Fatal(err)
	}
	if resp.StatusCode != 200 {
		text, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		s.t.Fatalf("%s: %s %s", path, resp.Status, text)
	}
	return resp.Body
}

// Count is how many series a query gives.
func (s *Server) Count(query string) int {
	s.t.Helper()
	body := s.get("/api/v1/query", url.Values{"query": {query}})
	defer body.Close()
	var got struct{ Data struct{ Result []any } }
	if err := json.NewDecoder(body).Decode(&got); err != nil {
		s.t.Fatal(err)
	}
	return len(got.Data.Result)
}

// Stored is every sample of ours that the server has, with the bits of its value.
func (s *Server) Stored() map[Point]uint64 {
	s.t.Helper()
	return s.read(s)
}

func seriesOf(labels map[string]string) string {
	return Series(labels["__name__"], labels["channel"], labels["job"], labels["rig"], labels["role"])
}

// queried asks a Prometheus, for six hours.
func (s *Server) queried() map[Point]uint64 {
	s.t.Helper()
	body := s.get("/api/v1/query", url.Values{"query": {`{__name__=~"soakrig_sample_.+"}[6h]`}, "time": {strconv.FormatInt(time.Now().Unix()+60, 10)}})
	defer body.Close()
	var got struct {
		Data struct {
			Result []struct {
				Metric map[string]string
				Values [][2]json.RawMessage
			}
		}
	}
	if err := json.NewDecoder(body).Decode(&got); err != nil {
		s.t.Fatal(err)
	}
	all := map[Point]uint64{}
	for _, r := range got.Data.Result {
		for _, v := range r.Values {
			at, err := strconv.ParseFloat(string(v[0]), 64)
			if err != nil {
				s.t.Fatal(err)
			}
			var text string
			if err := json.Unmarshal(v[1], &text); err != nil {
				s.t.Fatal(err)
			}
			value, err := strconv.ParseFloat(text, 64)
			if err != nil {
				s.t.Fatal(err)
			}
			all[Point{seriesOf(r.Metric), int64(math.Round(at * 1000))}] = math.Float64bits(value)
		}
	}
	return all
}

// exported asks a VictoriaMetrics.
func (s *Server) exported() map[Point]uint64 {
	s.t.Helper()
	s.get("/internal/force_flush", nil).Close()
	body := s.get("/api/v1/export", url.Values{"match[]": {`{__name__=~"soakrig_sample_.+"}`}})
	defer body.Close()
	all := map[Point]uint64{}
	lines := bufio.NewScanner(body)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		var one struct {
			Metric     map[string]string
			Values     []*float64
			Timestamps []int64
		}
		if err := json.Unmarshal(lines.Bytes(), &one); err != nil {
			s.t.Fatal(err)
		}
		for i, v := range one.Values {
			if v != nil {
				all[Point{seriesOf(one.Metric), one.Timestamps[i]}] = math.Float64bits(*v)
			}
		}
	}
	if err := lines.Err(); err != nil {
		s.t.Fatal(err)
	}
	return all
}

// Compare says how many wanted samples are missing, how many have another value, and
// how many a server has that nobody wants. A value that differs by less than 1e-12 of
// itself is the same: VictoriaMetrics keeps decimal numbers of about twelve digits.
func Compare(want, got map[Point]uint64) (missing, altered, surplus int) {
	for p, v := range want {
		w, ok := got[p]
		x, y := math.Float64frombits(w), math.Float64frombits(v)
		switch {
		case !ok:
			missing++
		case v != w && !(math.Abs(x-y) <= 1e-12*math.Abs(y)): // NaN is not near anything
			altered++
		}
	}
	for p := range got {
		if _, ok := want[p]; !ok {
			surplus++
		}
	}
	return missing, altered, surplus
}
