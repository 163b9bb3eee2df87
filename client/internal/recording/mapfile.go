package recording

import (
	"fmt"
	"os"

	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

// Map says what the columns of a recording are and what the run was. It is valid
// once Load or Parse has returned it; nothing changes it afterwards.
type Map struct {
	File     string
	Columns  Columns
	Channels []Channel // in the order of the map
	Layout   record.Layout
	Start    record.RunStart
	Rig      string
	// Load as the map states it, in seconds of the recording; nil: detected from
	// wall power.
	LoadStartS, LoadEndS *float64
}

// Columns says how the table is written.
type Columns struct {
	Time      string // header of the time column
	Format    string // seconds, milliseconds, minutes, hours or rfc3339
	Separator rune
	Comma     bool // the decimal sign is a comma
	Skip      int  // lines before the header
	UnitsRow  bool // the line after the header holds units
	Absent    map[string]record.Faults
}

// Channel is one column that is used.
type Channel struct {
	Name    string
	Column  string
	Factor  float64
	Shift   float64
	PerCode float64 // what one code is worth; zero: the code holds the value's bits
	EMF     bool    // the column is a thermocouple's raw EMF
	Cold    string  // column of its cold junction; empty: fixed or another channel
	// ColdFactor and ColdShift make degC of the cold-junction column.
	ColdFactor, ColdShift float64
	MinC                  float64 // a lower number is impossible; only for temperatures
}

// file is the map as written.
type file struct {
	Rig       string                                       `yaml:"rig"`
	Unit      string                                       `yaml:"unit"`
	Revision  string                                       `yaml:"revision"`
	Run       string                                       `yaml:"run"`
	Operator  string                                       `yaml:"operator"`
	Setup     setup                                        `yaml:"setup"`
	Time      timeColumn                                   `yaml:"time"`
	Separator string                                       `yaml:"separator"`
	Decimal   string                                       `yaml:"decimal"`
	Skip      int                                          `yaml:"skip"`
	UnitsRow  bool                                         `yaml:"units_row"`
	Absent    strictyaml.Words                             `yaml:"absent"`
	Load      load                                         `yaml:"load"`
	Channels  strictyaml.Table[channel]                    `yaml:"channels"`
	Limits    strictyaml.Listed[limit, strictyaml.Numbers] `yaml:"limits"`
	Ambient   []float64                                    `yaml:"ambient_band"`
	Reference *float64                                     `yaml:"reference_ambient"`
	Constants map[string]float64                           `yaml:"constants"`
}

type setup struct {
	Name       string            `yaml:"name"`
	Conditions map[string]string `yaml:"conditions"`
	MustMatch  []string          `yaml:"must_match"`
}

// FromScalar implements strictyaml.Shorthand.
func (s *setup) FromScalar(text string) error { s.Name = text; return nil }

type timeColumn struct {
	Column string `yaml:"column"`
	Format string `yaml:"format"`
}

// FromScalar implements strictyaml.Shorthand.
func (t *timeColumn) FromScalar(text string) error { t.Column = text; return nil }

type load struct {
	Planned *strictyaml.Seconds `yaml:"planned"`
	Start   *strictyaml.Seconds `yaml:"start"`
	End     *strictyaml.Seconds `yaml:"end"`
}

// FromScalar implements strictyaml.Shorthand.
func (l *load) FromScalar(text string) error {
	var planned strictyaml.Seconds
	if err := planned.UnmarshalText([]byte(text)); err != nil {
		return err
	}
	l.Planned = &planned
	return nil
}

type channel struct {
	Column      string    `yaml:"column"`
	Role        string    `yaml:"role"`
	Kind        string    `yaml:"kind"`
	Unit        string    `yaml:"unit"`
	Place       string    `yaml:"place"`
	Couple      string    `yaml:"couple"`
	Class       string    `yaml:"class"`
	Spool       string    `yaml:"spool"`
	Offset      float64   `yaml:"offset"`
	Checked     string    `yaml:"checked"`
	Accuracy    *accuracy `yaml:"accuracy"`
	Uncertainty *float64  `yaml:"uncertainty"`
	Cold        *cold     `yaml:"cold"`
}

type cold struct {
	Column  string   `yaml:"column"`
	Unit    string   `yaml:"unit"`
	Channel string   `yaml:"channel"`
	Fixed   *float64 `yaml:"fixed"`
}

// FromScalar implements strictyaml.Shorthand: a bare word is the column.
func (c *cold) FromScalar(text string) error { c.Column = text; return nil }

// limit is one limit in the list form.
type limit struct {
	Name     string             `yaml:"name"`
	Channel  string             `yaml:"channel"`
	Role     string             `yaml:"role"`
	Quantity string             `yaml:"quantity"`
	Bound    *float64           `yaml:"bound"`
	Below    bool               `yaml:"below"`
	Dwell    strictyaml.Seconds `yaml:"dwell"`
	Severity string             `yaml:"severity"`
	Phases   []string           `yaml:"phases"`
}

// Load reads a channel map. The error is strictyaml.Problems, or why the file can't
// be read.
func Load(path string) (*Map, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read channel map: %w", err)
	}
	return Parse(path, text)
}

// Parse is Load for text that has been read; path is for messages.
func Parse(path string, text []byte) (*Map, error) {
	doc, err := strictyaml.Parse(path, text)
	if err != nil {
		return nil, err
	}
	var f file
	doc.Decode(&f)
	c := &checker{doc: doc, f: &f, m: &Map{File: path}}
	c.check()
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return c.m, nil
}
