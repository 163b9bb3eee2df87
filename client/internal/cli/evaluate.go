package cli

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"soakrig/client/internal/archive"
	"soakrig/client/internal/recording"
	"soakrig/client/internal/report"
	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

const evaluateHelp = `Judge a recording offline by the same rules as a rig's runs: load, peak held 10 s,
rise, settling, power, room, probes, uncertainty, verdict. FILE is a CSV table with a
time column, read by a channel map, or a run file or folder of an archive.

A channel map (strict YAML; every problem is told at once, with its line):

  unit: carrier-7                    # what was soaked; all but time and channels is optional
  setup: {name: rated, conditions: {fans: stock}, must_match: [fans]}
  time: {column: t, format: seconds} # seconds, milliseconds, minutes, hours or rfc3339
  separator: ","                     # or ";", tab, "|";   decimal: "." or ","
  skip: 0                            # lines before the header;   units_row: true skips one after it
  absent: ["OL", "---"]              # words for 'no value'; {OL: open} also says which fault
  load: {planned: 60min}             # also start: 5min, end: 65min where nothing shows it
  channels:
    vr1: {column: T1, role: probe, unit: degC, couple: K, class: iec-1, place: behind phase 1}
    vr2: {column: T2, role: probe, unit: mV, couple: K, cold: {column: CJ}}  # raw EMF
    room: {column: T8, role: ambient, unit: degC, uncertainty: 0.5}          # k = 2
    wall: {column: P, role: supply, kind: power, unit: W, accuracy: "1% of reading + 0.5 W"}
    meter: {column: E, role: supply, kind: energy, unit: kWh}
  limits: {probe: 105, ambient: [21, 25]}   # or rise: 80, or one channel's name; or a list:
  # limits: [{name: hot, role: probe, quantity: value, bound: 105, dwell: 10s, severity: fail}]

Units: degC, degF, K; mV or uV with a couple; W, kW; J, kJ, Wh, kWh; V; A; Hz; kind:
other takes any word. Roles: probe, ambient, intake, exhaust, supply, reference, info.
An empty cell is an absent value. Times go on from row to row. Without a power channel
and without load.start the load is taken to run from the first row.

-o json is the run's whole result; --keys documents its keys.`

// evaluateCommand is soak evaluate.
func (s *session) evaluateCommand() *cobra.Command {
	var mapFile string
	var keys bool
	var limits, constants []string
	cmd := &cobra.Command{
		Use:   "evaluate FILE... [--map MAP]",
		Short: "Judge a recording or an archived run offline",
		Long:  evaluateHelp,
		Example: `  soak evaluate rec.csv --map map.yaml
  soak evaluate rec.csv --map map.yaml -o json | jq .peak.held_c
  soak evaluate archive/bench-1/carrier-7_rated_20260502-01.parquet --limit probe=100`,
	}
	out := addOutput(cmd)
	cmd.Flags().StringVarP(&mapFile, "map", "m", "", "channel map `FILE` for CSV recordings")
	cmd.Flags().BoolVar(&keys, "keys", false, "document the keys of -o json and the names of constants, then end")
	cmd.Flags().StringArrayVar(&limits, "limit", nil, "judge by `ROLE=BOUND`, CHANNEL=BOUND or rise=BOUND instead of the run's own limits; may be repeated")
	cmd.Flags().StringArrayVar(&constants, "constant", nil, "override a constant of the analysis, `NAME=VALUE`; may be repeated")
	cmd.RunE = func(_ *cobra.Command, files []string) error {
		if keys {
			return writeKeys(s.Stdout)
		}
		if len(files) == 0 {
			return usagef("want a recording: soak evaluate rec.csv --map map.yaml")
		}
		override, err := parseConstants(constants)
		if err != nil {
			return err
		}
		if files, err = expand(files); err != nil {
			return err
		}
		var results []*record.Result
		for _, file := range files {
			res, err := s.evaluate(file, mapFile, limits, override)
			if err != nil {
				return err
			}
			results = append(results, &res)
		}
		if err := s.printResults(results, out.word); err != nil {
			return err
		}
		return verdictExit(results...)
	}
	return cmd
}

// expand puts the run files of a folder in its place.
func expand(files []string) ([]string, error) {
	var out []string
	for _, file := range files {
		info, err := os.Stat(file)
		if err != nil || !info.IsDir() {
			out = append(out, file)
			continue
		}
		runs, err := fromArchives(file)
		if err != nil {
			return nil, err
		}
		for _, l := range runs {
			out = append(out, l.origin)
		}
	}
	return out, nil
}

// evaluate judges one file.
func (s *session) evaluate(file, mapFile string, limits []string, constants map[string]float64) (record.Result, error) {
	run, readings, closer, err := openFile(file, mapFile)
	if err != nil {
		return record.Result{}, err
	}
	override, err := parseLimits(limits, run.Channels())
	if err == nil {
		var res record.Result
		if res, err = archive.Evaluate(run, readings, override, constants); err == nil {
			return res, closer()
		}
	}
	var bad *recording.Problems
	if errors.As(err, &bad) {
		err = fmt.Errorf("the recording can't be judged:\n%w", err)
	}
	return record.Result{}, errors.Join(err, closer())
}

// openFile opens a run file or, with a map, a CSV recording.
func openFile(file, mapFile string) (run *archive.Run, readings archive.Readings, closer func() error, err error) {
	if strings.HasSuffix(file, ".parquet") {
		f, err := archive.Open(file)
		if err != nil {
			return nil, nil, nil, err
		}
		return &f.Run, f.Readings(), f.Close, nil
	}
	if mapFile == "" {
		return nil, nil, nil, usagef("%s is no run file, so it needs a channel map: --map map.yaml (soak evaluate --help shows one)", file)
	}
	m, err := recording.Load(mapFile)
	if err != nil {
		var problems strictyaml.Problems
		if errors.As(err, &problems) {
			err = &exitError{code: exitUsage, err: fmt.Errorf("the channel map is wrong:\n%w", err)}
		}
		return nil, nil, nil, err
	}
	rec, err := recording.Open(file, m)
	if err != nil {
		return nil, nil, nil, err
	}
	run, readings = archive.FromRecording(rec)
	return run, readings, rec.Close, nil
}

func parseConstants(list []string) (map[string]float64, error) {
	if len(list) == 0 {
		return nil, nil
	}
	out := map[string]float64{}
	for _, text := range list {
		name, value, ok := strings.Cut(text, "=")
		v, err := strconv.ParseFloat(value, 64)
		if !ok || err != nil {
			return nil, usagef("--constant %q: want NAME=VALUE, such as peak_hold_s=30", text)
		}
		out[name] = v
	}
	c := constants.Default()
	if err := c.Override(out); err != nil {
		return nil, &exitError{code: exitUsage, err: err}
	}
	return out, nil
}

// parseLimits reads --limit; nil: the run's own.
func parseLimits(list []string, channels []record.Channel) ([]record.Limit, error) {
	var out []record.Limit
	for _, text := range list {
		name, value, ok := strings.Cut(text, "=")
		bound, err := strconv.ParseFloat(value, 64)
		if !ok || err != nil {
			return nil, usagef("--limit %q: want ROLE=BOUND, CHANNEL=BOUND or rise=BOUND, such as probe=105", text)
		}
		l := record.Limit{Name: name, Quantity: "value", Bound: bound, Severity: "fail"}
		known := []string{"rise"}
		for _, r := range record.Roles() {
			known = append(known, string(r))
			if string(r) == name {
				l.Role = r
			}
		}
		for _, c := range channels {
			known = append(known, c.Name)
			if c.Name == name {
				l.Channel = name
			}
		}
		switch {
		case name == "rise":
			l.Role, l.Quantity = record.RoleProbe, "rise"
		case l.Role == "" && l.Channel == "":
			return nil, usagef("--limit %q: no role and no channel is called %q%s", text, name, strictyaml.Suggest(name, known))
		case l.Role != "":
			l.Channel = ""
		}
		out = append(out, l)
	}
	return out, nil
}

// printResults prints results in the form that -o names.
func (s *session) printResults(results []*record.Result, form string) error {
	switch form {
	case "json":
		if len(results) == 1 {
			return writeJSON(s.Stdout, results[0])
		}
		return writeJSON(s.Stdout, results)
	case "csv":
		return report.ResultTable(results).CSV(s.Stdout)
	}
	for i, r := range results {
		if i > 0 {
			fmt.Fprintln(s.Stdout)
		}
		if err := report.Text(s.Stdout, r); err != nil {
			return err
		}
	}
	return nil
}
