package cli

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"soakrig/client/internal/archive"
)

// forms are the formats of soak export by name.
func forms() map[string]struct {
	ending string
	write  func(io.Writer, *archive.Run, archive.Readings) error
} {
	return map[string]struct {
		ending string
		write  func(io.Writer, *archive.Run, archive.Readings) error
	}{
		"csv":         {".csv", archive.WriteCSV},
		"jsonl":       {".jsonl", archive.WriteJSONL},
		"openmetrics": {".om", archive.WriteOpenMetrics},
		"parquet":     {".parquet", archive.Write},
	}
}

// exportCommand is soak export.
func (s *session) exportCommand() *cobra.Command {
	var file, dir, mapFile string
	var force bool
	as := &outputFlag{word: "csv", known: []string{"csv", "jsonl", "openmetrics", "parquet"}}
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
	}
	f := cmd.Flags()
	f.Var(as, "format", "`FORMAT`: csv, jsonl, openmetrics, parquet")
	complete(cmd, "format", func(string) []string { return as.known })
	f.StringVarP(&file, "file", "f", "", "`FILE` to write; default: named after the run")
	f.StringVarP(&dir, "dir", "d", "", "`FOLDER` to write files named after the runs to")
	f.StringVarP(&mapFile, "map", "m", "", "channel map `FILE` for CSV recordings")
	f.BoolVar(&force, "force", false, "overwrite files")
	cmd.ValidArgsFunction = s.completeRuns
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if file != "" && dir != "" {
			return usagef("want -f or -d, not both")
		}
		runs, err := s.load(cmd.Context(), args, mapFile)
		if err != nil {
			return err
		}
		if len(runs) > 1 && dir == "" {
			return usagef("%d runs need a folder: -d FOLDER", len(runs))
		}
		form := forms()[as.word]
		var names []string
		for _, l := range runs {
			to := file
			if to == "" {
				to = filepath.Join(dir, fileName([]*loaded{l}, form.ending))
			}
			if slices.Contains(names, to) { // same unit, setup and run on two rigs
				to = filepath.Join(dir, l.run.Record.Rig+"_"+fileName([]*loaded{l}, form.ending))
			}
			if err := free(force, to); err != nil {
				return err
			}
			names = append(names, to)
			if dir != "" {
				if err := os.MkdirAll(dir, 0o755); err != nil {
					return fmt.Errorf("make folder: %w", err)
				}
			}
			readings, closer, err := l.open(cmd.Context())
			if err != nil {
				return err
			}
			err = s.writeFile(to, force, func(w io.Writer) error { return form.write(w, l.run, readings) })
			if err = errors.Join(err, closer()); err != nil {
				return err
			}
		}
		return nil
	}
	return cmd
}
