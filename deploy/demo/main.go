// Command demo runs an invented campaign on simulated rigs behind real gRPC: the
// main job, start to end, in about a minute; with -night one night in which much goes
// wrong, in about half of one. It measures nothing.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	var o options
	flag.StringVar(&o.dir, "dir", "soak-demo", "`folder` for the results; replaced")
	flag.Float64Var(&o.speed, "speed", 0, "rig seconds per second; 0: 400, with -night 1000")
	flag.BoolVar(&o.night, "night", false, "one night instead of the campaign: a crash, a lost bead, a cold room, and what is read in the morning")
	flag.BoolVar(&o.stay, "stay", false, "leave the rigs up afterwards, so that Prometheus and soak can reach them")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	soak := run
	if o.night {
		soak = runNight
	}
	if o.speed == 0 {
		o.speed = map[bool]float64{false: 400, true: 1000}[o.night]
	}
	if err := soak(ctx, o, os.Stdout, os.Stderr); err != nil && !errors.Is(err, context.Canceled) {
		fmt.Fprintln(os.Stderr, "demo:", err)
		os.Exit(1)
	}
}
