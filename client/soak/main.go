// Command soak is what people type: it starts, watches and judges soaks on rigs, and
// works on archives and recordings without one. Its commands are in client/internal/cli.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"soakrig/client/internal/cli"
)

// version is set by the build of packages: -ldflags "-X main.version=...".
var version string

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := cli.Run(ctx, cli.Env{Args: os.Args[1:], Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr, Version: version})
	stop()
	os.Exit(code)
}
