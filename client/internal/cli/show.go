package cli

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"
)

// showCommand is soak show.
func (s *session) showCommand() *cobra.Command {
	var mapFile string
	cmd := &cobra.Command{
		Use:   "show RUN...",
		Short: "Show what runs came to",
		Long: `Show runs: verdict, reasons, what happened, probes, what was noticed. RUN is an id,
RIG/id, last, a run file, a folder, or a CSV recording with --map. -o json is the
whole result (soak evaluate --keys documents it), -o csv one row for each run. The
exit code tells the worst verdict.`,
		Example: `  soak show last
  soak show --archive archive bench-1/20260502-01
  soak show last -o json | jq -r .verdict`,
		Args: cobra.MinimumNArgs(1),
	}
	out := addOutput(cmd)
	cmd.Flags().StringVarP(&mapFile, "map", "m", "", "channel map `FILE` for CSV recordings")
	cmd.ValidArgsFunction = s.completeRuns
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		runs, err := s.load(cmd.Context(), args, mapFile)
		if err != nil {
			return err
		}
		res, err := results(runs)
		if err != nil {
			return err
		}
		if err := s.printResults(res, out.word); err != nil {
			return err
		}
		if out.word == "text" && slices.ContainsFunc(runs, func(l *loaded) bool { return l.run.Record.Simulated }) {
			fmt.Fprintln(s.Stdout, "Simulated rig: nothing here is a measurement.")
		}
		return verdictExit(res...)
	}
	return cmd
}
