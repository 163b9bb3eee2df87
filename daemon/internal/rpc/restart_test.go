package rpc

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"soakrig/client"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// realRig is a fixture whose journal is the real one, on disk, and which can be
// stopped and started again on the same port.
type realRig struct {
	*fixture
	dir  string
	file *journal.Journal
}

func newRealRig(t testing.TB) *realRig {
	r := &realRig{fixture: newFixture(t), dir: t.TempDir()}
	r.addr = "127.0.0.1:0"
	r.up()
	t.Cleanup(func() { r.down() })
	return r
}

func (r *realRig) up() {
	r.t.Helper()
	var err error
	if r.file, err = journal.Open(journal.Options{Dir: r.dir, Sync: 10 * time.Millisecond}); err != nil {
		r.t.Fatal(err)
	}
	r.opts.Journal = FromJournal(r.file)
	r.serveOn(r.addr)
	r.put(r.layout)
}

func (r *realRig) down() {
	r.t.Helper()
	if r.srv == nil {
		return
	}
	r.stop()
	if err := r.file.Close(); err != nil {
		r.t.Error(err)
	}
}

func (r *realRig) put(b record.Body) uint64 {
	r.t.Helper()
	r.clock.move(10 * time.Millisecond)
	seq, err := r.file.Append(r.clock.Now(), b)
	if err != nil {
		r.t.Fatal(err)
	}
	return seq
}

func (r *realRig) scan(code int64) uint64 {
	return r.put(&record.Sample{Layout: r.layout.ID, Source: 1, Raw: []record.Raw{{Has: record.HasCode, Code: code}}})
}

// Every sequence once, from memory and from disk, across restarts of the rig.
func TestTailAcrossRestartsOfTheRealJournal(t *testing.T) {
	r := newRealRig(t)
	c, err := client.Dial(t.Context(), r.addr, client.Options{Lazy: true})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	ctx, cancel := context.WithCancel(soon(t))
	got := make(chan uint64, 100000)
	values := make(chan float64, 100000)
	ended := make(chan error, 1)
	go func() {
		_, err := c.Tail(ctx, client.Cursor{Next: 1}, client.TailOptions{}, func(e *client.Event) error {
			switch {
			case e.Gap != nil:
				return fmt.Errorf("gap %+v after a clean stop", *e.Gap)
			case e.Sample != nil:
				values <- e.Sample.Readings[0].Value
			}
			got <- e.Seq
			return nil
		})
		ended <- err
	}()
	var want []int64
	for round := range 6 {
		for i := range 300 {
			want = append(want, int64(1000*round+i))
			r.scan(want[len(want)-1])
		}
		if round%2 == 1 { // caught up before the restart, and not
			eventually(t, 20*time.Second, "the client to catch up", func() bool {
				list := r.srv.Streams()
				return len(list) > 0 && list[0].Lag == 0
			})
		}
		r.down()
		r.up()
	}
	last := uint64(0)
	for _, code := range want {
		select {
		case v := <-values:
			if v != float64(code)/10 && fmt.Sprintf("%.6f", v) != fmt.Sprintf("%.6f", float64(code)/10) {
				t.Fatalf("got %v, want %v", v, float64(code)/10)
			}
		case err := <-ended:
			t.Fatalf("tail ended: %v", err)
		}
	}
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	close(got)
	for seq := range got {
		if seq <= last {
			t.Errorf("%d after %d", seq, last)
		}
		last = seq
	}
}

// Whatever restarts, losses and cuts happen, the client gets every sequence once or
// in one gap, in order.
func TestExactlyOnceProperty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		f := newFixture(t)
		f.addr = "127.0.0.1:0"
		f.serveOn(f.addr)
		hole := newBlackhole(t, f.addr)
		f.journal.append(f.clock.Now(), f.layout)
		c, err := client.Dial(t.Context(), hole.addr(), client.Options{Lazy: true})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		var mu sync.Mutex
		next, problem := uint64(1), ""
		ended := make(chan struct{})
		filter := rapid.SampledFrom([][]string{nil, {"vr1"}, {"wall"}}).Draw(rt, "channels")
		go func() {
			defer close(ended)
			_, err := c.Tail(ctx, client.Cursor{Next: 1}, client.TailOptions{Heartbeat: time.Second, Channels: filter}, func(e *client.Event) error {
				mu.Lock()
				defer mu.Unlock()
				switch {
				case e.Seq < next:
					problem = fmt.Sprintf("%d after %d", e.Seq, next-1)
				case e.Seq > next && filter == nil && !(e.Seq == 2 && next == 1):
					problem = fmt.Sprintf("%d is missing before %d", next, e.Seq)
				}
				next = last(e) + 1
				return nil
			})
			if ctx.Err() == nil {
				mu.Lock()
				problem = fmt.Sprint("tail ended: ", err)
				mu.Unlock()
			}
		}()
		for range rapid.IntRange(3, 12).Draw(rt, "steps") {
			switch rapid.SampledFrom([]string{"samples", "samples", "cut", "restart", "crash", "mark"}).Draw(rt, "step") {
			case "samples":
				for range rapid.IntRange(1, 400).Draw(rt, "n") {
					f.sample(100)
				}
			case "mark":
				f.mark("m")
			case "cut":
				hole.cut()
			case "restart":
				f.stop()
				f.serveOn(f.addr)
			case "crash": // what was not durable is lost, and the numbers jump
				head := f.journal.State().Head
				f.stop()
				from := head + 1 - min(head-1, uint64(rapid.IntRange(0, 50).Draw(rt, "lost")))
				f.journal.jump(from, head+100, "unclean_stop")
				f.serveOn(f.addr)
			}
		}
		end := f.mark("end")
		eventually(t, 30*time.Second, "the last event", func() bool {
			mu.Lock()
			defer mu.Unlock()
			return next > end || problem != "" || ctx.Err() != nil
		})
		mu.Lock()
		if problem != "" || next <= end {
			rt.Fatalf("up to %d of %d: %s", next-1, end, problem)
		}
		mu.Unlock()
		cancel()
		<-ended
		c.Close()
		hole.lis.Close()
		hole.cut()
		f.stop()
	})
}

// Another language: Python tails through a restart, starts a run and reads its result.
// Stubs are generated from the contract as a stranger would.
func TestPython(t *testing.T) {
	const python = "/usr/bin/python3" // Debian's, which python3-grpcio belongs to
	tools := []string{"protoc", "grpc_python_plugin"}
	for _, tool := range tools {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("needs %s: apt-get install protobuf-compiler protobuf-compiler-grpc python3-grpcio python3-protobuf", tool)
		}
	}
	if err := exec.Command(python, "-c", "import grpc").Run(); err != nil {
		t.Skip("needs python3-grpcio")
	}
	proto, err := filepath.Abs("../../../proto")
	if err != nil {
		t.Fatal(err)
	}
	stubs := t.TempDir()
	plugin, err := exec.LookPath("grpc_python_plugin")
	if err != nil {
		t.Fatal(err)
	}
	gen := exec.Command("protoc", "-I", proto, "--python_out="+stubs, "--grpc_python_out="+stubs,
		"--plugin=protoc-gen-grpc_python="+plugin, "soakrig/v1/rig.proto", "soakrig/v1/samples.proto", "soakrig/v1/runs.proto")
	if out, err := gen.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	script, err := filepath.Abs("testdata/follow.py")
	if err != nil {
		t.Fatal(err)
	}
	r := newRealRig(t)
	for i := range 45 {
		r.scan(int64(i))
	}
	for range 5 {
		r.put(&record.Sample{Layout: r.layout.ID, Raw: []record.Raw{
			{Has: record.HasCode | record.HasCold, Code: 1000, Cold: 1600}, {Faults: record.Open},
		}})
	}
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, python, script, r.addr)
	cmd.Env = append(os.Environ(), "PYTHONPATH="+stubs, "PYTHONDONTWRITEBYTECODE=1")
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	next := uint64(1)
	restarts := 0
	var rest []string
	for lines.Scan() {
		word, arg, _ := strings.Cut(lines.Text(), " ")
		switch word {
		case "seq":
			seq, err := strconv.ParseUint(arg, 10, 64)
			if err != nil || seq != next {
				t.Fatalf("got %q, want %d; %s", lines.Text(), next, stderr.String())
			}
			next++
			if seq%100 == 50 && restarts < 3 {
				restarts++
				r.down()
				r.up()
				for i := range 99 {
					r.scan(int64(i))
				}
			} else if restarts == 3 && seq == r.file.State().Head {
				r.put(&record.Mark{Text: "enough"})
			}
		default:
			rest = append(rest, lines.Text())
		}
	}
	in.Close()
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v: %s", err, stderr.String())
	}
	want := "reconnected\n5 open probes beside values: True\nstarted 2026-05-04-1\nrefused RUN_OPEN\nstopped 2026-05-04-1\nverdict void"
	if got := strings.Join(rest, "\n"); got != want {
		t.Errorf("got:\n%s\nwant:\n%s\n%s", got, want, stderr.String())
	}
}
