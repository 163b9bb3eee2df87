package remotewrite

import (
	"bufio"
	"context"
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
	"sync"
	"syscall"
	"testing"
	"time"

	"soakrig/daemon/record"
)

// server is a real receiver on loopback that a test may kill.
type server struct {
	t    *testing.T
	args []string
	base string
	up   string // path that answers 200 once it is ready
	cmd  *exec.Cmd
}

// install finds a server, or skips; where CI is set it must be there.
func install(t *testing.T, name, hint string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is missing: %s", name, hint)
		}
		t.Skipf("%s is missing (%s): nothing was compared with it", name, hint)
	}
	return path
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func startPrometheus(t *testing.T, window string) *server {
	path := install(t, "prometheus", "apt-get install prometheus")
	dir := t.TempDir()
	addr := freePort(t)
	// It scrapes itself, so that it has newer samples than any backlog.
	config := "global: {scrape_interval: 1s}\nscrape_configs: [{job_name: self, static_configs: [{targets: [" + addr + "]}]}]\n"
	if window != "" {
		config += "storage: {tsdb: {out_of_order_time_window: " + window + "}}\n"
	}
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	s := &server{t: t, base: "http://" + addr, up: "/-/ready", args: []string{
		path, "--config.file=" + file, "--storage.tsdb.path=" + filepath.Join(dir, "data"),
		"--web.listen-address=" + addr, "--web.enable-remote-write-receiver", "--log.level=error",
	}}
	s.start()
	for end := time.Now().Add(30 * time.Second); s.count("up") == 0; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it does not scrape itself")
		}
	}
	return s
}

// count is how many series a query gives.
func (s *server) count(query string) int {
	body := s.get("/api/v1/query", url.Values{"query": {query}})
	defer body.Close()
	var got struct{ Data struct{ Result []any } }
	if err := json.NewDecoder(body).Decode(&got); err != nil {
		s.t.Fatal(err)
	}
	return len(got.Data.Result)
}

func startVictoria(t *testing.T) *server {
	path := install(t, "victoria-metrics", "apt-get install victoria-metrics")
	addr := freePort(t)
	s := &server{t: t, base: "http://" + addr, up: "/health", args: []string{
		path, "-storageDataPath=" + t.TempDir(), "-httpListenAddr=" + addr, "-retentionPeriod=12", "-dedup.minScrapeInterval=1ms", "-loggerLevel=ERROR",
		"-memory.allowedBytes=67108864",
	}}
	s.start()
	return s
}

// start starts the server and waits until it is ready.
func (s *server) start() {
	s.t.Helper()
	s.cmd = exec.Command(s.args[0], s.args[1:]...)
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(s.kill)
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if resp, err := http.Get(s.base + s.up); err == nil {
			resp.Body.Close()
			if resp.StatusCode == 200 {
				return
			}
		}
	}
	s.t.Fatalf("%s is not ready after a minute", s.args[0])
}

// kill ends it as a power cut would, but for its disk.
func (s *server) kill() {
	if s.cmd.ProcessState == nil {
		_ = s.cmd.Process.Kill()
		_ = s.cmd.Wait() // it was killed: its status says nothing
	}
}

// terminate asks it to stop, and waits.
func (s *server) terminate() {
	_ = s.cmd.Process.Signal(syscall.SIGTERM)
	_ = s.cmd.Wait() // what it says of a signal is nobody's concern
}

func (s *server) get(path string, query url.Values) io.ReadCloser {
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

// series is a series as the sender's receiver in tests words it.
func seriesOf(t *testing.T, labels map[string]string) string {
	name := labels["__name__"]
	return fmt.Sprintf("%s{channel=%q,job=%q,rig=%q,role=%q}", name, labels["channel"], labels["job"], labels["rig"], labels["role"])
}

// stored is every sample that a Prometheus has of ours.
func (s *server) stored() map[point]uint64 {
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
	all := map[point]uint64{}
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
			all[point{seriesOf(s.t, r.Metric), int64(math.Round(at * 1000))}] = math.Float64bits(value)
		}
	}
	return all
}

// exported is every sample that a VictoriaMetrics has of ours.
func (s *server) exported() map[point]uint64 {
	s.t.Helper()
	s.get("/internal/force_flush", nil).Close()
	body := s.get("/api/v1/export", url.Values{"match[]": {`{__name__=~"soakrig_sample_.+"}`}})
	defer body.Close()
	all := map[point]uint64{}
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
				all[point{seriesOf(s.t, one.Metric), one.Timestamps[i]}] = math.Float64bits(*v)
			}
		}
	}
	if err := lines.Err(); err != nil {
		s.t.Fatal(err)
	}
	return all
}

// worldClock is the world's time, two hours after a boot.
type worldClock struct{ start time.Time }

func (c worldClock) Now() record.Stamp {
	now := time.Now()
	return record.Stamp{Boot: record.BootID{9}, BootNS: int64(2*time.Hour + now.Sub(c.start)), WallNS: now.UnixNano(), Synced: true}
}
func (c worldClock) SleepUntil(ctx context.Context, _ int64) error { <-ctx.Done(); return ctx.Err() }
func (c worldClock) Tick(ctx context.Context, _ int64) (func(), error) {
	<-ctx.Done()
	return nil, ctx.Err()
}
func (c worldClock) Speed() float64 { return 1 }

// realBench is a bench on the world's time whose journal already holds the past.
func realBench(t *testing.T, past, every time.Duration) *bench {
	b := &bench{t: t, dir: t.TempDir(), clock: worldClock{time.Now()}, layout: benchLayout(), sync: time.Second, ring: 64 << 10}
	b.open()
	b.add(b.layout)
	now := b.clock.Now()
	for i := range int64(past / every) {
		at, ago := now, int64(past)-i*int64(every)
		at.BootNS, at.WallNS = now.BootNS-ago, now.WallNS-ago
		if b.scanAt(at); i%200 == 199 { // the small memory must not overflow before the disk has it
			b.journal.Commit()
			if err := b.journal.WaitDurable(t.Context(), b.journal.State().Head); err != nil {
				t.Fatal(err)
			}
		}
	}
	return b
}

// saboteur passes requests on to a real server and does something at chosen ones.
type saboteur struct {
	mu    sync.Mutex
	n     int
	at    map[int]func() error // before the request with this number; an error stands in its place
	after map[int]error        // the request is made, but its answer is lost
}

func (s *saboteur) RoundTrip(req *http.Request) (*http.Response, error) {
	s.mu.Lock()
	s.n++
	before, lost := s.at[s.n], s.after[s.n]
	s.mu.Unlock()
	if before != nil {
		if err := before(); err != nil {
			return nil, err
		}
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err == nil && lost != nil {
		resp.Body.Close()
		return nil, lost
	}
	return resp, err
}

// finish waits, in the world's time, until everything is sent.
func (b *bench) finish(within time.Duration) {
	b.t.Helper()
	for end := time.Now().Add(within); ; time.Sleep(50 * time.Millisecond) {
		b.scan()
		if st := b.s.Stats(); st.Backlog == 0 && st.Behind < 400 {
			break
		}
		if time.Now().After(end) {
			b.t.Errorf("not everything was sent within %v: %+v", within, b.s.Stats())
			return
		}
	}
	b.settled(20 * time.Second)
}

// check compares what a server has with the journal, sample by sample.
func (b *bench) check(fault string, stored func() map[point]uint64, allowMissing int) {
	b.t.Helper()
	want, st := b.expected(), b.s.Stats()
	got := stored()
	b.nearly(want, got)
	missing, altered, surplus := compare(want, got)
	for end := time.Now().Add(20 * time.Second); missing > allowMissing && time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		got = stored() // a server may show a sample seconds after it has acknowledged it
		b.nearly(want, got)
		missing, altered, surplus = compare(want, got)
	}
	b.t.Logf("%-48s journal %6d  sent %6d  stored %6d  missing %5d  altered %d  given up %v", fault, len(want), st.Sent, len(got), missing, altered, given(st))
	if missing != allowMissing || altered+surplus > 0 || len(want) < 1000 {
		b.t.Errorf("%s: %d missing (want %d), %d altered, %d from nowhere", fault, missing, allowMissing, altered, surplus)
	}
}

// nearly takes a value that differs by less than 1e-14 of itself for the same:
// VictoriaMetrics keeps decimal numbers.
func (b *bench) nearly(want, got map[point]uint64) {
	for p, v := range got {
		w, ok := want[p]
		if x, y := math.Float64frombits(v), math.Float64frombits(w); ok && math.Abs(x-y) <= 1e-14*math.Abs(y) {
			got[p] = w
		}
	}
}

func (b *bench) sendTo(s *server, via http.RoundTripper, change func(*Options)) {
	b.t.Helper()
	b.send(via, func(o *Options) {
		o.URL, o.Window, o.Batch, o.Flush = s.base+"/api/v1/write", 3*time.Hour, 500, 500*time.Millisecond
		if change != nil {
			change(o)
		}
	})
}

// An hour of backlog and live readings, while the server is killed, answers are lost,
// and the sender is stopped: every sample of the journal is in the server, unaltered.
func TestRealServersLoseNothing(t *testing.T) {
	for name, c := range map[string]struct {
		start  func(*testing.T) *server
		stored func(*server) map[point]uint64
	}{
		"prometheus":       {func(t *testing.T) *server { return startPrometheus(t, "4h") }, (*server).stored},
		"victoria-metrics": {startVictoria, (*server).exported},
	} {
		t.Run(name, func(t *testing.T) {
			s := c.start(t)
			b := realBench(t, time.Hour, time.Second)
			via := &saboteur{after: map[int]error{4: errConnection, 9: errConnection}}
			restarted := make(chan struct{})
			kill := func() error {
				if name == "victoria-metrics" { // killed, it forgets seconds that it has acknowledged: it is asked to stop
					s.terminate()
				}
				s.kill()
				go func() { defer close(restarted); s.start() }()
				return errConnection
			}
			via.at = map[int]func() error{12: kill}
			b.sendTo(s, via, nil)
			for end := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
				b.scan()
				select {
				case <-restarted:
				default:
					if time.Now().Before(end) {
						continue
					}
					t.Error("the server was never killed")
				}
				break
			}
			b.stop() // and the sender
			for range 20 {
				b.scan()
			}
			b.sendTo(s, via, nil)
			b.finish(90 * time.Second)
			b.check(name+": killed, answers lost, sender stopped", func() map[point]uint64 { return c.stored(s) }, 0)
			b.wantNothingGivenUp()
			b.close()
		})
	}
}

// Prometheus 2.42 answers "500" for a sample older than its window; what it refuses is
// given up one by one, and everything newer is there.
func TestRealPrometheusTooOld(t *testing.T) {
	s := startPrometheus(t, "20m")
	b := realBench(t, 150*time.Minute, 10*time.Second)
	b.sendTo(s, http.DefaultTransport, nil)
	b.finish(120 * time.Second)
	lost := 0
	for _, n := range b.s.Stats().Dropped {
		lost += int(n)
	}
	b.check("prometheus: window set wider than the server's", s.stored, lost)
	if lost < 4*80*6 || lost > 4*132*6 || int(b.s.Stats().Dropped["refused_too_old"]) != lost {
		t.Errorf("given up: %v, want 90 minutes (it takes the newest hour of series that are new to it) to 130 (all beyond the window), all too old", given(b.s.Stats()))
	}
	b.close()
}

// A Prometheus without a window gets everything in order.
func TestRealPrometheusInOrder(t *testing.T) {
	s := startPrometheus(t, "")
	b := realBench(t, 20*time.Minute, time.Second)
	via := &saboteur{after: map[int]error{2: errConnection, 5: errConnection}, at: map[int]func() error{4: func() error { return errConnection }}}
	b.sendTo(s, via, func(o *Options) { o.Window = 0 })
	b.finish(90 * time.Second)
	b.check("prometheus without a window, answers lost", s.stored, 0)
	lost := given(b.s.Stats()) // it does not say "I have it already", but nothing is missing
	delete(lost, refusedRepeat.String())
	if len(lost) > 0 {
		t.Errorf("given up: %v", lost)
	}
	b.close()
}

// Old servers take protocol 2 and store nothing; the sender notices.
func TestRealServersThatKnowProtocol1Only(t *testing.T) {
	for name, c := range map[string]struct {
		start  func(*testing.T) *server
		stored func(*server) map[point]uint64
	}{
		"prometheus":       {func(t *testing.T) *server { return startPrometheus(t, "4h") }, (*server).stored},
		"victoria-metrics": {startVictoria, (*server).exported},
	} {
		t.Run(name, func(t *testing.T) {
			s := c.start(t)
			b := realBench(t, 10*time.Minute, time.Second)
			b.sendTo(s, http.DefaultTransport, func(o *Options) { o.Version = 2 })
			b.finish(60 * time.Second)
			b.check(name+": asked for protocol 2", func() map[point]uint64 { return c.stored(s) }, 0)
			b.wantNothingGivenUp()
			b.close()
		})
	}
}
