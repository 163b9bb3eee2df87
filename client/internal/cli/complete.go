package cli

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/client/internal/archive"
	"soakrig/daemon/record"
)

// knownRun is what completion knows of a run.
type knownRun struct {
	rig   string
	start record.RunStart
}

// A shell waits for its words: rigs are asked for so long, for so many runs each.
const (
	completionTime = 2 * time.Second
	completionRuns = 200
)

// knownRuns lists the runs of the archives of --archive, else of the rigs, newest
// first. What does not answer in time is left out.
func (s *session) knownRuns(ctx context.Context) ([]knownRun, error) {
	var out []knownRun
	if len(s.archive) > 0 {
		entries, err := archive.List(s.archive)
		for _, e := range entries {
			if e.Err == nil {
				out = append(out, knownRun{e.Run.Record.Rig, e.Run.Record.Start})
			}
		}
		return out, err
	}
	ctx, cancel := context.WithTimeout(ctx, completionTime)
	defer cancel()
	rigs, err := s.dialAll(ctx)
	if err != nil {
		return nil, err
	}
	for _, r := range rigs {
		if r.err != nil {
			continue
		}
		n := 0
		_ = r.List(ctx, "", func(run *client.Run) error {
			out = append(out, knownRun{r.name, run.Start})
			if n++; n == completionRuns {
				return errors.New("enough")
			}
			return nil
		})
	}
	return out, nil
}

// completeRuns offers runs of rigs or archives, and files. A run that several rigs know
// is offered as RIG/run.
func (s *session) completeRuns(cmd *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
	runs, err := s.knownRuns(cmd.Context())
	if err != nil {
		return nil, cobra.ShellCompDirectiveError
	}
	times := map[string]int{}
	for _, r := range runs {
		times[r.start.Run]++
	}
	words := []string{"last"}
	for _, r := range runs {
		id := r.start.Run
		if times[id] > 1 {
			id = r.rig + "/" + id
		}
		words = append(words, id+"\t"+r.start.Unit+" "+r.start.Setup.Name)
	}
	return words, cobra.ShellCompDirectiveDefault
}

// of offers one word of each known run, each once: its unit, its setup.
func (s *session) of(cmd *cobra.Command, word func(record.RunStart) string) []string {
	runs, err := s.knownRuns(cmd.Context())
	if err != nil {
		return nil
	}
	var words []string
	for _, r := range runs {
		if w := word(r.start); w != "" && !slices.Contains(words, w) {
			words = append(words, w)
		}
	}
	slices.Sort(words)
	return words
}

func (s *session) units(cmd *cobra.Command) []string {
	return s.of(cmd, func(r record.RunStart) string { return r.Unit })
}

// completeUnit offers the units of runs that were, for the first argument.
func (s *session) completeUnit(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
	if len(args) > 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	return s.units(cmd), cobra.ShellCompDirectiveNoFileComp
}
