package main

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"log/slog"
	"path/filepath"
	"text/template"
	"time"

	"soakrig/client"
	"soakrig/daemon"
	"soakrig/daemon/record"
	"soakrig/drivers/all"
)

// rigYAML is the configuration of each simulated rig.
//
//go:embed rig.yaml
var rigYAML string

// Lengths of a run, rig time.
const (
	baseline  = 4 * time.Minute
	loadDelay = 30 * time.Second // from the end of the baseline to the load script's start
	loadTime  = time.Hour
	cooldown  = 5 * time.Minute
)

// bench is one simulated rig with its daemon and a client of it.
type bench struct {
	name   string
	daemon *daemon.Daemon
	client *client.Client
	state  *progress
}

// openBench starts a daemon for one rig of the campaign.
func openBench(ctx context.Context, o options, name string, seed int, p *progress) (*bench, error) {
	return openRig(ctx, name+".yaml", rigYAML, name, map[string]any{
		"Rig": name, "Seed": seed, "Speed": o.speed, "Dir": filepath.Join(o.dir, "journals", name), "Limit": limitC,
		"Baseline": baseline, "Load": loadTime, "Cooldown": cooldown,
	}, p)
}

// openRig starts a daemon by the configuration that a template gives.
func openRig(ctx context.Context, file, config, name string, values map[string]any, p *progress) (*bench, error) {
	t, err := template.New(file).Option("missingkey=error").Parse(config)
	if err != nil {
		return nil, err
	}
	var text bytes.Buffer
	if err = t.Execute(&text, values); err != nil {
		return nil, err
	}
	drivers := all.Drivers()
	cfg, err := daemon.ParseConfig(file, text.Bytes(), drivers)
	if err != nil {
		return nil, err
	}
	d, err := daemon.Start(daemon.Options{Config: cfg, Drivers: drivers, Version: "demo", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, fmt.Errorf("start %s: %w", name, err)
	}
	c, err := client.Dial(ctx, d.GRPCAddr(), client.Options{})
	if err != nil {
		d.Stop()
		return nil, err
	}
	return &bench{name: name, daemon: d, client: c, state: p}, nil
}

func (b *bench) close() error {
	b.client.Close()
	return b.daemon.Stop()
}

// soak runs one job to its end and returns the run's id.
func (b *bench) soak(ctx context.Context, j job) (string, error) {
	if err := b.daemon.Simulated().Mount(j.model); err != nil {
		return "", fmt.Errorf("mount %s: %w", j.model.Name, err)
	}
	run, _, err := b.client.Start(ctx, client.StartRequest{
		Unit: j.unit, Revision: j.revision,
		Setup: record.Setup{
			Name: j.setup,
			Conditions: map[string]string{
				"enclosure": "closed, size M", "fans": "three at 900 rpm", "load": "all cores, vector loop, rev 2",
				"probe_map": "eight stages, rev 3", "power_setting": map[string]string{"rated": "260 W at the wall", "boosted": "345 W at the wall"}[j.setup],
			},
			MustMatch: []string{"enclosure", "fans", "load", "probe_map"},
		},
		Operator: "demo",
	})
	if err != nil {
		return "", fmt.Errorf("start the run of %s: %w", j.model.Name, err)
	}
	script := make(chan error, 1)
	go func() { script <- b.load(ctx) }()
	if err := b.follow(ctx, run, j); err != nil {
		return run, err
	}
	return run, <-script
}

// load is the load script: it begins after the baseline and marks what it does.
func (b *bench) load(ctx context.Context) error {
	clock := b.daemon.Clock()
	at := clock.Elapsed() + baseline + loadDelay
	for _, step := range []struct {
		at   time.Duration
		mark string
		on   bool
	}{{at, "load script started", true}, {at + loadTime, "load script finished", false}} {
		if err := clock.SleepUntil(ctx, step.at); err != nil {
			return err
		}
		b.daemon.Simulated().SetLoad(step.on)
		if _, _, err := b.client.Mark(ctx, step.mark, "load script"); err != nil {
			return fmt.Errorf("mark on %s: %w", b.name, err)
		}
	}
	return nil
}

// follow shows the run's progress until it has ended.
func (b *bench) follow(ctx context.Context, run string, j job) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var ended bool
	err := b.client.Watch(ctx, time.Second, nil, func(live *record.Live, end *client.Run) error {
		if live != nil && live.Run == run {
			b.state.set(b.name, j, live)
		}
		if end != nil && end.Start.Run == run {
			ended = true
			b.state.done(b.name)
			cancel()
		}
		return nil
	})
	if ended {
		return nil
	}
	return fmt.Errorf("watch run %s on %s: %w", run, b.name, err)
}
