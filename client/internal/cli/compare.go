package cli

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"soakrig/client/internal/report"
	"soakrig/daemon/analysis/compare"
	"soakrig/daemon/record"
)

const compareHelp = `Compare units: a row is one unit in one setup, the mean of its runs. A row's place is
an interval: the best and worst place that it can hold once uncertainty is counted.
Void runs have no place; a limited run's peak is its limiter's set point and is marked.

Runs must share what their setups say must match, and load length, settling and room;
a mismatch refuses the comparison unless --override (or --override=KEY for one of them)
accepts it, which is printed. --published holds the whole table at 95 % instead of each
pair: use it for tables that are published.

Repeats of one row share the error of their probes' mounting, which their mean does not
make smaller, unless --remounted says that the probes were mounted anew for each of them.

-f draws the peaks (with --by rise, the rises; with --by reference, the peaks moved to
the reference room beside the measured ones) as dots with their expanded uncertainty,
limit and guard band; --curves overlays the hot spots with load start at
zero. The file's ending says the format: .svg, .png or .pdf.`

// compareFlags are the flags of soak compare.
type compareFlags struct {
	by      *outputFlag
	rule    compare.Options
	charts  []string // files of the chart of peaks or rises
	curves  string   // file of the overlaid curves; empty: none
	mapFile string
	force   bool
	output  *outputFlag
}

// compareCommand is soak compare.
func (s *session) compareCommand() *cobra.Command {
	o := compareFlags{by: &outputFlag{known: []string{"held", "rise", "reference"}}}
	cmd := &cobra.Command{
		Use:   "compare RUN... [-f CHART] [--curves CHART]",
		Short: "Compare runs with their uncertainty: table and charts",
		Long:  compareHelp,
		Example: `  soak compare archive/
  soak compare bench-1/20260502-01 bench-2/20260502-01 -f peaks.svg
  soak compare archive/ --published --by rise -f rises.png -f rises.pdf --curves curves.svg`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, runs []string) error { return s.compare(cmd.Context(), runs, o) },
	}
	o.output = addOutput(cmd)
	f := cmd.Flags()
	f.Var(o.by, "by", "`QUANTITY` to rank by: held (peak), rise, reference (peak in the reference room); default: rise where every row has one")
	complete(cmd, "by", func(string) []string { return o.by.known })
	f.BoolVar(&o.rule.Public, "published", false, "one coverage factor for the whole table")
	f.BoolVar(&o.rule.Remounted, "remounted", false, "the probes were mounted anew for every repeat")
	f.StringArrayVar(&o.rule.Override, "override", nil, "accept mismatches: of `KEY`, or without a value every one")
	f.Lookup("override").NoOptDefVal = "all"
	f.StringArrayVarP(&o.charts, "file", "f", nil, "write the chart of peaks or rises to `FILE`; may be repeated")
	f.StringVar(&o.curves, "curves", "", "write the overlaid curves to `FILE`")
	f.StringVarP(&o.mapFile, "map", "m", "", "channel map `FILE` for CSV recordings")
	f.BoolVar(&o.force, "force", false, "overwrite chart files")
	cmd.ValidArgsFunction = s.completeRuns
	return cmd
}

// compare prints the comparison, then draws it. What can't be written is refused before
// any run is read.
func (s *session) compare(ctx context.Context, args []string, o compareFlags) error {
	for _, file := range append([]string{o.curves}, o.charts...) {
		if file != "" {
			if _, err := chartFormat(file); err != nil {
				return err
			}
		}
	}
	if err := free(o.force, append([]string{o.curves}, o.charts...)...); err != nil {
		return err
	}
	runs, err := s.load(ctx, args, o.mapFile)
	if err != nil {
		return err
	}
	o.rule.Quantity = o.by.word
	c, err := compareRuns(runs, o.rule)
	if err != nil {
		return err
	}
	if err := s.printComparison(c, o.output.word); err != nil {
		return err
	}
	if err := s.writePeaks(c, o); err != nil {
		return err
	}
	if o.curves == "" {
		return nil
	}
	return s.writeCurves(ctx, runs, o)
}

func compareRuns(runs []*loaded, o compare.Options) (*report.Compared, error) {
	var all []record.Result
	for _, l := range runs {
		if err := l.needResult(); err != nil {
			return nil, err
		}
		all = append(all, l.run.Result)
	}
	var simulated []string
	for _, l := range runs {
		if l.run.Record.Simulated {
			simulated = append(simulated, l.run.Record.Rig+"/"+l.run.Record.Start.Run)
		}
	}
	mixed := len(simulated) > 0 && len(simulated) < len(runs)
	if mixed && !slices.Contains(o.Override, "all") && !slices.Contains(o.Override, "simulated") {
		return nil, &compare.MismatchError{Mismatches: []compare.Mismatch{{Key: "simulated", Text: "of a simulated rig, where others were measured: " + strings.Join(simulated, ", ")}}}
	}
	c, err := report.Compare(all, o)
	if err != nil || len(simulated) == 0 {
		return c, err
	}
	c.Simulated = true
	note := "simulated: nothing in this table is a measurement"
	if mixed {
		note = "simulated, no measurement: " + strings.Join(simulated, ", ")
	}
	c.Footnotes = append(c.Footnotes, note)
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

func (s *session) writePeaks(c *report.Compared, o compareFlags) error {
	quantity := cmp.Or(o.by.word, compare.Held)
	for _, file := range o.charts {
		format, err := chartFormat(file)
		if err != nil {
			return err
		}
		if err := s.writeFile(file, o.force, func(w io.Writer) error { return report.PeaksChart(c, quantity, w, format) }); err != nil {
			return err
		}
	}
	return nil
}

func (s *session) writeCurves(ctx context.Context, runs []*loaded, o compareFlags) error {
	format, err := chartFormat(o.curves)
	if err != nil {
		return err
	}
	var list []report.Run
	for _, l := range runs {
		s.progress("reading %s", l.run.Name())
		t, err := l.traces(ctx)
		if err != nil {
			return err
		}
		list = append(list, report.Run{Result: &l.run.Result, Traces: t, Simulated: l.run.Record.Simulated})
	}
	return s.writeFile(o.curves, o.force, func(w io.Writer) error { return report.CurvesChart(list, w, format) })
}
