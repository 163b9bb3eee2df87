package recording

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	"soakrig/daemon/analysis"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// Recording is an open table. One goroutine reads it once.
type Recording struct {
	m     *Map
	table *table
	conv  *convert.Table
	close func() error

	first  []cell
	firstS float64
	rows   int
}

// Reading is one cell that held a number or a word for a fault.
type Reading struct {
	AtS     float64 // the time column, in seconds; with RFC 3339 since the first row
	Channel int     // index into Map.Layout.Channels
	Raw     record.Raw
	Value   convert.Value
}

// Open opens a table and reads its header and first row; "-" is standard input.
// Close the recording after use.
func Open(path string, m *Map) (*Recording, error) {
	if path == "-" {
		return read("standard input", os.Stdin, func() error { return nil }, m)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read recording: %w", err)
	}
	r, err := read(path, f, f.Close, m)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return r, nil
}

func read(name string, from io.Reader, closer func() error, m *Map) (*Recording, error) {
	conv, err := convert.New(&m.Layout)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", m.File, err)
	}
	t, err := openTable(name, from, m)
	if err != nil {
		return nil, err
	}
	r := &Recording{m: m, table: t, conv: conv, close: closer, first: make([]cell, len(m.Channels))}
	if r.firstS, err = t.next(r.first); err != nil {
		return nil, err
	}
	return r, nil
}

// Close closes the file.
func (r *Recording) Close() error { return r.close() }

// Started is the wall time of run time zero; zero: the table does not say.
func (r *Recording) Started() time.Time { return r.table.zero }

// Rows is how many rows Each has read.
func (r *Recording) Rows() int { return r.rows }

// Map is the map it is read by.
func (r *Recording) Map() *Map { return r.m }

// Input is what analysis needs to know of the run.
func (r *Recording) Input() analysis.Input {
	in := analysis.Input{Rig: r.m.Rig, Start: r.m.Start, Started: r.table.zero, Settings: map[string]string{
		"source": "recording " + r.table.file, "time_format": r.m.Columns.Format,
	}}
	if r.table.noZone {
		in.Settings["time_zone"] = "not stated, read as UTC"
	}
	in.Channels = Channels(&r.m.Layout, r.conv)
	for i, ch := range r.m.Layout.Channels {
		in.Settings["column."+ch.Name] = strconv.Quote(r.m.Channels[i].Column)
	}
	return in
}

// Channels is a layout's channels as analysis sees them, with the uncertainty that
// conv states for each. Lines too small to matter are left out.
func Channels(l *record.Layout, conv *convert.Table) []analysis.Channel {
	const usualColdC, leastShare = 25, 1e-6
	out := make([]analysis.Channel, len(l.Channels))
	for i, ch := range l.Channels {
		out[i] = analysis.Channel{Name: ch.Name, Place: ch.Place, Unit: ch.Unit, Kind: ch.Kind, Role: ch.Role}
		probe := 50.0
		if ch.Kind != record.Temperature {
			probe = 1
		}
		stated := false
		for _, line := range conv.Budget(i, probe, usualColdC) {
			stated = stated || line.Name != "resolution"
		}
		if !stated {
			continue
		}
		out[i].Budget = func(value float64) []record.BudgetLine {
			var kept []record.BudgetLine
			for _, line := range conv.Budget(i, value, usualColdC) {
				if line.Share >= leastShare {
					kept = append(kept, line)
				}
			}
			return kept
		}
	}
	return out
}

// Each calls reading for every cell in order of time. An error is Problems when
// cells are bad; what was called before then must be thrown away.
func (r *Recording) Each(reading func(*Reading)) error {
	cells, atS := r.first, r.firstS
	var err error
	for ; err == nil; atS, err = r.table.next(cells) {
		r.rows++
		if err := r.row(cells, atS, reading); err != nil {
			return err
		}
	}
	if !errors.Is(err, io.EOF) {
		return err
	}
	return nil
}

// Marks are the load's start and end that the map states, in order of time.
func (r *Recording) Marks() []record.MarkResult {
	var marks []record.MarkResult
	if r.m.LoadStartS != nil {
		marks = append(marks, record.MarkResult{AtS: *r.m.LoadStartS, Text: analysis.MarkLoadStart, Author: "channel map"})
	}
	if r.m.LoadEndS != nil {
		marks = append(marks, record.MarkResult{AtS: *r.m.LoadEndS, Text: analysis.MarkLoadEnd, Author: "channel map"})
	}
	return marks
}

// row converts a row, cold junctions of other channels first.
func (r *Recording) row(cells []cell, atS float64, reading func(*Reading)) error {
	s := record.Sample{Layout: r.m.Layout.ID, Raw: make([]record.Raw, 1)}
	var out [1]convert.Value
	for _, external := range []bool{false, true} {
		for i := range cells {
			if cells[i].Absent || (r.m.Layout.Channels[i].Cold.From == "channel") != external {
				continue
			}
			s.Source, s.Raw[0] = uint16(i), cells[i].Raw
			if err := r.conv.Convert(&s, out[:]); err != nil {
				return fmt.Errorf("convert a row of %s: %w", r.table.file, err)
			}
			reading(&Reading{AtS: atS, Channel: i, Raw: cells[i].Raw, Value: out[0]})
		}
	}
	return nil
}
