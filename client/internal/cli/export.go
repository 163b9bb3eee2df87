package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"soakrig/client/internal/archive"
)

// exportForm is a format of soak export.
type exportForm struct {
	ending string
	write  func(io.Writer, *archive.Run, archive.Readings) error
}

// exportForms are the formats of soak export by name.
func exportForms() map[string]exportForm {
	return map[string]exportForm{
		"csv":         {".csv", archive.WriteCSV},
		"jsonl":       {".jsonl", archive.WriteJSONL},
		"openmetrics": {".om", archive.WriteOpenMetrics},
		"parquet":     {".parquet", archive.Write},
	}
}

// exportFlags are the flags of soak export.
type exportFlags struct {
	format    *outputFlag
	file, dir string // at most one is given
	mapFile   string
	force     bool
}

// exportCommand is soak export.
func (s *session) exportCommand() *cobra.Command {
	o := exportFlags{format: &outputFlag{word: "csv", known: []string{"csv", "jsonl", "openmetrics", "parquet"}}}
	cmd := &cobra.Command{
		Use:   "export RUN... [--format FORMAT] [-f FILE | -d FOLDER]",
		Short: "Write the readings of runs: CSV, JSON Lines, OpenMetrics or Parquet",
		Long: `Write every reading of a run.

  csv          wide, RFC 4180: a row for each instant, units in the head, a cell empty
               where there is no value, the fault beside it; soak evaluate reads it back
  jsonl        a line of JSON for each reading with its raw evidence, the run last
  openmetrics  good readings with time stamps, under the names of soakd's metrics page,
               for backfill (promtool tsdb create-blocks-from openmetrics)
  parquet      the run file of archives: readings, raw evidence, record, result, layouts

One run goes to -f FILE (- is standard output); several go to files in -d FOLDER named
after the runs. Files are written whole or not at all and not overwritten.`,
		Example: `  soak export last -f - | head
  soak export archive/ --format csv -d csv/
  soak export rec.csv --map map.yaml --format parquet`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, runs []string) error { return s.export(cmd.Context(), runs, o) },
	}
	f := cmd.Flags()
	f.Var(o.format, "format", "`FORMAT`: csv, jsonl, openmetrics, parquet")
	complete(cmd, "format", func(string) []string { return o.format.known })
	f.StringVarP(&o.file, "file", "f", "", "`FILE` to write; default: named after the run")
	f.StringVarP(&o.dir, "dir", "d", "", "`FOLDER` to write files named after the runs to")
	f.StringVarP(&o.mapFile, "map", "m", "", "channel map `FILE` for CSV recordings")
	f.BoolVar(&o.force, "force", false, "overwrite files")
	cmd.ValidArgsFunction = s.completeRuns
	return cmd
}

func (s *session) export(ctx context.Context, args []string, o exportFlags) error {
	if o.file != "" && o.dir != "" {
		return usagef("want -f or -d, not both")
	}
	runs, err := s.load(ctx, args, o.mapFile)
	if err != nil {
		return err
	}
	if len(runs) > 1 && o.dir == "" {
		return usagef("%d runs need a folder: -d FOLDER", len(runs))
	}
	form := exportForms()[o.format.word]
	var names []string
	for _, l := range runs {
		to := o.file
		if to == "" {
			to = filepath.Join(o.dir, fileName([]*loaded{l}, form.ending))
		}
		if slices.Contains(names, to) { // same unit, setup and run on two rigs
			to = filepath.Join(o.dir, l.run.Record.Rig+"_"+fileName([]*loaded{l}, form.ending))
		}
		names = append(names, to)
		if err := s.exportRun(ctx, l, form, to, o); err != nil {
			return err
		}
	}
	return nil
}

// exportRun writes the readings of one run to a file.
func (s *session) exportRun(ctx context.Context, l *loaded, form exportForm, file string, o exportFlags) error {
	if err := free(o.force, file); err != nil {
		return err
	}
	if o.dir != "" {
		if err := os.MkdirAll(o.dir, 0o755); err != nil {
			return fmt.Errorf("make folder: %w", err)
		}
	}
	readings, closer, err := l.open(ctx)
	if err != nil {
		return err
	}
	err = s.writeFile(file, o.force, func(w io.Writer) error { return form.write(w, l.run, readings) })
	return errors.Join(err, closer())
}
