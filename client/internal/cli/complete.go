package cli

import (
	"context"
	"errors"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/client/internal/archive"
)

// completeRuns offers runs of rigs or archives, and files.
func (s *session) completeRuns(cmd *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
	words := []string{"last"}
	if len(s.archive) > 0 {
		entries, err := archive.List(s.archive)
		if err != nil {
			return nil, cobra.ShellCompDirectiveError
		}
		for _, e := range entries {
			if e.Err == nil {
				words = append(words, e.Run.Record.Start.Run+"\t"+e.Run.Record.Start.Unit+" "+e.Run.Record.Start.Setup.Name)
			}
		}
		return words, cobra.ShellCompDirectiveDefault
	}
	ctx, cancel := context.WithTimeout(cmd.Context(), 2*time.Second)
	defer cancel()
	rigs, err := s.dialAll(ctx)
	if err != nil {
		return nil, cobra.ShellCompDirectiveError
	}
	for _, r := range rigs {
		if r.err != nil {
			continue
		}
		n := 0
		_ = r.List(ctx, "", func(run *client.Run) error {
			words = append(words, run.Start.Run+"\t"+run.Start.Unit+" "+run.Start.Setup.Name)
			if n++; n == 50 {
				return errors.New("enough")
			}
			return nil
		})
	}
	return words, cobra.ShellCompDirectiveDefault
}
