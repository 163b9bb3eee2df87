// Package command is soak as a function: what a person types, for programs that run
// soak inside their own process, such as the demo. It adds nothing to package cli.
package command

import (
	"context"
	"io"
	"strings"

	"soakrig/client/internal/cli"
)

// Run runs soak with args (without the program's name) and gives its exit code: 0
// done, 1 failure, 2 usage, 3 verdict fail, 4 a rig does not answer, 5 verdict void or
// marginal. It reads no input.
func Run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	return cli.Run(ctx, cli.Env{Args: args, Stdin: strings.NewReader(""), Stdout: stdout, Stderr: stderr})
}
