package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"soakrig/daemon"
)

func tokenCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "token ROLE NAME",
		Short: "Make an access token for a person or a script",
		Long: "token makes a secret for NAME with the role observe (read only) or operate (start, stop,\n" +
			"push and calibrate too). The line on standard output goes into the file that\n" +
			"listen.tokens names; it holds only a hash. The secret is shown once, on standard error:\n" +
			"give it to soak with --token-file. A line that is removed ends its holder's calls.",
		Example: "  soakd token observe wall-screen >> /etc/soakd/tokens",
		Args:    cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			secret, line, err := daemon.NewToken(args[0], args[1])
			if err != nil {
				return err
			}
			fmt.Fprintln(c.OutOrStdout(), line)
			fmt.Fprintf(c.ErrOrStderr(), "secret of %s, shown only now: %s\n", args[1], secret)
			return nil
		},
	}
}
