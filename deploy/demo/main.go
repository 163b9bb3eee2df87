// Command demo runs an invented campaign on simulated rigs behind real gRPC: the
// main job, start to end, in about a minute. It measures nothing.
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
	flag.Float64Var(&o.speed, "speed", 320, "rig seconds per second")
	flag.BoolVar(&o.stay, "stay", false, "leave the rigs up afterwards, so that Prometheus and soak can reach them")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, o, os.Stdout, os.Stderr); err != nil && !errors.Is(err, context.Canceled) {
		fmt.Fprintln(os.Stderr, "demo:", err)
		os.Exit(1)
	}
}
