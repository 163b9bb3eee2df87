package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"soakrig/client/command"
)

type options struct {
	dir   string
	speed float64
	stay  bool
	night bool
}

// run runs the campaign and leaves its results in o.dir.
func run(ctx context.Context, o options, stdout, stderr io.Writer) error {
	begin := time.Now()
	if err := prepare(o.dir); err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%s\nOne hour of load each, at %.0f times real time.\n\n", scenario, o.speed)
	names := []string{"bench-1", "bench-2", "bench-3"}
	p := newProgress(stderr, names)
	benches := map[string]*bench{}
	for i, name := range names {
		b, err := openBench(ctx, o, name, i+1, p)
		if err != nil {
			return err
		}
		defer b.close()
		benches[name] = b
	}
	runs, err := soakAll(ctx, benches)
	if err != nil {
		return err
	}
	fmt.Fprintf(stderr, "%d runs in %.0f s\n\n", len(runs), time.Since(begin).Seconds())
	if err := publish(ctx, o, benches, stdout, stderr); err != nil {
		return err
	}
	fmt.Fprintf(stdout, "\nAll of it took %.0f s.\n", time.Since(begin).Seconds())
	if o.stay {
		stay(ctx, benches, names, stdout)
	}
	return nil
}

// prepare empties the folder, but only one that a demo has made.
func prepare(dir string) error {
	mark := filepath.Join(dir, ".soak-demo")
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		if _, err := os.Stat(mark); err != nil {
			return fmt.Errorf("folder %s is not empty and not of a demo: give another with -dir", dir)
		}
		if err := os.RemoveAll(dir); err != nil {
			return fmt.Errorf("empty the folder: %w", err)
		}
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make the folder: %w", err)
	}
	return os.WriteFile(mark, []byte("made by the demo; it may be replaced\n"), 0o644)
}

// soakAll runs every rig's jobs in order, all rigs at once.
func soakAll(ctx context.Context, benches map[string]*bench) ([]string, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var wg sync.WaitGroup
	var mu sync.Mutex
	var runs []string
	for name, b := range benches {
		wg.Go(func() {
			for _, j := range jobs() {
				if j.bench != name {
					continue
				}
				id, err := b.soak(ctx, j)
				if err != nil {
					cancel(err)
					return
				}
				mu.Lock()
				runs = append(runs, name+"/"+id)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return runs, context.Cause(ctx)
}

// publish does with soak what a lab would: collect, compare, report, export.
func publish(ctx context.Context, o options, benches map[string]*bench, stdout, stderr io.Writer) error {
	var rigs []string
	for _, name := range []string{"bench-1", "bench-2", "bench-3"} {
		rigs = append(rigs, "--rig", name+"="+benches[name].daemon.GRPCAddr())
	}
	archive := filepath.Join(o.dir, "runs")
	for _, step := range []struct {
		args  []string
		quiet bool
	}{
		{append(rigs, "collect", archive), true},
		{[]string{"compare", archive, "--published", "--override=settled", "-f", filepath.Join(o.dir, "compare.svg"), "-f", filepath.Join(o.dir, "compare.png")}, false},
		{[]string{"report", archive, "-f", filepath.Join(o.dir, "report.html")}, true},
		{[]string{"export", archive, "--format", "csv", "-d", filepath.Join(o.dir, "csv")}, true},
	} {
		out := stdout
		if step.quiet {
			out = io.Discard
		}
		fmt.Fprintf(stderr, "$ soak %s\n", strings.Join(step.args, " "))
		if code := command.Run(ctx, step.args, out, stderr); code != 0 && code != 3 && code != 5 {
			return fmt.Errorf("soak %s ended with %d", strings.Join(step.args, " "), code)
		}
	}
	return nil
}

// stay keeps the rigs up until ctx ends.
func stay(ctx context.Context, benches map[string]*bench, names []string, stdout io.Writer) {
	fmt.Fprintln(stdout, "\nThe rigs stay up; end with Ctrl-C. Metrics and gRPC:")
	for _, n := range names {
		d := benches[n].daemon
		fmt.Fprintf(stdout, "  %s  http://%s/metrics  soak --rig %s status\n", n, d.HTTPAddr(), d.GRPCAddr())
	}
	<-ctx.Done()
}
