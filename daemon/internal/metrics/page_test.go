package metrics

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"pgregory.net/rapid"

	"soakrig/daemon/record"
)

var update = flag.Bool("update", false, "write the golden files anew")

func ptr[T any](v T) *T { return &v }

// loaded is a rig in the middle of a run, with one probe open and one stale.
func loaded(t testing.TB) *rig {
	r := newRig(t, nil)
	r.read(room, 2300)
	r.put(&record.RunEvent{Run: "20260202-01", Event: "started", Start: &record.RunStart{
		Run: "20260202-01", Unit: "carrier-07", Setup: record.Setup{Name: "boosted"},
		Plan: record.Plan{Limits: first(benchLimits()), AmbientBandC: &record.Band{Low: 20, High: 26}},
	}})
	for i := range 20 {
		r.clock.pass(200 * time.Millisecond)
		r.read(back, 10400+10*int64(i), 9000, 8000)
		if i%5 == 4 {
			r.read(wall, 4000, 1_000_000+400*int64(i/5))
		}
	}
	r.read(room, 2310)
	r.clock.pass(200 * time.Millisecond)
	r.put(&record.Sample{Layout: 7, Source: back, Raw: []record.Raw{
		{Has: record.HasCode, Code: 10600}, {Faults: record.Open | record.Corrupt}, {Has: record.HasCode, Code: 8010},
	}})
	r.put(&record.RunResult{Run: "20260201-02", Result: record.Result{Verdict: record.VerdictFail, Limited: true, Peak: &record.Peak{HeldC: 98.5}}})
	r.put(&record.ClockStep{StepNS: 5e9})
	r.m.mu.Lock()
	defer r.m.mu.Unlock()
	r.m.status = status{
		at: time.Now(), hasLive: true, open: true, hasReload: true, reloadOK: true, reloadAt: time.Unix(1_770_000_000, 0),
		hasServing: true, serving: true, hasSubscribers: true, subscribers: []Subscriber{{Lag: 3}, {Lag: 250}},
		sources: []SourceHealth{
			{Source: "back", Driver: "thermo", EveryNS: 200e6, Up: true, Last: r.clock.Now(), HasLast: true, Reads: 21, Failures: 0, Late: 2},
			{Source: "ghost", Driver: "meter", EveryNS: 1e9},
		},
		journal: journalStatus{id: "j", oldest: 1, head: 60, through: 55, durable: true, bytes: 40960, free: 1 << 30, total: 1 << 34, flushes: 4, failures: 1, gaps: 2, p50: 2 * time.Millisecond, p99: 9 * time.Millisecond, unread: 1},
		live: record.Live{
			Run: "20260202-01", Unit: "carrier-07", Setup: "boosted", Phase: record.PhaseLoad, ElapsedS: 4.2, PhaseS: 4, RemainingS: ptr(3600.0),
			PeakC: ptr(105.5), RiseK: ptr(82.9), AmbientC: ptr(23.1), PowerW: ptr(400.0), EnergyJ: ptr(1200.0), SlopeKPerH: ptr(40.0),
			ProbesGood: 2, ProbesTotal: 3, VerdictSoFar: record.VerdictMarginal,
			Warnings: []record.Finding{{Code: "probe_lost", Severity: "warning", Channel: "vr2"}},
		},
	}
	return r
}

func first[A, B any](a A, _ B) A { return a }

func TestGoldenPage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := loaded(t)
		got := strings.ReplaceAll(r.text(), runtime.Version(), "go1.test")
		const file = "testdata/page.txt"
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("the page differs from %s; run the test with -update and look at the difference\n%s", file, got)
		}
	})
}

func TestPageLint(t *testing.T) {
	r := loaded(t)
	problems, err := testutil.GatherAndLint(r.own())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// promtool finds the tool, or skips; where CI is set it must be there.
func promtool(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("promtool is missing: apt-get install prometheus")
		}
		t.Skip("promtool is missing (apt-get install prometheus): the page is not checked with it")
	}
	return path
}

func TestPagePromtool(t *testing.T) {
	tool := promtool(t)
	_, body := get(t, loaded(t).m.Handler(), "/metrics", "text/plain")
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(body)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

func TestFormats(t *testing.T) {
	r := loaded(t)
	code, body := get(t, r.m.Handler(), "/metrics", "application/openmetrics-text; version=1.0.0")
	if code != 200 || !strings.HasSuffix(body, "# EOF\n") || !strings.Contains(body, "# UNIT soakrig_temperature_celsius celsius\n") ||
		!strings.Contains(body, "# TYPE soakrig_energy_joules counter\n") {
		t.Errorf("OpenMetrics page (%d) is not one:\n%.2000s", code, body)
	}
	// No time stamps: a series that left the page must be stale at the next scrape.
	_, body = get(t, r.m.Handler(), "/metrics", "text/plain")
	for line := range strings.Lines(body) {
		if strings.HasPrefix(line, "soakrig_") {
			labels := strings.LastIndex(line, "}")
			if n := len(strings.Fields(line[labels+1:])); labels >= 0 && n != 1 || labels < 0 && n != 2 {
				t.Errorf("more than a value: %s", line)
			}
		}
	}
	for _, name := range []string{"go_goroutines", "process_start_time_seconds", "promhttp_metric_handler_errors_total"} {
		if !strings.Contains(body, name) {
			t.Errorf("the page has no %s", name)
		}
	}
}

// A channel without a good reading has no value from the very next scrape, and says why.
func TestFaultTakesThePlaceOfTheValue(t *testing.T) {
	r := newRig(t, nil)
	r.absent(probeTemp("vr1"))
	r.want(`soakrig_channel_fault{channel="vr1",fault="stale",role="probe"}`, 1)
	r.read(back, 5000, 0, -300)
	r.want(probeTemp("vr1"), 50)
	r.want(probeTemp("vr2"), 0.2) // zero is a value, and the calibration is applied
	r.want(probeTemp("vr3"), -3)
	r.want(`soakrig_channel_up{channel="vr1",role="probe"}`, 1)
	r.absent(`soakrig_channel_fault{channel="vr1",fault="stale",role="probe"}`)

	r.clock.pass(200 * time.Millisecond)
	r.put(&record.Sample{Layout: 7, Source: back, Raw: []record.Raw{
		{Faults: record.ShortToGround, Has: record.HasCode, Code: 0}, // the code of a shorted input is evidence only
		{Faults: record.Open},
		{Has: record.HasCode, Code: 400},
	}})
	r.absent(probeTemp("vr1"))
	r.absent(`soakrig_temperature_uncertainty_celsius{channel="vr1",role="probe"}`)
	r.want(`soakrig_channel_fault{channel="vr1",fault="short_to_ground",role="probe"}`, 1)
	r.want(`soakrig_channel_fault{channel="vr2",fault="open",role="probe"}`, 1)
	r.want(`soakrig_channel_up{channel="vr1",role="probe"}`, 0)
	r.want(`soakrig_channel_failures_total{channel="vr1",role="probe"}`, 1)
	r.want(`soakrig_channel_faults_total{channel="vr2",fault="open",role="probe"}`, 1)
	r.want(`soakrig_temperature_max_32s_celsius{channel="vr1",role="probe"}`, 50) // what was measured before stays a peak
	r.want(probeTemp("vr3"), 4)

	r.clock.pass(33 * time.Second)
	r.absent(`soakrig_temperature_max_32s_celsius{channel="vr1",role="probe"}`)
	r.want(`soakrig_temperature_max_60s_celsius{channel="vr1",role="probe"}`, 50)
	r.want(`soakrig_channel_fault{channel="vr1",fault="stale",role="probe"}`, 1)
	r.want(`soakrig_channel_fault{channel="vr1",fault="short_to_ground",role="probe"}`, 1)
}

func TestStale(t *testing.T) {
	r := newRig(t, nil)
	r.read(back, 5000, 5000, 5000)
	r.read(room, 2300)
	roomTemp := `soakrig_temperature_celsius{channel="room",role="ambient"}`
	r.clock.pass(600 * time.Millisecond) // three periods of the probes
	r.want(probeTemp("vr1"), 50)
	r.clock.pass(time.Millisecond)
	r.absent(probeTemp("vr1"))
	r.want(`soakrig_channel_fault{channel="vr1",fault="stale",role="probe"}`, 1)
	r.want(roomTemp, 23)
	r.clock.pass(5400 * time.Millisecond)
	r.absent(roomTemp)
	// The age of the conversion counts, not that of its delivery.
	r.put(&record.Sample{Layout: 7, Source: room, Raw: []record.Raw{{Has: record.HasCode, Code: 2300, AgeUS: 6_100_000}}})
	r.absent(roomTemp)
	// What another boot measured is stale, however young it looks.
	r.read(room, 2300)
	r.want(roomTemp, 23)
	r.clock.stamp.Boot[0]++
	r.absent(roomTemp)
}

// A removed channel leaves the page with the layout that has it no more.
func TestReloadMovesThePage(t *testing.T) {
	r := newRig(t, nil)
	r.read(back, 5000, 6000, 7000)
	for i := range 50 {
		l := benchLayout()
		l.ID = uint32(100 + i)
		if i%2 == 0 {
			l.Sources[back].Channels = []int{0, 1}
			l.Sources[room].Channels, l.Sources[wall].Channels = []int{2}, []int{3, 4}
			l.Channels = append(l.Channels[:2], l.Channels[3:]...)
		}
		r.put(l)
		if code, body := get(t, r.m.Handler(), "/metrics", ""); code != 200 || strings.Contains(body, `channel="vr3"`) != (i%2 == 1) {
			t.Fatalf("reload %d: code %d, vr3 there: %v", i, code, strings.Contains(body, `channel="vr3"`))
		}
	}
	if n := len(r.m.state.tables); n > tablesKept {
		t.Errorf("%d compiled layouts are kept, want at most %d", n, tablesKept)
	}
	r.want(probeTemp("vr1"), 50) // the channel that stayed kept its reading
}

// The page does not grow with the runs that were.
func TestPageSizeDoesNotDependOnRuns(t *testing.T) {
	r := newRig(t, nil)
	r.read(back, 5000, 6000, 7000)
	run := func(i int) {
		id := fmt.Sprintf("20260202-%03d", i)
		start := &record.RunStart{Run: id, Unit: fmt.Sprint("unit ", i), Plan: record.Plan{Limits: first(benchLimits())}}
		r.put(&record.RunEvent{Run: id, Event: "started", Start: start})
		r.put(&record.RunEvent{Run: id, Event: "ended"})
		r.put(&record.RunResult{Run: id, Result: record.Result{Verdict: record.VerdictPass}})
	}
	run(0)
	count := strings.Count(r.text(), "\n")
	for i := range 1000 {
		run(i + 1)
	}
	if got := strings.Count(r.text(), "\n"); got != count {
		t.Errorf("%d lines after 1001 runs, %d after one", got, count)
	}
	r.want(`soakrig_runs_total{verdict="pass"}`, 1001)
}

// Scraping changes nothing: two readers of one instant get one page.
func TestScrapingChangesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := loaded(t)
		one := r.text()
		for range 10 {
			if r.text() != one {
				t.Fatal("a scrape changed the page")
			}
		}
	})
}

// Two hundred one-second peaks, two scrapers every 15 s at an offset of 6 s: both
// see all of them.
func TestEveryPeakIsSeenByBothScrapers(t *testing.T) {
	r := newRig(t, nil)
	series := `soakrig_temperature_max_32s_celsius{channel="vr1",role="probe"}`
	var seen [2]map[float64]bool
	seen[0], seen[1] = map[float64]bool{}, map[float64]bool{}
	const spacing = 33 // s between peaks
	for s := range 200 * spacing {
		code := int64(5000)
		if s%spacing == 7 {
			code = 6000 + int64(s/spacing) // each peak has a height of its own
		}
		for range 5 {
			r.clock.pass(200 * time.Millisecond)
			r.read(back, code, 0, 0)
		}
		for i, offset := range []int{0, 6} {
			if s%15 == offset {
				v, ok := r.value(series)
				if !ok {
					t.Fatalf("no maximum at %d s", s)
				}
				seen[i][v] = true
			}
		}
	}
	for i := range seen {
		delete(seen[i], 50)
		if len(seen[i]) != 200 {
			t.Errorf("scraper %d saw %d of 200 peaks", i, len(seen[i]))
		}
	}
}

// Whatever is configured and read, the page is consistent and its fault words closed.
func TestAnyRigGivesAConsistentPage(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t, nil)
		pedantic := prometheus.NewPedanticRegistry()
		if err := pedantic.Register(r.m); err != nil {
			rt.Fatal(err)
		}
		for step := range rapid.IntRange(1, 5).Draw(rt, "layouts") {
			l := anyLayout(rt, uint32(1000+step))
			r.put(l)
			for range rapid.IntRange(0, 5).Draw(rt, "samples") {
				r.clock.pass(time.Duration(rapid.Int64Range(0, 3e9).Draw(rt, "pass")))
				r.put(anySample(rt, l))
			}
			if _, err := pedantic.Gather(); err != nil {
				rt.Fatal(err)
			}
		}
		words := strings.Join(record.FaultWords(), " ")
		for line := range strings.Lines(r.text()) {
			if _, rest, ok := strings.Cut(line, `fault="`); ok {
				if word, _, _ := strings.Cut(rest, `"`); !strings.Contains(words, word) {
					rt.Fatalf("a fault that is none: %s", line)
				}
			}
		}
	})
}

func anyLayout(rt *rapid.T, id uint32) *record.Layout {
	l := &record.Layout{ID: id, Rig: "any"}
	n := rapid.IntRange(0, 12).Draw(rt, "channels")
	src := record.Source{Name: "s", Driver: "d", EveryNS: 1e8}
	for i := range n {
		l.Channels = append(l.Channels, record.Channel{
			Name: fmt.Sprint(i, rapid.String().Draw(rt, "name")), Place: rapid.String().Draw(rt, "place"),
			Kind: rapid.SampledFrom(append(record.Kinds(), "", "strange")).Draw(rt, "kind"),
			Role: rapid.SampledFrom(record.Roles()).Draw(rt, "role"), Converter: linear("M", 0.01),
		})
		src.Channels = append(src.Channels, i)
	}
	l.Sources = []record.Source{src}
	return l
}

func anySample(rt *rapid.T, l *record.Layout) *record.Sample {
	s := &record.Sample{Layout: l.ID}
	for range l.Channels {
		s.Raw = append(s.Raw, record.Raw{
			Faults: record.Faults(rapid.Uint32().Draw(rt, "faults")) * record.Faults(rapid.IntRange(0, 1).Draw(rt, "faulty")),
			Has:    record.Fields(rapid.IntRange(0, 7).Draw(rt, "has")), Code: rapid.Int64().Draw(rt, "code"),
		})
	}
	return s
}

// collectorFunc is a collector made of a func.
type collectorFunc struct {
	desc    *prometheus.Desc
	collect func(chan<- prometheus.Metric)
}

func (c collectorFunc) Describe(ch chan<- *prometheus.Desc) { ch <- c.desc }
func (c collectorFunc) Collect(ch chan<- prometheus.Metric) { c.collect(ch) }

// A collector that fails costs its own series, never the page.
func TestBadCollectorsDoNotBlankThePage(t *testing.T) {
	desc := prometheus.NewDesc("soakrig_elsewhere", "A metric of somebody else.", nil, nil)
	good := prometheus.MustNewConstMetric(desc, prometheus.GaugeValue, 1)
	for name, collect := range map[string]func(chan<- prometheus.Metric){
		"panic":     func(chan<- prometheus.Metric) { panic("nobody expected this") },
		"duplicate": func(ch chan<- prometheus.Metric) { ch <- good; ch <- good },
		"invalid":   func(ch chan<- prometheus.Metric) { ch <- prometheus.NewInvalidMetric(desc, errors.New("broken")) },
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, func(o *Options) { o.Collectors = []prometheus.Collector{collectorFunc{desc, collect}} })
			r.read(back, 5000, 0, 0)
			code, body := get(t, r.m.Handler(), "/metrics", "")
			if code != 200 || !strings.Contains(body, probeTemp("vr1")+" 50\n") {
				t.Errorf("code %d, page:\n%.500s", code, body)
			}
			_, body = get(t, r.m.Handler(), "/metrics", "")
			if !strings.Contains(body, `promhttp_metric_handler_errors_total{cause="gathering"} `) || strings.Contains(body, `cause="gathering"} 0`) {
				t.Error("the failure is not counted")
			}
		})
	}
}

// Scrapes that pile up are refused, not queued.
func TestPiledUpScrapesAreRefused(t *testing.T) {
	gate, entered := make(chan struct{}), make(chan struct{}, 1)
	desc := prometheus.NewDesc("soakrig_slow", "A metric that takes its time.", nil, nil)
	slow := collectorFunc{desc, func(chan<- prometheus.Metric) {
		select {
		case entered <- struct{}{}:
		default:
		}
		<-gate
	}}
	r := newRig(t, func(o *Options) { o.Collectors = []prometheus.Collector{slow} })
	codes := make(chan int, 50)
	var all sync.WaitGroup
	for range 50 {
		all.Go(func() {
			code, _ := get(t, r.m.Handler(), "/metrics", "")
			codes <- code
		})
	}
	<-entered
	for range 50 - scrapesAtOnce { // those beyond the limit come back while the gate is shut
		if code := <-codes; code != 503 {
			t.Errorf("a scrape beyond the limit got %d, want 503", code)
		}
	}
	close(gate)
	all.Wait()
	for range scrapesAtOnce {
		if code := <-codes; code != 200 {
			t.Errorf("a scrape within the limit got %d, want 200", code)
		}
	}
}
