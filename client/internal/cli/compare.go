package cli

import (
	"cmp"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"soakrig/client/internal/report"
	"soakrig/daemon/analysis"
	"soakrig/daemon/record"
)

// compareCommand is soak compare.
func (s *session) compareCommand() *cobra.Command {
	var o analysis.CompareOptions
	var curves, mapFile string
	var charts []string
	var force bool
	cmd := &cobra.Command{
		Use:   "compare RUN... [-f CHART] [--curves CHART]",
		Short: "Compare runs with their uncertainty: table and charts",
		Long: `Compare units: a row is one unit in one setup, the mean of its runs. A row's place is
an interval: the best and worst place that it can hold once uncertainty is counted.
Void runs have no place; a limited run's peak is its limiter's set point and is marked.

Runs must share what their setups say must match, and load length, settling and room;
a mismatch refuses the comparison unless --override (or --override=KEY for one of them)
accepts it, which is printed. --published holds the whole table at 95 % instead of each
pair: use it for tables that are published.

-f draws the peaks (with --by rise, the rises; with --by reference, the peaks moved to
the reference room beside the measured ones) as dots with their expanded uncertainty,
limit and guard band; --curves overlays the hot spots with load start at
zero. The file's ending says the format: .svg, .png or .pdf.`,
		Example: `  soak compare archive/
  soak compare bench-1/2026-05-02-1 bench-2/2026-05-02-1 -f peaks.svg
  soak compare archive/ --published --by rise -f rises.png -f rises.pdf --curves curves.svg`,
		Args: cobra.MinimumNArgs(1),
	}
	out := addOutput(cmd)
	by := &outputFlag{known: []string{"held", "rise", "reference"}}
	f := cmd.Flags()
	f.Var(by, "by", "`QUANTITY` to rank by: held (peak), rise, reference (peak in the reference room); default: rise where every row has one")
	complete(cmd, "by", func(string) []string { return by.known })
	f.BoolVar(&o.Public, "published", false, "one coverage factor for the whole table")
	f.StringArrayVar(&o.Override, "override", nil, "accept mismatches: of `KEY`, or without a value every one")
	f.Lookup("override").NoOptDefVal = "all"
	f.StringArrayVarP(&charts, "file", "f", nil, "write the chart of peaks or rises to `FILE`; may be repeated")
	f.StringVar(&curves, "curves", "", "write the overlaid curves to `FILE`")
	f.StringVarP(&mapFile, "map", "m", "", "channel map `FILE` for CSV recordings")
	f.BoolVar(&force, "force", false, "overwrite chart files")
	cmd.ValidArgsFunction = s.completeRuns
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		o.Quantity = by.word
		for _, file := range append([]string{curves}, charts...) {
			if file != "" {
				if _, err := chartFormat(file); err != nil {
					return err
				}
			}
		}
		if err := free(force, append([]string{curves}, charts...)...); err != nil {
			return err
		}
		runs, err := s.load(cmd.Context(), args, mapFile)
		if err != nil {
			return err
		}
		c, err := compareRuns(runs, o)
		if err != nil {
			return err
		}
		if err := s.printComparison(c, out.word); err != nil {
			return err
		}
		for _, chart := range charts {
			format, _ := chartFormat(chart)
			quantity := cmp.Or(by.word, analysis.CompareHeld)
			if err := s.writeFile(chart, force, func(w io.Writer) error { return report.PeaksChart(c, quantity, w, format) }); err != nil {
				return err
			}
		}
		if curves == "" {
			return nil
		}
		return s.writeCurves(cmd, runs, curves, force)
	}
	return cmd
}

func compareRuns(runs []*loaded, o analysis.CompareOptions) (*report.Compared, error) {
	var all []record.Result
	for _, l := range runs {
		if err := l.needResult(); err != nil {
			return nil, err
		}
		all = append(all, l.run.Result)
	}
	c, err := report.Compare(all, o)
	if err != nil {
		return nil, fmt.Errorf("%w", err)
	}
	return c, nil
}

func chartFormat(file string) (string, error) {
	format := strings.TrimPrefix(strings.ToLower(filepath.Ext(file)), ".")
	switch format {
	case "svg", "png", "pdf":
		return format, nil
	}
	return "", usagef("chart file %q: want an ending .svg, .png or .pdf", file)
}

func (s *session) printComparison(c *report.Compared, form string) error {
	switch form {
	case "json":
		return writeJSON(s.Stdout, c.Comparison)
	case "csv":
		return report.ComparisonCSV(c).CSV(s.Stdout)
	}
	fmt.Fprint(s.Stdout, report.ComparisonTable(c).Plain())
	notes, rule := c.Notes()
	fmt.Fprintln(s.Stdout)
	for i, n := range notes {
		fmt.Fprintf(s.Stdout, "%d  %s\n", i+1, n)
	}
	_, err := fmt.Fprintln(s.Stdout, rule)
	return err
}

func (s *session) writeCurves(cmd *cobra.Command, runs []*loaded, file string, force bool) error {
	format, err := chartFormat(file)
	if err != nil {
		return err
	}
	var list []report.Curve
	for _, l := range runs {
		s.progress("reading %s", l.run.Name())
		t, err := l.traces(cmd.Context())
		if err != nil {
			return err
		}
		list = append(list, report.Curve{Result: &l.run.Result, Traces: t})
	}
	return s.writeFile(file, force, func(w io.Writer) error { return report.CurvesChart(list, w, format) })
}
