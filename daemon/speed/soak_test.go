package speed

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"soakrig/client"
)

// soakFor is the length of each part of the long form.
var soakFor = flag.Duration("speed.soak", time.Minute, "length of each part of BenchmarkSoak")

// ticksPerSecond is what /proc counts processor time in (USER_HZ, 100 on Linux).
const ticksPerSecond = 100

// program is a running soakd and where it can be looked at.
type program struct {
	t       testing.TB
	cmd     *exec.Cmd
	addr    string
	http    string
	journal string
}

// wideRig is the configuration of 8 banks of 8 probes at 10 Hz on a simulated rig.
func wideRig(dir string, speed int) string {
	var s strings.Builder
	fmt.Fprintf(&s, "rig: wide\nlisten: {grpc: \"unix:%s/s\", http: 127.0.0.1:%d}\njournal: {dir: %q}\nsimulated:\n  speed: %d\n  chips:\n", dir, httpPort, filepath.Join(dir, "journal"), speed)
	for bank := range 8 {
		for i := range 8 {
			fmt.Fprintf(&s, "    - {port: SPI%d.%d, model: max31855, place: stage %d}\n", bank, i, 1+i)
		}
	}
	s.WriteString("sources:\n")
	for bank := range 8 {
		fmt.Fprintf(&s, "  - {name: bank%d, driver: max31855, every: 100ms, inputs: [", bank)
		for i := range 8 {
			fmt.Fprintf(&s, "{channel: p%d-%d, port: SPI%d.%d}, ", bank, i, bank, i)
		}
		s.WriteString("]}\n")
	}
	return s.String()
}

const httpPort = 17641

func startProgram(t testing.TB, binary string, speed int) *program {
	t.Helper()
	dir := t.TempDir()
	p := &program{t: t, addr: "unix:" + filepath.Join(dir, "s"), http: fmt.Sprintf("http://127.0.0.1:%d/metrics", httpPort), journal: filepath.Join(dir, "journal")}
	file := filepath.Join(dir, "rig.yaml")
	if err := os.WriteFile(file, []byte(wideRig(dir, speed)), 0o644); err != nil {
		t.Fatal(err)
	}
	p.cmd = exec.Command(binary, "-config", file)
	p.cmd.Stderr = os.Stderr
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.cmd.Process.Kill(); p.cmd.Wait() })
	return p
}

func (p *program) stop() {
	p.cmd.Process.Signal(syscall.SIGTERM)
	if err := p.cmd.Wait(); err != nil {
		p.t.Errorf("soakd ended: %v", err)
	}
}

// look is soakd at an instant.
type look struct {
	at         time.Time
	cpuS       float64
	residentMB float64
	filesMB    float64
	goroutines float64
	pauseS     float64 // longest collector pause so far
	pauses     float64
}

func (p *program) look() look {
	l := look{at: time.Now(), filesMB: float64(size(p.t, p.journal)) / 1e6}
	proc := fmt.Sprintf("/proc/%d/", p.cmd.Process.Pid)
	stat, err := os.ReadFile(proc + "stat")
	if err != nil {
		p.t.Fatal(err)
	}
	f := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+2:]))
	user, _ := strconv.ParseFloat(f[11], 64)
	system, _ := strconv.ParseFloat(f[12], 64)
	l.cpuS = (user + system) / ticksPerSecond
	status, err := os.ReadFile(proc + "status")
	if err != nil {
		p.t.Fatal(err)
	}
	for line := range strings.Lines(string(status)) {
		var kB float64
		if _, err := fmt.Sscanf(line, "VmRSS: %g kB", &kB); err == nil {
			l.residentMB = kB / 1024
		}
	}
	m := p.metrics()
	l.goroutines, l.pauseS, l.pauses = m["go_goroutines"], m[`go_gc_duration_seconds{quantile="1"}`], m["go_gc_duration_seconds_count"]
	return l
}

// metrics reads the page.
func (p *program) metrics() map[string]float64 {
	res, err := http.Get(p.http)
	if err != nil {
		p.t.Fatal(err)
	}
	defer res.Body.Close()
	all := map[string]float64{}
	for s := bufio.NewScanner(res.Body); s.Scan(); {
		if name, value, ok := strings.Cut(s.Text(), " "); ok && name != "#" {
			if v, err := strconv.ParseFloat(value, 64); err == nil {
				all[name] = v
			}
		}
	}
	return all
}

// jitter reads the samples since a sequence and gives how far their stamps lie behind
// the grid of their source; the grid is that of its earliest stamp.
func (p *program) jitter(ctx context.Context, c *client.Client, from, to uint64) []time.Duration {
	const every = int64(100 * time.Millisecond)
	bySource := map[int][]int64{}
	if _, err := c.Read(ctx, client.Range{From: from, To: to}, func(e *client.Event) error {
		if e.Sample != nil {
			bySource[e.Sample.Source] = append(bySource[e.Sample.Source], e.At.BootNS)
		}
		return nil
	}); err != nil {
		p.t.Fatal(err)
	}
	var late []time.Duration
	for _, at := range bySource {
		slices.Sort(at)
		best := at[0] % every
		grid := func(ns int64) int64 { // distance behind best, may be negative
			d := ((ns-best)%every + every) % every
			if d > every/2 {
				d -= every
			}
			return d
		}
		first := int64(0)
		for _, ns := range at {
			first = min(first, grid(ns))
		}
		for i, ns := range at {
			d := grid(ns) - first
			if i > 0 {
				d = max(d, ns-at[i-1]-every) // whole periods that were skipped
			}
			late = append(late, time.Duration(d))
		}
	}
	slices.Sort(late)
	return late
}

// BenchmarkSoak is the long form; it measures and does not judge.
func BenchmarkSoak(t *testing.B) {
	binary, _ := build(t, "soakrig/daemon/soakd", runtime.GOARCH, "6")
	fmt.Printf("\n| soakd, 64 channels, for | core | resident | jitter p50 | p99 | max | late | goroutines | longest pause (of) | files |\n|---|---|---|---|---|---|---|---|---|---|\n")
	measure(t, binary, "10 Hz, real time", 1, *soakFor)
	free := keepBusy()
	measure(t, binary, "10 Hz, all cores busy", 1, *soakFor)
	free()
	growth(t, binary, 60, min(*soakFor, time.Minute))
}

// keepBusy spins on every core until it is told to stop.
func keepBusy() (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	for range runtime.NumCPU() {
		go func() {
			for ctx.Err() == nil {
			}
		}()
	}
	return cancel
}

func measure(t testing.TB, binary, what string, speed int, length time.Duration) {
	p := startProgram(t, binary, speed)
	c := dialProgram(t, p)
	defer c.Close()
	wait(10 * time.Second) // the first scans, collections and commits
	begin, from := p.look(), head(t, c)
	wait(length)
	end, to := p.look(), head(t, c)
	d := p.jitter(t.Context(), c, from, to)
	late := 0.0
	for name, v := range p.metrics() {
		if strings.Contains(name, "late") {
			late += v
		}
	}
	q := func(share float64) time.Duration { return d[int(float64(len(d)-1)*share)].Round(time.Microsecond) }
	fmt.Printf("| %s, %v | %.2f %% | %.1f MiB (%.1f before) | %v | %v | %v | %g | %g (%g) | %.2g ms (%g) | %.2f MB, +%.2f |\n",
		what, end.at.Sub(begin.at).Round(time.Second), 100*(end.cpuS-begin.cpuS)/end.at.Sub(begin.at).Seconds(), end.residentMB, begin.residentMB,
		q(0.5), q(0.99), q(1), late, end.goroutines, begin.goroutines, end.pauseS*1e3, end.pauses-begin.pauses, end.filesMB, end.filesMB-begin.filesMB)
	p.stop()
}

// growth looks six times while rig time runs fast.
func growth(t testing.TB, binary string, speed int, length time.Duration) {
	p := startProgram(t, binary, speed)
	c := dialProgram(t, p)
	defer c.Close()
	fmt.Printf("\n| rig time at %dx | resident | goroutines | core | files |\n|---|---|---|---|---|\n", speed)
	begin := p.look()
	for range 6 {
		wait(length / 6)
		l := p.look()
		fmt.Printf("| %v | %.1f MiB | %g | %.0f %% | %.1f MB |\n", (l.at.Sub(begin.at) * time.Duration(speed)).Round(time.Minute),
			l.residentMB, l.goroutines, 100*(l.cpuS-begin.cpuS)/l.at.Sub(begin.at).Seconds(), l.filesMB)
	}
	p.stop()
}

func dialProgram(t testing.TB, p *program) *client.Client {
	t.Helper()
	for began := time.Now(); ; wait(50 * time.Millisecond) {
		c, err := client.Dial(t.Context(), p.addr, client.Options{})
		if err == nil {
			return c
		}
		if time.Since(began) > 30*time.Second {
			t.Fatal(err)
		}
	}
}

func head(t testing.TB, c *client.Client) uint64 {
	t.Helper()
	h, err := c.Health(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return h.Journal.Head
}

// wait lets real time pass: a process of its own is measured.
func wait(d time.Duration) { <-time.After(d) }
