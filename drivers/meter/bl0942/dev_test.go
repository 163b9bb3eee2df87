package bl0942

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// chip answers each request with the same bytes.
type chip struct {
	mu     sync.Mutex // guards answer
	answer []byte
}

func (g *chip) set(p []byte) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.answer = p
}

func (g *chip) serve(c net.Conn) {
	for {
		var q [2]byte
		if _, err := io.ReadFull(c, q[:]); err != nil || q != [2]byte{0x58, 0xAA} {
			return
		}
		g.mu.Lock()
		p := g.answer
		g.mu.Unlock()
		if _, err := c.Write(p); err != nil {
			return
		}
	}
}

func (g *chip) ports() *drivertest.Ports {
	p := drivertest.NewPorts()
	p.AddDial("isolated:2001", g.serve)
	return p
}

func source(opts string, fields ...string) drivers.Source {
	src := drivers.Source{Name: "wall", Every: time.Second, Port: "isolated", Options: drivertest.Options(opts)}
	for _, f := range fields {
		src.Inputs = append(src.Inputs, drivers.Input{Channel: f, Port: src.Port, Options: drivertest.Options("field: " + f)})
	}
	return src
}

func open(t *testing.T, g *chip, fields ...string) *Dev {
	t.Helper()
	d, err := New(t.Context(), bus.NewHost(g.ports()), source("", fields...))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

// published is one line of testdata/meters/bl0942-uart.jsonl; each names its source.
type published struct {
	ID, Response string
	Expect       struct {
		Error   string
		Voltage *int64   `json:"v_raw"`
		Current *int64   `json:"i_raw"`
		Watts   *int64   `json:"watt_raw"`
		Pulses  *int64   `json:"cf_cnt"`
		Hz      float64  `json:"freq_hz"`
		Volts   *float64 `json:"volts"`
	}
}

func cases(t *testing.T) map[string]published {
	t.Helper()
	f, err := os.Open("../../../testdata/meters/bl0942-uart.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := map[string]published{}
	for s := bufio.NewScanner(f); s.Scan(); {
		var c published
		if err := json.Unmarshal(s.Bytes(), &c); err != nil {
			t.Fatal(err)
		}
		out[c.ID] = c
	}
	if len(out) != 3 {
		t.Errorf("%d cases, want 3", len(out))
	}
	return out
}

func (c published) bytes(t *testing.T) []byte {
	t.Helper()
	p, err := hex.DecodeString(c.Response)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPublishedFrames(t *testing.T) {
	for id, c := range cases(t) {
		t.Run(id, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := open(t, &chip{answer: c.bytes(t)}, "voltage", "current", "power", "energy", "frequency")
				var out [5]drivers.Reading
				err := d.Read(t.Context(), out[:])
				if c.Expect.Error != "" {
					if !errors.Is(err, errChecksum) || out[0].Faults != drivers.Corrupt || out[0].Has != 0 {
						t.Errorf("%v, %+v", err, out[0])
					}
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				for i, want := range []*int64{c.Expect.Voltage, c.Expect.Current, c.Expect.Watts, c.Expect.Pulses} {
					if out[i].Faults != 0 || out[i].Code != *want {
						t.Errorf("%s: %+v, want %d", d.fields[i].name, out[i], *want)
					}
				}
				if hz := math.Float64frombits(uint64(out[4].Code)); math.Abs(hz-c.Expect.Hz) > 0.001 {
					t.Errorf("%v Hz, want %v", hz, c.Expect.Hz)
				}
				if c.Expect.Volts != nil {
					if v := float64(out[0].Code) * d.Converters()[0].PerCode; math.Abs(v-*c.Expect.Volts) > 0.01 {
						t.Errorf("%v V, want %v", v, *c.Expect.Volts)
					}
				}
			})
		})
	}
}

// summed puts the checksum behind 22 bytes.
func summed(p []byte) []byte {
	sum := byte(readCommand)
	for _, b := range p[:frameSize-1] {
		sum += b
	}
	p[frameSize-1] = ^sum
	return p
}

func TestSignsAndRanges(t *testing.T) {
	good := cases(t)["frame"].bytes(t)
	synctest.Test(t, func(t *testing.T) {
		g := &chip{answer: good}
		d := open(t, g, "power", "frequency", "voltage")
		for _, c := range []struct {
			name string
			edit func(p []byte)
			want [3]drivers.Faults
		}{
			{"export", func(p []byte) { p[10], p[11], p[12] = 0xFE, 0xFF, 0xFF }, [3]drivers.Faults{}},
			{"no mains", func(p []byte) { p[16], p[17] = 0, 0 }, [3]drivers.Faults{0, drivers.OutOfRange, 0}},
			{"400 Hz", func(p []byte) { p[16], p[17] = 0xC4, 0x09 }, [3]drivers.Faults{0, drivers.OutOfRange, 0}},
			{"absurd voltage", func(p []byte) { p[6] = 0xFF }, [3]drivers.Faults{0, 0, drivers.OutOfRange}},
		} {
			p := append([]byte(nil), good...)
			c.edit(p)
			g.set(summed(p))
			var out [3]drivers.Reading
			if err := d.Read(t.Context(), out[:]); err != nil {
				t.Fatal(err)
			}
			if err := drivertest.CheckReadings(out[:]); err != nil {
				t.Error(err)
			}
			if got := [3]drivers.Faults{out[0].Faults, out[1].Faults, out[2].Faults}; got != c.want {
				t.Errorf("%s: %v, want %v", c.name, got, c.want)
			}
			if c.name == "export" && out[0].Code != -2 {
				t.Errorf("power code %d, want -2", out[0].Code)
			}
		}
	})
}

func TestBrokenAnswersHeal(t *testing.T) {
	good := cases(t)["frame"].bytes(t)
	for name, c := range map[string]struct {
		answer []byte
		want   drivers.Faults
	}{
		"silence": {nil, drivers.Timeout},
		"cut":     {good[:10], drivers.Timeout},
		"shifted": {append([]byte{0}, good...), drivers.Corrupt},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := &chip{answer: c.answer}
				d := open(t, g, "power")
				var out [1]drivers.Reading
				if err := d.Read(t.Context(), out[:]); err == nil || out[0].Faults != c.want || !strings.Contains(err.Error(), "isolated") {
					t.Errorf("%v, %v", err, out[0].Faults)
				}
				g.set(good)
				if err := d.Read(t.Context(), out[:]); err != nil || out[0].Faults != 0 {
					t.Errorf("next read: %v", err)
				}
			})
		})
	}
}

func TestBadOptions(t *testing.T) {
	host := bus.NewHost((&chip{}).ports())
	for _, c := range []struct{ opts, field, key string }{
		{"shunt: 0", "power", "shunt"}, {"divider: .5", "power", "divider"}, {"baud: 300", "power", "baud"}, {"", "watts", "field"},
	} {
		_, err := New(t.Context(), host, source(c.opts, c.field))
		var bad *drivers.OptionError
		if !errors.As(err, &bad) || bad.Key != c.key {
			t.Errorf("%q, %q: %v", c.opts, c.field, err)
		}
	}
	src := source("", "power", "voltage")
	src.Inputs[1].Port = "other"
	if _, err := New(t.Context(), host, src); err == nil {
		t.Error("two chips in one source were accepted")
	}
	src = source("", "power")
	src.Inputs[0].Kind = drivers.Voltage
	if _, err := New(t.Context(), host, src); err == nil {
		t.Error("a wrong kind was accepted")
	}
}

func TestConformance(t *testing.T) {
	good := cases(t)["frame"].bytes(t)
	drivertest.Conformance(t, &Driver, func(*testing.T) *drivertest.Rig {
		return &drivertest.Rig{
			Ports: (&chip{answer: good}).ports(), Source: source("", "voltage", "power", "energy", "frequency"),
			Allocates: "each exchange registers a function that ends it with the context",
			NoBus:     "the fakes can't disturb a line: the tests above do",
		}
	})
}

func FuzzParse(f *testing.F) {
	f.Add(make([]byte, frameSize))
	f.Fuzz(func(t *testing.T, p []byte) {
		if x, err := parse(p); err == nil && (x.watts < -1<<23 || x.watts >= 1<<23 || x.pulses < 0 || x.pulses >= 1<<24) {
			t.Errorf("% x: %+v", p, x)
		}
	})
}
