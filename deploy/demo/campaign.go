package main

import (
	"bytes"
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
	if err := publish(ctx, o, benches, stdout); err != nil {
		return err
	}
	fmt.Fprintf(stdout, "All of it took %.0f s.\n", time.Since(begin).Seconds())
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

// step is one command of the lab, with what a newcomer should know of it.
type step struct {
	say  string
	args []string
	show bool // its output is the point
}

// publish does with soak what a lab would: collect, see what of the campaign is done,
// report it, compare, export. What soak says on the way is shown only if it fails.
func publish(ctx context.Context, o options, benches map[string]*bench, stdout io.Writer) error {
	var rigs []string
	for _, name := range []string{"bench-1", "bench-2", "bench-3"} {
		rigs = append(rigs, "--rig", name+"="+benches[name].daemon.GRPCAddr())
	}
	in := func(name string) string { return filepath.Join(o.dir, name) }
	if err := os.WriteFile(in("campaign.yaml"), []byte(campaignYAML), 0o644); err != nil {
		return fmt.Errorf("write the campaign: %w", err)
	}
	for _, s := range []step{
		{"every finished run of every rig, one self-contained file each", append(rigs, "collect", in("runs")), false},
		{"what of the campaign is done, and its whole report as one page", []string{"campaign", in("campaign.yaml"), in("runs"), "-f", in("report.html")}, true},
		{"all runs side by side: table, charts of the peaks and of the curves", []string{"compare", in("runs"), "--published", "--override=settled",
			"-f", in("peaks.svg"), "-f", in("peaks.png"), "--curves", in("curves.svg")}, true},
		{"the readings for a spreadsheet", []string{"export", in("runs"), "--format", "csv", "-d", in("csv")}, false},
	} {
		fmt.Fprintf(stdout, "# %s\n$ soak %s\n", s.say, strings.Join(s.args, " "))
		out := stdout
		if !s.show {
			out = io.Discard
		}
		var said bytes.Buffer
		code := command.Run(ctx, s.args, out, &said)
		if code != 0 && code != 3 && code != 5 && !(code == 1 && s.args[0] == "campaign") { // 1: something is missing
			return fmt.Errorf("soak %s ended with %d: %s", s.args[0], code, said.String())
		}
		fmt.Fprintln(stdout)
	}
	fmt.Fprintf(stdout, "Open %s in a browser. Beside it: peaks.svg, peaks.png, curves.svg for an article,\nruns/ (Parquet, with checksums), csv/, journals/ (what each rig wrote), campaign.yaml.\n", in("report.html"))
	return nil
}

// stay keeps the rigs up until ctx ends.
func stay(ctx context.Context, benches map[string]*bench, names []string, stdout io.Writer) {
	fmt.Fprintln(stdout, "\nThe rigs stay up; end with Ctrl-C. Metrics and gRPC:")
	for _, n := range names {
		d := benches[n].daemon
		d.Hold().Release()
		fmt.Fprintf(stdout, "  %s  http://%s/metrics  soak --rig %s status\n", n, d.HTTPAddr(), d.GRPCAddr())
	}
	<-ctx.Done()
}
