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

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := cli.Run(ctx, cli.Env{Args: os.Args[1:], Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr})
	stop()
	os.Exit(code)
}
