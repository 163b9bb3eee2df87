package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"soakrig/daemon"
	"soakrig/daemon/manual"
	"soakrig/drivers/all"
)

// Exit codes.
const (
	exitOK      = 0
	exitFailure = 1
	exitUsage   = 2
)

// errFailed ends a command whose output has said everything already.
var errFailed = errors.New("")

// run runs soakd with arguments and returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := command()
	root.SetArgs(doubleDashes(args))
	root.SetOut(stdout)
	root.SetErr(stderr)
	usage := true
	understood(root, func() { usage = false })
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitOK
	}
	if text := err.Error(); text != "" {
		fmt.Fprintln(stderr, "soakd: "+strings.ReplaceAll(text, "\n", "\nsoakd: "))
	}
	if usage {
		return exitUsage
	}
	return exitFailure
}

// understood has told called before a command runs: its command line was right.
func understood(c *cobra.Command, told func()) {
	for _, sub := range c.Commands() {
		understood(sub, told)
	}
	if inner := c.RunE; inner != nil {
		c.RunE = func(c *cobra.Command, args []string) error {
			told()
			return inner(c, args)
		}
	}
}

// doubleDashes lets "-config F" stand for "--config F", as the manual writes it.
func doubleDashes(args []string) []string {
	out := append([]string(nil), args...)
	for i, a := range out {
		if a == "--" {
			break
		}
		if len(a) > 2 && a[0] == '-' && a[1] != '-' {
			out[i] = "-" + a
		}
	}
	return out
}

func command() *cobra.Command {
	var file string
	root := &cobra.Command{
		Use:   "soakd",
		Short: "Acquire, journal, serve and judge the soak of one rig",
		Long: "soakd reads the probes and the wall-power meter of one rig, keeps every sample in its\n" +
			"journal, serves them over gRPC and as Prometheus metrics, and runs soaks.\n\n" +
			"Without a command it runs until it is told to stop (SIGTERM); SIGHUP reads the\n" +
			"configuration again. soakd is not a safety device: see soakd check.",
		Example:       "  soakd -config rig.yaml\n  soakd check -config rig.yaml\n  soakd drivers max31855",
		Version:       version,
		Args:          cobra.NoArgs,
		SilenceErrors: true,
		SilenceUsage:  true,
		RunE:          func(c *cobra.Command, _ []string) error { return serve(c.Context(), c.ErrOrStderr(), file) },
	}
	root.PersistentFlags().StringVarP(&file, "config", "c", "/etc/soakd/rig.yaml", "configuration `file`")
	root.AddCommand(checkCommand(&file), driversCommand(), journalCommand(&file), tokenCommand(), manual.Command(writePages))
	return root
}

func load(file string) (*daemon.Config, error) {
	return daemon.LoadConfig(file, all.Drivers())
}
