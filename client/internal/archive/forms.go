package archive

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"soakrig/daemon/record"
)

// windowS is how far out of order readings of several sources may be; sources are
// stamped by themselves.
const windowS = 10

// WriteCSV writes a run wide, as RFC 4180: a row for each instant, a column for each
// channel with its unit in the head, and one with its fault. A cell is empty where
// there is no value. Rows are in order of time; readings of one instant share a row.
func WriteCSV(w io.Writer, run *Run, readings Readings) error {
	b := bufio.NewWriterSize(w, 1<<16)
	c := csv.NewWriter(b)
	c.UseCRLF = true
	wide := &wideRows{csv: c}
	for x, err := range readings {
		if err != nil {
			return err
		}
		if wide.columns == nil {
			if err := wide.head(run); err != nil {
				return err
			}
		}
		if err := wide.add(run, x); err != nil {
			return err
		}
	}
	if wide.columns == nil {
		return fmt.Errorf("run %s has no readings", run.Name())
	}
	if err := wide.flush(0); err != nil {
		return err
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return b.Flush()
}

// wideRows holds the rows of the last seconds, so that late readings find theirs.
type wideRows struct {
	csv     *csv.Writer
	columns map[string]int
	width   int
	rows    []wideRow // ascending by time
	newest  float64
}

type wideRow struct {
	atS   float64
	cells []string
}

func (w *wideRows) head(run *Run) error {
	w.columns = map[string]int{}
	head := []string{"at_s", "wall"}
	for _, c := range run.Channels() {
		w.columns[c.Name] = len(head)
		head = append(head, c.Name+" ["+c.Unit+"]", c.Name+" fault")
	}
	w.width = len(head)
	return w.write(head)
}

func (w *wideRows) write(cells []string) error {
	if err := w.csv.Write(cells); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func (w *wideRows) add(run *Run, x *Reading) error {
	at, ok := w.columns[run.Of(x).Name]
	if !ok {
		return nil // a channel that came with a later layout
	}
	i := sort.Search(len(w.rows), func(i int) bool { return w.rows[i].atS >= x.AtS })
	if i == len(w.rows) || w.rows[i].atS != x.AtS {
		cells := make([]string, w.width)
		cells[0] = number(x.AtS)
		if x.WallNS != 0 {
			cells[1] = time.Unix(0, x.WallNS).UTC().Format(time.RFC3339Nano)
		}
		w.rows = slices.Insert(w.rows, i, wideRow{x.AtS, cells})
	}
	if x.Faults != 0 {
		w.rows[i].cells[at+1] = x.Faults.String()
	} else {
		w.rows[i].cells[at] = number(x.Value)
	}
	if w.newest = max(w.newest, x.AtS); len(w.rows) > 4096 || len(w.rows) > 1 && w.rows[0].atS < w.newest-2*windowS {
		return w.flush(w.newest - windowS)
	}
	return nil
}

// flush writes the rows before a time; zero: all.
func (w *wideRows) flush(before float64) error {
	n := 0
	for ; n < len(w.rows) && (before == 0 || w.rows[n].atS < before); n++ {
		if err := w.write(w.rows[n].cells); err != nil {
			return err
		}
	}
	w.rows = slices.Delete(w.rows, 0, n)
	return nil
}

// jsonReading is a line of the JSON Lines form.
type jsonReading struct {
	Seq      uint64   `json:"seq,string"`
	AtS      float64  `json:"at_s"`
	Wall     string   `json:"wall,omitempty"`
	Channel  string   `json:"channel"`
	Unit     string   `json:"unit"`
	Value    *float64 `json:"value,omitempty"`
	Expanded *float64 `json:"expanded,omitempty"`
	Faults   []string `json:"faults,omitempty"`
	Code     *int64   `json:"code,omitempty"`
	Cold     *int64   `json:"cold_code,omitempty"`
	Chip     *int64   `json:"chip_code,omitempty"`
	EMFVolts *float64 `json:"emf_volts,omitempty"`
	ColdC    *float64 `json:"cold_c,omitempty"`
	ChipC    *float64 `json:"chip_c,omitempty"`
}

// WriteJSONL writes a line of JSON for each reading, then one with the run's record,
// result, layouts and events under the keys record, result, layouts, events.
func WriteJSONL(w io.Writer, run *Run, readings Readings) error {
	b := bufio.NewWriterSize(w, 1<<16)
	e := json.NewEncoder(b)
	e.SetEscapeHTML(false)
	for x, err := range readings {
		if err != nil {
			return err
		}
		r := toRow(run, x)
		line := jsonReading{Seq: r.Seq, AtS: r.AtS, Channel: r.Channel, Unit: run.Of(x).Unit, Value: r.Value, Expanded: r.Expanded,
			Faults: x.Faults.Words(), Code: r.Code, Cold: r.Cold, Chip: r.Chip, EMFVolts: r.EMFVolts, ColdC: r.ColdC, ChipC: r.ChipC}
		if x.WallNS != 0 {
			line.Wall = time.Unix(0, x.WallNS).UTC().Format(time.RFC3339Nano)
		}
		if err := e.Encode(&line); err != nil {
			return fmt.Errorf("write JSON Lines: %w", err)
		}
	}
	if err := e.Encode(map[string]any{"record": run.Record, "result": run.Result, "layouts": run.Layouts, "events": run.Events}); err != nil {
		return fmt.Errorf("write JSON Lines: %w", err)
	}
	return b.Flush()
}

// metric is the name and unit under which soakd's own metrics page shows a kind.
func metric(k record.Kind) (name, unit string) {
	switch k {
	case record.Temperature:
		return "soakrig_temperature_celsius", "celsius"
	case record.Power:
		return "soakrig_power_watts", "watts"
	case record.Energy:
		return "soakrig_energy_joules", "joules"
	case record.Voltage:
		return "soakrig_voltage_volts", "volts"
	case record.Current:
		return "soakrig_current_amperes", "amperes"
	case record.Frequency:
		return "soakrig_frequency_hertz", "hertz"
	}
	return "soakrig_other_reading", ""
}

// WriteOpenMetrics writes the good readings as OpenMetrics text with time stamps, for
// backfill into a Prometheus-compatible store. The names are those of soakd's metrics
// page; faults leave holes. OpenMetrics wants a series in one piece, so readings are
// held in memory: about 16 bytes each.
func WriteOpenMetrics(w io.Writer, run *Run, readings Readings) error {
	type point struct {
		wallNS int64
		value  float64
	}
	points := map[string][]point{}
	for x, err := range readings {
		if err != nil {
			return err
		}
		if x.WallNS == 0 {
			return fmt.Errorf("run %s has no wall times, so its readings can't be placed in a store; use times in RFC 3339", run.Name())
		}
		if x.Faults == 0 {
			c := run.Of(x).Name
			points[c] = append(points[c], point{x.WallNS, x.Value})
		}
	}
	b := bufio.NewWriterSize(w, 1<<16)
	for _, k := range record.Kinds() {
		name, unit := metric(k)
		headed := false
		for _, c := range run.Channels() {
			if c.Kind != k || len(points[c.Name]) == 0 {
				continue
			}
			if !headed {
				fmt.Fprintf(b, "# TYPE %s gauge\n", name)
				if unit != "" {
					fmt.Fprintf(b, "# UNIT %s %s\n", name, unit)
				}
				fmt.Fprintf(b, "# HELP %s Readings of soaks.\n", name)
				headed = true
			}
			labels := fmt.Sprintf(`{channel=%s,rig=%s,role=%s,run=%s,unit=%s}`, label(c.Name), label(run.Record.Rig), label(string(c.Role)),
				label(run.Record.Start.Run), label(run.Record.Start.Unit))
			series := points[c.Name]
			slices.SortStableFunc(series, func(a, b point) int { return int(min(max(a.wallNS-b.wallNS, -1), 1)) })
			for i, p := range series {
				if i > 0 && p.wallNS/1e6 == series[i-1].wallNS/1e6 { // stores count in milliseconds
					continue
				}
				fmt.Fprintf(b, "%s%s %s %d.%03d\n", name, labels, number(p.value), p.wallNS/1e9, p.wallNS/1e6%1000)
			}
		}
	}
	if _, err := io.WriteString(b, "# EOF\n"); err != nil {
		return fmt.Errorf("write OpenMetrics: %w", err)
	}
	return b.Flush()
}

func label(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`).Replace(s) + `"`
}

// number is a value in its shortest form that reads back the same.
func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
