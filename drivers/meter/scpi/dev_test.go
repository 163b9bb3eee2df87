package scpi

import (
	"bufio"
	"errors"
	"io"
	"math"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// instrument answers queries from a table; what is not in it stays unanswered.
type instrument map[string]string

func (g instrument) serve(c io.ReadWriter) {
	for r := bufio.NewReader(c); ; {
		q, err := r.ReadString('\n')
		if err != nil {
			return
		}
		if _, err := io.WriteString(c, g[strings.TrimSpace(q)]); err != nil {
			return
		}
	}
}

func (g instrument) ports() *drivertest.Ports {
	p := drivertest.NewPorts()
	p.AddDial("analyser:5025", func(c net.Conn) { g.serve(c) })
	return p
}

func source(opts string, inputs ...string) drivers.Source {
	src := drivers.Source{Name: "wall", Every: time.Second, Port: "analyser", Options: drivertest.Options(opts)}
	for _, text := range inputs {
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "c", Port: src.Port, Options: drivertest.Options(text)})
	}
	return src
}

func list() instrument {
	return instrument{
		":NUM:NORM:VAL?": "230.10E+00,0.8733E+00,198.70E+00\n",
		"FETC:ENER?":     "1.25\r\n",
		"*IDN?":          "Invented,PA-1,007,1.0\n",
		"SYST:ERR?":      "0,\"No error\"\n",
	}
}

const (
	volts  = "{query: ':NUM:NORM:VAL?', unit: V}"
	watts  = "{query: ':NUM:NORM:VAL?', item: 3, unit: W, range: [-10, 3000]}"
	energy = "{query: 'FETC:ENER?', unit: Wh, scale: 10}"
)

func value64(c drivers.Converter, r drivers.Reading) float64 {
	return math.Float64frombits(uint64(r.Code))*c.PerCode + c.Offset
}

func TestReadsListsAndScales(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, err := New(t.Context(), bus.NewHost(list().ports()), source("", volts, watts, energy))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		var out [3]drivers.Reading
		if err := d.Read(t.Context(), out[:]); err != nil {
			t.Fatal(err)
		}
		for i, want := range []float64{230.1, 198.7, 12.5 * 3600} {
			if got := value64(d.Converters()[i], out[i]); out[i].Faults != 0 || math.Abs(got-want) > 1e-9*want {
				t.Errorf("input %d: %v (%v), want %v", i, got, out[i].Cause, want)
			}
		}
		if len(d.queries) != 2 {
			t.Errorf("%d queries for two answers", len(d.queries))
		}
	})
}

func TestWhatIsNoNumberIsAFault(t *testing.T) {
	for answer, want := range map[string]drivers.Faults{
		"9.9E37\n": drivers.OutOfRange, "-9.9E37\n": drivers.OutOfRange, "9.91E37\n": drivers.OutOfRange, "NAN\n": drivers.OutOfRange,
		"5000\n": drivers.OutOfRange, "-20\n": drivers.OutOfRange, "hello\n": drivers.Corrupt, "\n": drivers.Corrupt,
		"1\xfe\n": drivers.Corrupt, "1\n2\n": drivers.Corrupt, "+1.98": drivers.Timeout, "": drivers.Timeout,
		"198.7\n": 0, "POW 198.7\r\n": 0,
	} {
		synctest.Test(t, func(t *testing.T) {
			g := instrument{"MEAS:POW?": answer}
			d, err := New(t.Context(), bus.NewHost(g.ports()), source("", "{query: 'MEAS:POW?', unit: W, range: [-10, 3000]}"))
			if err != nil {
				t.Fatal(err)
			}
			defer d.Close()
			var out [1]drivers.Reading
			d.Read(t.Context(), out[:])
			if out[0].Faults != want {
				t.Errorf("%q: %v (%v), want %v", answer, out[0].Faults, out[0].Cause, want)
			}
			if err := drivertest.CheckReadings(out[:]); err != nil {
				t.Errorf("%q: %v", answer, err)
			}
			if want != 0 && !strings.Contains(out[0].Cause.Error(), "analyser: MEAS:POW?") {
				t.Errorf("%q: cause %v does not name the place", answer, out[0].Cause)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) {
		d, err := New(t.Context(), bus.NewHost(list().ports()), source("", "{query: 'FETC:ENER?', item: 4, unit: V}", volts))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		var out [2]drivers.Reading
		if err := d.Read(t.Context(), out[:]); err != nil || out[0].Faults != drivers.Corrupt || out[1].Faults != 0 {
			t.Errorf("%v, %v, %v", err, out[0].Faults, out[1].Faults)
		}
	})
}

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := list()
		d, err := New(t.Context(), bus.NewHost(g.ports()), source("identity: PA-2", volts))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		lines, err := d.Probe(t.Context())
		if err != nil || len(lines) != 2 || !strings.Contains(lines[0], "007") || !strings.Contains(lines[1], "PA-2") {
			t.Errorf("%q, %v", lines, err)
		}
		g["SYST:ERR?"] = "-410,\"Query INTERRUPTED\"\n"
		if lines, err = d.Probe(t.Context()); err != nil || len(lines) != 34 || !strings.Contains(lines[33], "somebody else") {
			t.Errorf("%d lines, %v", len(lines), err)
		}
	})
}

func TestBadOptions(t *testing.T) {
	host := bus.NewHost(list().ports())
	for _, c := range []struct {
		opts, input string
		at          int
		key, text   string
	}{
		{"end: cr", volts, -1, "end", "lf or crlf"},
		{"timeout: 2h", volts, -1, "timeout", "1m"},
		{"baud: 0", volts, -1, "baud", "9600"},
		{"parity: even", volts, -1, "parity", "N, E or O"},
		{"data_bits: 9", volts, -1, "data_bits", "7 or 8"},
		{"stop_bits: 7", volts, -1, "stop_bits", "1 or 2"},
		{"", "{unit: V}", 0, "query", "required"},
		{"", "{query: '*RST', unit: V}", 0, "query", "not a query"},
		{"", "{query: 'MEAS?'}", 0, "unit", "required"},
		{"", "{query: 'MEAS?', unit: V, item: 0}", 0, "item", "from 1"},
		{"", "{query: 'MEAS?', unit: V, scale: 0}", 0, "scale", "not 0"},
		{"", "{query: 'MEAS?', unit: V, range: [1]}", 0, "range", "lowest"},
		{"", "{query: 'MEAS?', unit: W}", 0, "range", "required"},
	} {
		_, err := New(t.Context(), host, source(c.opts, c.input))
		var bad *drivers.OptionError
		if !errors.As(err, &bad) || bad.Input != c.at || bad.Key != c.key || !strings.Contains(bad.Text, c.text) {
			t.Errorf("%q, %q: %v", c.opts, c.input, err)
		}
	}
	src := source("", volts)
	src.Inputs[0].Kind = drivers.Power
	if _, err := New(t.Context(), host, src); err == nil || !strings.Contains(err.Error(), "unit") {
		t.Errorf("wrong kind: %v", err)
	}
	src = source("", volts, watts)
	src.Inputs[1].Port = "other"
	if _, err := New(t.Context(), host, src); err == nil || !strings.Contains(err.Error(), "second source") {
		t.Errorf("two instruments: %v", err)
	}
	src = source("", volts)
	src.Port, src.Inputs[0].Port = "ttyS0", "ttyS0"
	if _, err := New(t.Context(), host, src); err == nil || !strings.Contains(err.Error(), "/dev/") {
		t.Errorf("port: %v", err)
	}
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(*testing.T) *drivertest.Rig {
		return &drivertest.Rig{
			Ports: list().ports(), Source: source("", volts, watts, energy),
			Allocates: "answers are text",
			NoBus:     "the fakes can't disturb a connection: package bus/scpi and the tests above do",
		}
	})
}

// TestAnswersOfAllForms: what an instrument may send for one value, and what must come.
func TestAnswersOfAllForms(t *testing.T) {
	const corrupt, none = drivers.Corrupt, drivers.OutOfRange
	for _, c := range []struct {
		input, answer string
		want          float64
		fault         drivers.Faults
	}{
		{"unit: W, range: [-10, 3000]", "198.7W", 198.7, 0},
		{"unit: W, range: [-10, 3000]", "198.7 W", 198.7, 0},
		{"unit: W, range: [-10, 3000]", "0.1987 kW", 0, corrupt},
		{"unit: kW, range: [-10, 3]", "0.1987 kW", 198.7, 0},
		{"unit: W, range: [-10, 3000]", "198.7 VA", 0, corrupt},
		{"unit: mW, range: [-10, 3e6]", "198.7 MW", 0, corrupt},
		{"unit: W, range: [-10, 3000]", "+1.98700E+02", 198.7, 0},
		{"unit: W, range: [-10, 3000]", "1.98700E+02W", 198.7, 0},
		{"unit: W, range: [-10, 3000]", "198,7", 0, corrupt},
		{"unit: W, range: [-10, 3000]", "1,98700E+02", 0, corrupt},
		{"unit: W, range: [-10, 3000], items: 2", "198,7", 198, 0},
		{"unit: W, range: [-10, 3000], items: 3", "198.7,1.0", 0, corrupt},
		{"unit: W, range: [-10, 3000], items: 3, item: 2", "230.1,198.7,0.9", 198.7, 0},
		{"unit: W, range: [-10, 3000], item: 4", "230.1,198.7,0.9", 0, corrupt},
		{"unit: W, range: [-10, 3000], item: 2", "230.1,,0.9", 0, corrupt},
		{"unit: W, range: [-10, 3000], item: 2", "230.1,9.9E37,0.9", 0, none},
		{"unit: W, range: [-10, 3000], item: 3", "9.91E37,9.9E37,198.7", 198.7, 0},
		{"unit: A", "9.9E37", 0, none}, {"unit: A", "-9.900000E+37", 0, none}, {"unit: A", "9.91E+37", 0, none},
		{"unit: A", "9.9E36", 0, none}, {"unit: V", "1E+12", 0, none}, {"unit: Hz", "-1", 0, none},
		{"unit: A", "1E400", 0, none}, {"unit: A", "+INF", 0, none}, {"unit: A", "-inf", 0, none}, {"unit: A", "nan", 0, none},
		{"unit: A", "----", 0, corrupt}, {"unit: A", "OVLD", 0, corrupt}, {"unit: A", "0x10", 0, corrupt}, {"unit: A", "1_0", 0, corrupt},
		{"unit: A", "1.2.3", 0, corrupt}, {"unit: A", "1 2", 0, corrupt}, {"unit: A", "1;2", 0, corrupt}, {"unit: A", "\"1.0\"", 0, corrupt},
		{"unit: A", "#H1F", 0, corrupt}, {"unit: A", "A", 0, corrupt}, {"unit: A", "1.0EA", 0, corrupt},
		{"unit: A, scale: 10", "0.5", 5, 0}, {"unit: A, scale: -1", "0.5", -0.5, 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			g := instrument{"Q?": c.answer + "\n"}
			d, err := New(t.Context(), bus.NewHost(g.ports()), source("", "{query: 'Q?', "+c.input+"}"))
			if err != nil {
				t.Fatalf("%s: %v", c.input, err)
			}
			defer d.Close()
			var out [1]drivers.Reading
			d.Read(t.Context(), out[:])
			if out[0].Faults != c.fault {
				t.Errorf("{%s} %q: %v (%v), want %v", c.input, c.answer, out[0].Faults, out[0].Cause, c.fault)
			}
			if got := value64(d.Converters()[0], out[0]); c.fault == 0 && math.Abs(got-c.want) > 1e-9 {
				t.Errorf("{%s} %q: %v, want %v", c.input, c.answer, got, c.want)
			}
		})
	}
}
