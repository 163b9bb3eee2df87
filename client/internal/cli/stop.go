package cli

import (
	"fmt"

	"github.com/spf13/cobra"
)

// stopCommand is soak stop.
func (s *session) stopCommand() *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use:   "stop [RUN]",
		Short: "End the open run now; its result stands with what was measured",
		Long: `End a run now. soakd then drives what is configured for a stop (commands, interlock
output); that is a request, not a guarantee: soakd is not a safety device.`,
		Example: `  soak stop --reason "smell of varnish"
  soak stop --rig bench-2`,
		Args: cobra.MaximumNArgs(1),
	}
	cmd.Flags().StringVar(&reason, "reason", "stopped by hand", "why, for the record")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		rig, err := s.oneRig(cmd.Context())
		if err != nil {
			return err
		}
		run := ""
		if len(args) == 1 {
			run = args[0]
		}
		run, err = rig.Stop(cmd.Context(), run, reason)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(s.Stdout, run)
		return err
	}
	return cmd
}
