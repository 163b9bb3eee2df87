package recording

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

// maxTold is how many problems of one table are told; the rest are counted.
const maxTold = 12

// Problems is what is wrong with a table: each line names the file, the line, the
// column and the cell.
type Problems struct {
	Lines []string
	More  int // further ones that are not listed
}

func (p *Problems) Error() string {
	text := strings.Join(p.Lines, "\n")
	if p.More > 0 {
		text += fmt.Sprintf("\nand %d more", p.More)
	}
	return text
}

func (p *Problems) addf(format string, args ...any) {
	if len(p.Lines) >= maxTold {
		p.More++
		return
	}
	p.Lines = append(p.Lines, fmt.Sprintf(format, args...))
}

func (p *Problems) err() error {
	if len(p.Lines) == 0 {
		return nil
	}
	return p
}

// table reads rows.
type table struct {
	file string
	m    *Map
	csv  *csv.Reader

	header []string
	timeAt int
	cellAt []int // by channel
	coldAt []int // by channel; -1: none

	zero     time.Time // of rfc3339 and long numbers: the first row's time
	noZone   bool      // times had no zone and were read as UTC
	lastS    float64
	lastLine int
	rows     int
	problems Problems
}

// cell is one reading of a row.
type cell struct {
	Channel int
	Raw     record.Raw
	Absent  bool // nothing is said about the channel in this row
}

// open reads up to and including the header.
func openTable(file string, r io.Reader, m *Map) (*table, error) {
	b := bufio.NewReaderSize(r, 1<<16)
	if bom, _ := b.Peek(3); string(bom) == "\xef\xbb\xbf" {
		_, _ = b.Discard(3)
	} else if len(bom) >= 2 && (bom[0] == 0xff && bom[1] == 0xfe || bom[0] == 0xfe && bom[1] == 0xff) {
		return nil, fmt.Errorf("%s is UTF-16: save it as UTF-8", file)
	}
	for i := range m.Columns.Skip {
		if _, err := b.ReadString('\n'); err != nil {
			return nil, fmt.Errorf("%s has only %d lines, and the map says skip: %d", file, i+1, m.Columns.Skip)
		}
	}
	t := &table{file: file, m: m, csv: csv.NewReader(b), lastS: math.Inf(-1)}
	t.csv.Comma = m.Columns.Separator
	t.csv.FieldsPerRecord = -1
	t.csv.ReuseRecord = true
	header, err := t.csv.Read()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s is empty: want a header line with the names of the columns", file)
	}
	if err != nil {
		return nil, t.readError(err)
	}
	for _, h := range header {
		if !utf8.ValidString(h) || strings.ContainsRune(h, 0) {
			return nil, fmt.Errorf("%s:%d: the header is not UTF-8 text: want a CSV table; unpack or convert it first", file, t.line())
		}
		t.header = append(t.header, strings.TrimSpace(h))
	}
	if err := t.separated(); err != nil {
		return nil, err
	}
	return t, t.find()
}

// separated refuses a header that another separator would divide.
func (t *table) separated() error {
	if len(t.header) != 1 {
		return nil
	}
	for _, sep := range []string{";", "\t", ",", "|"} {
		if n := strings.Count(t.header[0], sep); n > 0 {
			return fmt.Errorf("%s:%d: the header is one column with %d times %q in it: say separator: %q in the map", t.file, t.line(), n, sep, sep)
		}
	}
	return nil
}

// find matches the map's columns with the header.
func (t *table) find() error {
	at := map[string]int{}
	for i, h := range t.header {
		if j, twice := at[h]; twice && t.wanted(h) {
			t.problems.addf("%s:%d: columns %d and %d are both called %q: rename one", t.file, t.line(), j+1, i+1, h)
		}
		at[h] = i
	}
	look := func(key, column string) int {
		i, ok := at[strings.TrimSpace(column)]
		if !ok {
			t.problems.addf("%s: %s: the table %s has no column %q%s", t.m.File, key, t.file, column, strictyaml.Suggest(column, t.header))
		}
		return i
	}
	t.timeAt = look("time.column", t.m.Columns.Time)
	for _, c := range t.m.Channels {
		t.cellAt = append(t.cellAt, look("channels."+c.Name+".column", c.Column))
		cold := -1
		if c.Cold != "" {
			cold = look("channels."+c.Name+".cold.column", c.Cold)
		}
		t.coldAt = append(t.coldAt, cold)
	}
	if err := t.problems.err(); err != nil {
		return err
	}
	if t.m.Columns.UnitsRow {
		if _, err := t.csv.Read(); err != nil && !errors.Is(err, io.EOF) {
			return t.readError(err)
		}
	}
	return nil
}

func (t *table) wanted(column string) bool {
	if column == t.m.Columns.Time {
		return true
	}
	for _, c := range t.m.Channels {
		if c.Column == column || c.Cold == column {
			return true
		}
	}
	return false
}

// line is the line of the file that the row at hand begins at.
func (t *table) line() int {
	line, _ := t.csv.FieldPos(0)
	return line + t.m.Columns.Skip
}

func (t *table) readError(err error) error {
	var parse *csv.ParseError
	if errors.As(err, &parse) {
		return fmt.Errorf("%s:%d:%d: this line is not CSV: %w; a quote inside a field is written twice", t.file, parse.Line+t.m.Columns.Skip, parse.Column, parse.Err)
	}
	return fmt.Errorf("read %s: %w", t.file, err)
}

// next gives a row: its time in seconds of the recording and one cell for each
// channel. Bad cells are collected and end the reading at the end of the table;
// io.EOF: there are no more rows.
func (t *table) next(cells []cell) (atS float64, err error) {
	for {
		row, err := t.csv.Read()
		if errors.Is(err, io.EOF) {
			if err := t.problems.err(); err != nil {
				return 0, err
			}
			if t.rows == 0 {
				return 0, fmt.Errorf("%s has a header but no rows", t.file)
			}
			return 0, io.EOF
		}
		if err != nil {
			return 0, t.readError(err)
		}
		if blank(row) {
			continue
		}
		t.rows++
		if len(row) != len(t.header) {
			t.problems.addf("%s:%d: has %d fields, the header has %d%s", t.file, t.line(), len(row), len(t.header), t.fieldsHint(len(row)))
			continue
		}
		atS, ok := t.time(row[t.timeAt])
		if ok {
			ok = t.cells(row, cells)
		}
		if ok && len(t.problems.Lines) == 0 {
			return atS, nil
		}
	}
}

func (t *table) fieldsHint(n int) string {
	if !t.m.Columns.Comma && t.m.Columns.Separator == ',' && n > len(t.header) {
		return `; if the decimal sign is a comma, say decimal: "," and separator in the map`
	}
	return ""
}

func blank(row []string) bool {
	for _, f := range row {
		if strings.TrimSpace(f) != "" {
			return false
		}
	}
	return true
}

// time reads the time of a row and checks that it goes on.
func (t *table) time(text string) (float64, bool) {
	text = strings.TrimSpace(text)
	name := t.m.Columns.Time
	var s float64
	if t.m.Columns.Format == "rfc3339" {
		at, zoned, err := parseTime(text)
		if err != nil {
			t.problems.addf("%s:%d: column %q: %q is no RFC 3339 time such as 2026-05-02T08:00:00Z", t.file, t.line(), name, text)
			return 0, false
		}
		t.noZone = t.noZone || !zoned
		if t.zero.IsZero() {
			t.zero = at
		}
		s = at.Sub(t.zero).Seconds()
	} else {
		v, err := number(text, t.m.Columns.Comma)
		if err != nil {
			hint := ""
			if _, _, isTime := parseTime(text); isTime == nil {
				hint = ": say time: {column: ..., format: rfc3339}"
			}
			t.problems.addf("%s:%d: column %q: %q is no number of %s%s", t.file, t.line(), name, text, t.m.Columns.Format, hint)
			return 0, false
		}
		s = v * map[string]float64{"seconds": 1, "milliseconds": 1e-3, "minutes": 60, "hours": 3600}[t.m.Columns.Format]
	}
	if s <= t.lastS {
		what := "is the same as in"
		if s < t.lastS {
			what = "is before"
		}
		t.problems.addf("%s:%d: column %q: the time %q %s line %d; rows must be in order of time, one row for each instant",
			t.file, t.line(), name, text, what, t.lastLine)
		return 0, false
	}
	t.lastS, t.lastLine = s, t.line()
	return s, true
}

// parseTime reads RFC 3339, also with a space for the T and without a zone.
func parseTime(text string) (at time.Time, zoned bool, err error) {
	text = strings.Replace(text, " ", "T", 1)
	if at, err = time.Parse(time.RFC3339Nano, text); err == nil {
		return at, true, nil
	}
	at, err = time.Parse("2006-01-02T15:04:05", text)
	return at, false, err
}

// cells reads the channels of a row.
func (t *table) cells(row []string, cells []cell) bool {
	ok := true
	for i := range t.m.Channels {
		c := &t.m.Channels[i]
		cells[i] = cell{Channel: i}
		v, absent, fault, good := t.value(row[t.cellAt[i]], c.Column)
		ok = ok && good
		cells[i].Absent = absent
		cells[i].Raw.Faults = fault
		if absent || fault != 0 || !good {
			continue
		}
		v = v*c.Factor + c.Shift
		if v < c.MinC {
			t.problems.addf("%s:%d: column %q: %q is below absolute zero; if the instrument writes it for 'no value', list it under absent in the map",
				t.file, t.line(), c.Column, strings.TrimSpace(row[t.cellAt[i]]))
			ok = false
			continue
		}
		if c.EMF {
			ok = t.emf(&cells[i], c, v, i, row) && ok
			continue
		}
		cells[i].Raw.Has, cells[i].Raw.Code = record.HasCode, int64(math.Float64bits(v))
		if c.PerCode != 0 {
			cells[i].Raw.Code = int64(math.Round(v / c.PerCode))
		}
	}
	return ok
}

// emf sets the codes of a raw EMF and its cold junction.
func (t *table) emf(to *cell, c *Channel, volts float64, i int, row []string) bool {
	if math.Abs(volts) > 1 {
		t.problems.addf("%s:%d: column %q: %g V is no thermocouple's EMF; is the unit right?", t.file, t.line(), c.Column, volts)
		return false
	}
	to.Raw.Has, to.Raw.Code = record.HasCode, int64(math.Round(volts/emfVoltsPerCode))
	if t.coldAt[i] < 0 {
		return true
	}
	v, absent, fault, good := t.value(row[t.coldAt[i]], c.Cold)
	if !good {
		return false
	}
	if absent || fault != 0 { // an EMF without its cold junction is no temperature
		to.Raw.Faults = record.ColdJunctionFault | fault
		return true
	}
	coldC := v*c.ColdFactor + c.ColdShift
	if coldC < -100 || coldC > 200 {
		t.problems.addf("%s:%d: column %q: a cold junction at %.4g degC is not plausible; is the unit right?", t.file, t.line(), c.Cold, coldC)
		return false
	}
	to.Raw.Has |= record.HasCold
	to.Raw.Cold = int64(math.Round(coldC / coldCPerCode))
	return true
}

// value reads one cell; good is false after a problem was noted.
func (t *table) value(text, column string) (v float64, absent bool, fault record.Faults, good bool) {
	text = strings.TrimSpace(text)
	if f, ok := t.m.Columns.Absent[text]; ok {
		return 0, false, f, true
	}
	if text == "" {
		return 0, true, 0, true
	}
	v, err := number(text, t.m.Columns.Comma)
	if err != nil {
		t.problems.addf("%s:%d: column %q: %s %v", t.file, t.line(), column, strconv.Quote(text), err)
		return 0, false, 0, false
	}
	for word, f := range t.m.Columns.Absent { // "-999" also stands for -999.0
		if w, err := number(word, t.m.Columns.Comma); err == nil && w == v {
			return 0, false, f, true
		}
	}
	return v, false, 0, true
}
