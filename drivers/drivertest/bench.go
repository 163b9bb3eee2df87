package drivertest

import (
	"bufio"
	"encoding/json"
	"errors"
	"os"
	"testing"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Open opens a source on ports for one test and closes it at its end.
func Open(t testing.TB, d *drivers.Driver, ports bus.Ports, src drivers.Source) drivers.Device {
	t.Helper()
	host := bus.NewHost(ports)
	dev, err := d.Open(t.Context(), host, fill(src))
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	t.Cleanup(func() {
		if err := errors.Join(dev.Close(), host.Close()); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return dev
}

// Refusal returns the error with which a driver refuses a source, and fails the
// test if it doesn't, or if the refusal leaves a port open.
func Refusal(t testing.TB, d *drivers.Driver, ports *Ports, src drivers.Source) error {
	t.Helper()
	host := bus.NewHost(ports)
	dev, err := d.Open(t.Context(), host, fill(src))
	if err == nil {
		t.Error("accepted")
		_ = dev.Close() // the test has failed already
	}
	if n := ports.Open(); n != 0 && err != nil {
		t.Errorf("%d ports left open by a refusal", n)
	}
	if err := host.Close(); err != nil {
		t.Error(err)
	}
	return err
}

// fill gives a source and its inputs empty options where they have none.
func fill(src drivers.Source) drivers.Source {
	if src.Options == nil {
		src.Options = Options("")
	}
	src.Inputs = append([]drivers.Input(nil), src.Inputs...)
	for i := range src.Inputs {
		if src.Inputs[i].Options == nil {
			src.Inputs[i].Options = Options("")
		}
	}
	return src
}

// Read reads once, with garbage in the readings before, and checks the contract.
func Read(t testing.TB, dev drivers.Device) []drivers.Reading {
	t.Helper()
	out := make([]drivers.Reading, len(dev.Converters()))
	garbage(out)
	if err := dev.Read(t.Context(), out); err != nil {
		t.Fatalf("read: %v", err)
	}
	if err := CheckReadings(out); err != nil {
		t.Fatalf("contract: %v", err)
	}
	return out
}

// Case is one line of a table of published cases: bytes as they stood on the wire,
// the options if they are not the defaults, what the bytes mean, and where that is said.
type Case struct {
	Chip, ID, Input, Source string
	Couple                  string // thermocouple letter; empty: the test's own
	SourceOptions           string `json:"source_options"`
	InputOptions            string `json:"input_options"`
	Expect                  map[string]any
}

// Says fails the test unless the reading's faults are those that the case expects under
// "says": their words joined with "+", "ok" for none. A case without it says nothing.
func (c Case) Says(t testing.TB, r drivers.Reading) {
	t.Helper()
	if want, said := c.Expect["says"].(string); said && r.Faults.String() != want {
		t.Errorf("%v (%v), the case says %s: %v", r.Faults, r.Cause, want, c.Source)
	}
}

// Apply gives a source the options and the letter of the case.
func (c Case) Apply(src drivers.Source) drivers.Source {
	src.Inputs = append([]drivers.Input(nil), src.Inputs...)
	in := &src.Inputs[0]
	if c.Couple != "" {
		in.Couple = c.Couple
	}
	if c.SourceOptions != "" {
		src.Options = Options(c.SourceOptions)
	}
	if c.InputOptions != "" {
		in.Options = Options(c.InputOptions)
	}
	return src
}

// Number returns a number that the case expects.
func (c Case) Number(key string) (float64, bool) { v, ok := c.Expect[key].(float64); return v, ok }

// Usable returns whether the case expects a value, and whether it says so at all.
func (c Case) Usable() (usable, said bool) { usable, said = c.Expect["usable"].(bool); return }

// Cases reads a table, one JSON object a line, and fails the test unless it has
// want lines that all name a source.
func Cases(t testing.TB, path string, want int) []Case {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []Case
	s := bufio.NewScanner(f)
	for s.Scan() {
		var c Case
		if err := json.Unmarshal(s.Bytes(), &c); err != nil {
			t.Fatalf("%s, line %d: %v", path, len(out)+1, err)
		}
		if c.Source == "" {
			t.Errorf("%s: case %s names no source", path, c.ID)
		}
		out = append(out, c)
	}
	if err := s.Err(); err != nil {
		t.Fatal(err)
	}
	if len(out) != want {
		t.Errorf("%s: %d cases, want %d", path, len(out), want)
	}
	return out
}
