package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"soakrig/client/internal/report"
	"soakrig/daemon/analysis/compare"
)

// reportCommand is soak report.
func (s *session) reportCommand() *cobra.Command {
	var file, mapFile string
	var force bool
	var o pageOptions
	cmd := &cobra.Command{
		Use:   "report RUN... [-f FILE]",
		Short: "Write one HTML page of runs that opens offline",
		Long: `Write a page: verdict and reasons in words, what happened, all curves (zoom, values,
faults, gaps), tables of results, uncertainty budget, conditions and constants. It is
one file that needs nothing else and asks no network. Several runs stand on one page
with their comparison.

RUN is an id, RIG/id, last, a run file, a folder of run files, or a CSV recording with
--map. The file is not overwritten unless --force is given; -f - writes to standard
output.`,
		Example: `  soak report last
  soak report archive/ -f campaign.html --title "Carriers, spring"
  soak report rec.csv --map map.yaml -f rec.html`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.Flags().StringVarP(&file, "file", "f", "", "`FILE` to write; default: named after the run")
	cmd.Flags().StringVarP(&mapFile, "map", "m", "", "channel map `FILE` for CSV recordings")
	cmd.Flags().StringVar(&o.title, "title", "", "title of the page")
	cmd.Flags().BoolVar(&force, "force", false, "overwrite the file")
	cmd.Flags().BoolVar(&o.noCurves, "no-curves", false, "leave the curves out")
	cmd.ValidArgsFunction = s.completeRuns
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := free(force, file); err != nil {
			return err
		}
		runs, err := s.load(cmd.Context(), args, mapFile)
		if err != nil {
			return err
		}
		if file == "" {
			file = fileName(runs, ".html")
		}
		if err := free(force, file); err != nil {
			return err
		}
		page, err := s.page(cmd.Context(), runs, o)
		if err != nil {
			return err
		}
		return s.writeFile(file, force, page.Write)
	}
	return cmd
}

// pageOptions say how a page is made.
type pageOptions struct {
	title    string // empty: of its runs
	noCurves bool
}

// page makes the page of runs.
func (s *session) page(ctx context.Context, runs []*loaded, o pageOptions) (*report.Page, error) {
	page := &report.Page{Title: o.title, Written: "Written by soak " + version(s.Version) + "."}
	for _, l := range runs {
		if err := l.needResult(); err != nil {
			return nil, err
		}
		pr := report.Run{Result: &l.run.Result, Simulated: l.run.Record.Simulated}
		if !o.noCurves {
			if len(runs) > 1 {
				s.progress("reading %s", l.run.Name())
			}
			var err error
			if pr.Traces, err = l.traces(ctx); err != nil {
				return nil, err
			}
		}
		page.Runs = append(page.Runs, pr)
		page.Simulated = page.Simulated || l.run.Record.Simulated
	}
	if page.Title == "" {
		page.Title = "Soak: " + report.Title(page.Runs[0].Result)
		if len(runs) > 1 {
			page.Title = fmt.Sprintf("Soak: %d runs", len(runs))
		}
	}
	if len(runs) > 1 {
		if err := s.addComparison(page, runs); err != nil {
			return nil, err
		}
	}
	return page, nil
}

// addComparison puts the comparison on a page of several runs. Runs that can't be
// compared stand side by side all the same: every mismatch is a footnote.
func (s *session) addComparison(page *report.Page, runs []*loaded) error {
	c, err := compareRuns(runs, compare.Options{Override: []string{"all"}})
	if err != nil {
		s.progress("no comparison: %v", err)
		return nil
	}
	page.Comparison = c
	draw := []func(io.Writer) error{func(w io.Writer) error { return report.CurvesChart(page.Runs, w, "svg") }}
	for _, q := range []string{compare.Rise, compare.Reference, compare.Held} {
		draw = slices.Insert(draw, 0, func(w io.Writer) error { return report.PeaksChart(c, q, w, "svg") })
	}
	for _, d := range draw {
		var svg bytes.Buffer
		if err := d(&svg); err == nil {
			page.Charts = append(page.Charts, svg.Bytes())
		} else if !errors.Is(err, report.ErrNothingToDraw) {
			return err
		}
	}
	// The runs stand in the order of the table.
	slices.SortStableFunc(page.Runs, func(a, b report.Run) int { return c.Row(a.Result) - c.Row(b.Result) })
	return nil
}
