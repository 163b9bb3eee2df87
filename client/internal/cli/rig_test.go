package cli

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"soakrig/client"
	"soakrig/daemon"
	"soakrig/daemon/record"
	"soakrig/drivers/all"
)

// rigYAML is a small simulated rig, much faster than time.
const rigYAML = `rig: %s
listen: {grpc: 127.0.0.1:0, http: "off"}
journal: {dir: %q}
mains: 50Hz
simulated: {speed: 240, seed: 7}
sources:
  - name: back
    driver: max31855
    every: 1s
    inputs: [{channel: vr1, port: SPI0.0}, {channel: vr2, port: SPI0.1}, {channel: room, port: SPI0.8}]
  - {name: wall, driver: modbusmap, every: 1s, port: "tcp://sim-meter:502", map: "builtin:sdm120", unit: 1,
     inputs: [{channel: wall, field: active_power}]}
channels:
  vr1: {role: probe, place: behind stage 1, class: iec-1}
  vr2: {role: probe, place: behind stage 2, class: iec-1}
  room: {role: ambient, class: iec-1}
  wall: {role: supply, accuracy: "1%% of reading + 0.5 W"}
limits: {probe: 150, ambient: [15, 35]}
plan: {baseline: 1m, load: 6m, cooldown: 1m}
`

// cmdRig starts soakd on a simulated rig inside the test and puts its address into
// $NAME (upper case, - as _). Whenever a run opens, a load script of its own puts the
// load on 75 s later for 6 min.
func cmdRig(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("use: rig NAME")
	}
	name := args[0]
	drivers := all.Drivers()
	cfg, err := daemon.ParseConfig(name+".yaml", fmt.Appendf(nil, rigYAML, name, filepath.Join(ts.Getenv("WORK"), "journal-"+name)), drivers)
	ts.Check(err)
	d, err := daemon.Start(daemon.Options{Config: cfg, Drivers: drivers, Version: "test"})
	ts.Check(err)
	ctx, cancel := context.WithCancel(context.Background())
	ts.Check(served(ctx, d.GRPCAddr()))
	done := make(chan struct{})
	go func() {
		defer close(done)
		loadScript(ctx, d)
	}()
	ts.Defer(func() {
		cancel()
		<-done
		ts.Check(d.Stop())
	})
	ts.Setenv(strings.ReplaceAll(strings.ToUpper(name), "-", "_"), d.GRPCAddr())
}

// served waits until a rig has read all its sources.
func served(ctx context.Context, address string) error {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	c, err := client.Dial(ctx, address, client.Options{})
	if err != nil {
		return err
	}
	defer func() { _ = c.Close() }()
	ready := errors.New("ready")
	err = c.WatchHealth(ctx, nil, func(h *client.Health) error {
		if h.Serving {
			return ready
		}
		return nil
	})
	if errors.Is(err, ready) {
		return nil
	}
	return err
}

func loadScript(ctx context.Context, d *daemon.Daemon) {
	c, err := client.Dial(ctx, d.GRPCAddr(), client.Options{})
	if err != nil {
		return
	}
	defer func() { _ = c.Close() }()
	loaded := ""
	_ = c.Watch(ctx, time.Second, nil, func(live *record.Live, _ *client.Run) error {
		if live == nil || live.Run == loaded {
			return nil
		}
		loaded = live.Run
		at := d.Clock().Elapsed() + 75*time.Second
		if err := d.Clock().SleepUntil(ctx, at); err != nil {
			return err
		}
		d.Simulated().SetLoad(true)
		if err := d.Clock().SleepUntil(ctx, at+6*time.Minute); err != nil {
			return err
		}
		d.Simulated().SetLoad(false)
		return nil
	})
}
