package main

import (
	"bytes"
	"context"
	_ "embed"
	"errors"
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
	between   = 30 * time.Second // from what ends one run to the start of the next
)

// offGrid is when a rig's script begins: between two samples, for at the instant of one
// either may come first.
const offGrid = 250 * time.Millisecond

// bench is one simulated rig with its daemon and a client of it. Rig time is held while
// the campaign's script acts, so that the results follow from the seeds alone.
type bench struct {
	name   string
	daemon *daemon.Daemon
	client *client.Client
	state  *progress
	at     time.Duration // rig time of the newest act
}

// openBench starts a daemon for one rig of the campaign.
func openBench(ctx context.Context, o options, name string, seed int, p *progress) (*bench, error) {
	return openRig(ctx, o, name+".yaml", rigYAML, name, map[string]any{
		"Rig": name, "Seed": seed, "Speed": o.speed, "Limit": limitC,
		"Baseline": baseline, "Load": loadTime, "Cooldown": cooldown,
	}, p)
}

// openRig starts a daemon by the configuration that a template gives; Dir is among its
// values.
func openRig(ctx context.Context, o options, file, config, name string, values map[string]any, p *progress) (*bench, error) {
	dir, err := filepath.Abs(filepath.Join(o.dir, "journals", name))
	if err != nil {
		return nil, err
	}
	values["Dir"] = dir
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
	d, err := daemon.Start(daemon.Options{Config: cfg, Drivers: drivers, Version: "demo", Held: true, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, fmt.Errorf("start %s: %w", name, err)
	}
	c, err := client.Dial(ctx, d.GRPCAddr(), client.Options{})
	if err != nil {
		d.Stop()
		return nil, err
	}
	return &bench{name: name, daemon: d, client: c, state: p, at: offGrid}, nil
}

func (b *bench) close() error {
	b.client.Close()
	return b.daemon.Stop()
}

// until lets rig time pass to at, for what the script does next.
func (b *bench) until(ctx context.Context, at time.Duration) error {
	b.at = at
	return b.daemon.Hold().Until(ctx, at)
}

// soak runs one job to its end and returns the run's id.
func (b *bench) soak(ctx context.Context, j job) (string, error) {
	if err := b.until(ctx, b.at+between); err != nil {
		return "", err
	}
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
	return run, b.follow(ctx, run, j, b.load)
}

// load is the load script: it begins after the baseline and marks what it does.
func (b *bench) load(ctx context.Context) error {
	for _, step := range []struct {
		after time.Duration
		mark  string
		on    bool
	}{{baseline + loadDelay, "load script started", true}, {loadTime, "load script finished", false}} {
		if err := b.until(ctx, b.at+step.after); err != nil {
			return err
		}
		b.daemon.Simulated().SetLoad(step.on)
		if _, _, err := b.client.Mark(ctx, step.mark, "load script"); err != nil {
			return fmt.Errorf("mark on %s: %w", b.name, err)
		}
	}
	return b.until(ctx, b.at+cooldown+between)
}

// follow shows the run's progress until it has ended. Once the run is seen, script goes
// on with it.
func (b *bench) follow(ctx context.Context, run string, j job, script func(context.Context) error) error {
	watching, seen := context.WithCancel(ctx)
	defer seen()
	scripted, stop := context.WithCancel(ctx)
	defer stop()
	begun, ended, done := false, false, make(chan error, 1)
	err := b.client.Watch(watching, time.Second, nil, func(live *record.Live, end *client.Run) error {
		if live != nil && live.Run == run {
			b.state.set(b.name, j, live)
			if !begun {
				begun = true
				go func() {
					err := script(scripted)
					if err != nil {
						seen()
					}
					done <- err
				}()
			}
		}
		if end != nil && end.Start.Run == run {
			ended = true
			b.state.done(b.name)
			seen()
		}
		return nil
	})
	if ended && begun {
		return <-done
	}
	stop()
	if begun {
		err = errors.Join(<-done, err)
	}
	return fmt.Errorf("watch run %s on %s: %w", run, b.name, err)
}
