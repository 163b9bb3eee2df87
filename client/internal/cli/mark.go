package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

// markCommand is soak mark.
func (s *session) markCommand() *cobra.Command {
	var author string
	cmd := &cobra.Command{
		Use:   "mark TEXT...",
		Short: "Add a line to the journal and to the open run",
		Long: `Add a mark at this instant. "load start" and "load end" tell the load where wall power
does not show it; "exclude vr3: bead was loose" records the decision to leave a probe
out of the peak. The mark's number in the journal and its run are printed.`,
		Example: `  soak mark load start
  soak mark "lid opened for 20 s"
  soak mark --rig bench-2 load end`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.Flags().StringVar(&author, "author", "", "who marks; default: $USER")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		rig, err := s.oneRig(cmd.Context())
		if err != nil {
			return err
		}
		if author == "" {
			author = s.Getenv("USER")
		}
		seq, run, err := rig.Mark(cmd.Context(), strings.Join(args, " "), author)
		if err != nil {
			return err
		}
		if run == "" {
			run = "no run is open"
		}
		_, err = fmt.Fprintf(s.Stdout, "%d  %s\n", seq, run)
		return err
	}
	return cmd
}
