package main

import (
	"context"
	_ "embed"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"soakrig/client"
	"soakrig/client/command"
	"soakrig/daemon/record"
)

// nightYAML is the rig of the night, with what happens in it.
//
//go:embed night.yaml
var nightYAML string

// runNight soaks one unit through a night and shows what is read in the morning.
func runNight(ctx context.Context, o options, stdout, stderr io.Writer) error {
	began := time.Now()
	if err := prepare(o.dir); err != nil {
		return err
	}
	const name = "bench-1"
	p := newProgress(stderr, []string{name})
	b, err := openRig(ctx, o, "night.yaml", nightYAML, name, map[string]any{"Speed": o.speed}, p)
	if err != nil {
		return err
	}
	defer b.close()
	j := job{bench: name, unit: "tansy-8", setup: "overnight"}
	if err := b.until(ctx, b.at+between); err != nil {
		return err
	}
	run, _, err := b.client.Start(ctx, client.StartRequest{Unit: j.unit, Setup: record.Setup{Name: j.setup}, Operator: "demo"})
	if err != nil {
		return fmt.Errorf("start the run: %w", err)
	}
	asleep := func(context.Context) error { b.daemon.Hold().Release(); return nil }
	if err := b.follow(ctx, run, j, asleep); err != nil {
		return err
	}
	rig := []string{"--rig", name + "=" + b.daemon.GRPCAddr()}
	for _, args := range [][]string{{"show", run}, {"report", run, "-f", filepath.Join(o.dir, "report.html")}} {
		fmt.Fprintf(stderr, "$ soak %s\n", args[0])
		if code := command.Run(ctx, append(rig, args...), stdout, stderr); code != 0 && code != 3 && code != 5 {
			return fmt.Errorf("soak %s ended with %d", args[0], code)
		}
	}
	fmt.Fprintf(stdout, "\nThe night took %.0f s.\n", time.Since(began).Seconds())
	if o.stay {
		stay(ctx, map[string]*bench{name: b}, []string{name}, stdout)
	}
	return nil
}
