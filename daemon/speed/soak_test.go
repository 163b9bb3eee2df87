package speed

import (
	"bufio"
	"bytes"
	"context"
	"flag"
	"fmt"
	"net"
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
func wideRig(dir string, speed, httpPort int) string {
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

func startProgram(t testing.TB, binary string, speed int) *program {
	t.Helper()
	dir := t.TempDir()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	httpPort := free.Addr().(*net.TCPAddr).Port
	free.Close()
	p := &program{t: t, addr: "unix:" + filepath.Join(dir, "s"), http: fmt.Sprintf("http://127.0.0.1:%d/metrics", httpPort), journal: filepath.Join(dir, "journal")}
	file := filepath.Join(dir, "rig.yaml")
	if err := os.WriteFile(file, []byte(wideRig(dir, speed, httpPort)), 0o644); err != nil {
		t.Fatal(err)
	}
	p.cmd = exec.Command(binary, "-config", file)
	var log bytes.Buffer
	p.cmd.Stderr = &log
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.cmd.Process.Kill()
		p.cmd.Wait()
		if t.Failed() {
			t.Logf("soakd: %s", &log)
		}
	})
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

// arrivals follows the rig for a while and gives how much later than at best samples
// arrive behind their stamps: what acquisition, journal, stream and client add, and the
// scheduler. The stamps themselves lie on the grid, since a simulated rig's clock
// stands still while a sample is read.
func (p *program) arrivals(c *client.Client, length time.Duration) (late []time.Duration) {
	ctx, cancel := context.WithTimeout(context.Background(), length)
	defer cancel()
	_, err := c.Tail(ctx, client.Cursor{}, client.TailOptions{}, func(e *client.Event) error {
		if e.Sample != nil {
			late = append(late, time.Duration(time.Now().UnixNano()-e.At.WallNS))
		}
		return nil
	})
	if ctx.Err() == nil {
		p.t.Fatal(err)
	}
	slices.Sort(late)
	best := late[0]
	for i := range late {
		late[i] -= best
	}
	return late
}

// BenchmarkSoak is the long form; it measures and does not judge.
func BenchmarkSoak(b *testing.B) {
	binary, _ := build(b, "soakrig/daemon/soakd", runtime.GOARCH, "6")
	b.Run("real", func(b *testing.B) { measure(b, binary, "10 Hz, real time", *soakFor) })
	b.Run("busy", func(b *testing.B) {
		free := keepBusy()
		defer free()
		measure(b, binary, "10 Hz, all cores busy", *soakFor)
	})
	b.Run("fast", func(b *testing.B) { growth(b, binary, 60, time.Minute) })
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

func measure(t testing.TB, binary, what string, length time.Duration) {
	p := startProgram(t, binary, 1)
	c := dialProgram(t, p)
	defer c.Close()
	wait(10 * time.Second) // the first scans, collections and commits
	begin := p.look()
	d := p.arrivals(c, length)
	end, late := p.look(), 0.0
	for name, v := range p.metrics() {
		if strings.Contains(name, "late") {
			late += v
		}
	}
	q := func(share float64) time.Duration { return d[int(float64(len(d)-1)*share)].Round(time.Microsecond) }
	fmt.Printf("\n| soakd, 64 channels, one subscriber | core | resident | arrival p50 | p99 | max | skipped | goroutines | longest pause (of) | files |\n|---|---|---|---|---|---|---|---|---|---|\n| %s, %v | %.2f %% | %.1f MiB (%.1f before) | %v | %v | %v | %g | %g (%g) | %.2g ms (%g) | %.2f MB, +%.2f |\n",
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

// wait lets real time pass: a process of its own is measured.
func wait(d time.Duration) { <-time.After(d) }
