// Command soakd runs unattended on a small board beside a rig, reads its probes and
// its meter, keeps every sample, serves them, and runs the soak.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

// version is set by the build: -ldflags "-X main.version=...".
var version = "development"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
