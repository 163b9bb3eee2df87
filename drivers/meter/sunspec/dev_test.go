package sunspec

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// published is one line of testdata/meters/sunspec.jsonl; each names its source.
type published struct {
	ID, Request, Response string
	Expect                struct {
		Marker, End bool
		Model       int
		Length      int
		Next        int
		NextBase    []int `json:"next_base"`
		Points      map[string]float64
		Floats      map[string]float64 `json:"float_points"`
		Absent      []string
		Events      []string
		Error       string
	}
}

func cases(t *testing.T) map[string]published {
	t.Helper()
	f, err := os.Open("../../../testdata/meters/sunspec.jsonl")
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
	if len(out) != 12 {
		t.Errorf("%d cases, want 12", len(out))
	}
	return out
}

// body is what follows the byte count of a case's answer.
func (c published) body(t *testing.T) []byte {
	t.Helper()
	p, err := hex.DecodeString(c.Response)
	if err != nil || len(p) < 9 {
		t.Fatalf("%s: % x, %v", c.ID, p, err)
	}
	return p[9:]
}

// block is the meter model of a case from its ID on.
func (c published) block(t *testing.T) []byte {
	b := c.body(t)
	if c.Expect.Model == 211 {
		return append([]byte{0, 211, 0, 124}, b...)
	}
	return b
}

func TestPublishedBlocks(t *testing.T) {
	for id, c := range cases(t) {
		if c.Expect.Points == nil && c.Expect.Floats == nil {
			continue // about the chain: below
		}
		t.Run(id, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				want := c.Expect.Points
				if want == nil {
					want = c.Expect.Floats
				}
				var names []string
				for name := range want {
					names = append(names, name)
				}
				names = append(names, c.Expect.Absent...)
				d := open(t, chain(40000, 66, c.block(t)), "unit: 126", names...)
				out := make([]drivers.Reading, len(names))
				if err := d.Read(t.Context(), out); err != nil {
					t.Fatal(err)
				}
				if err := drivertest.CheckReadings(out); err != nil {
					t.Error(err)
				}
				for i, name := range names {
					v, ok := want[name]
					got := math.Float64frombits(uint64(out[i].Code))
					switch {
					case ok && (out[i].Faults != 0 || math.Abs(got-v) > 1e-6*math.Abs(v)):
						t.Errorf("%s = %v %v, want %v", name, got, out[i].Cause, v)
					case !ok && (out[i].Faults == 0 || out[i].Cause == nil):
						t.Errorf("%s = %v, want a fault", name, got)
					}
				}
				if c.Expect.Events != nil {
					_, evt, err := d.integers.value("Evt", d.buf[:])
					if got := events(uint32(evt)); err != nil || !slices.Equal(got, c.Expect.Events) {
						t.Errorf("events %v, %v; want %v", got, err, c.Expect.Events)
					}
					lines, err := d.Probe(t.Context())
					if err != nil || !strings.Contains(lines[len(lines)-1], c.Expect.Events[0]) {
						t.Errorf("probe: %q, %v", lines, err)
					}
				}
			})
		})
	}
}

func TestPublishedChain(t *testing.T) {
	all := cases(t)
	good := all["evt-bits"].block(t)
	t.Run("marker-absent", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			c := all["marker-absent"]
			g := chain(50000, 66, good)
			g.set(40000, c.body(t)...)
			d := open(t, g, "", "W")
			if err := d.Read(t.Context(), make([]drivers.Reading, 1)); err != nil {
				t.Fatal(err)
			}
			if want := append([]int{40000}, c.Expect.NextBase...); !slices.Equal(g.asked[:3], want) {
				t.Errorf("asked at %v, want %v", g.asked[:3], want)
			}
		})
	})
	t.Run("common-header-65", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			c := all["common-header-65"]
			g := chain(40000, uint16(c.Expect.Length), good)
			g.set(40002, c.body(t)...)
			d := open(t, g, "", "W")
			if err := d.Read(t.Context(), make([]drivers.Reading, 1)); err != nil || d.start != c.Expect.Next {
				t.Errorf("meter model at %d, %v; want %d", d.start, err, c.Expect.Next)
			}
		})
	})
	for _, id := range []string{"end-model", "end-quirk-exception"} {
		t.Run(id, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := newDevice()
				g.set(40000, []byte("SunS")...)
				g.header(40002, 1, 66)
				if id == "end-model" {
					g.set(40070, all[id].body(t)...)
				} else {
					g.end = 3
				}
				d := open(t, g, "", "W")
				var out [1]drivers.Reading
				if err := d.Read(t.Context(), out[:]); !errors.Is(err, errNoMeter) || out[0].Faults != drivers.NoChip {
					t.Errorf("%v, %v", err, out[0].Faults)
				}
			})
		})
	}
}

func TestBaseZeroCountsAndAMovedModelIsFoundAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		block := cases(t)["evt-bits"].block(t)
		g := chain(0, 66, block)
		d := open(t, g, "", "W", "PF")
		var out [2]drivers.Reading
		read := func() error { time.Sleep(2 * time.Minute); return d.Read(t.Context(), out[:]) }
		if err := read(); err != nil || d.start != 70 {
			t.Fatalf("model at %d, %v", d.start, err)
		}
		if pf := math.Float64frombits(uint64(out[1].Code)); math.Abs(pf-0.989) > 1e-9 {
			t.Errorf("power factor %v", pf)
		}
		asked := len(g.asked)
		if err := read(); err != nil || len(g.asked) != asked+1 {
			t.Errorf("a known model costs %d requests, %v", len(g.asked)-asked, err)
		}
		*g = *chain(0, 65, block) // an update of its firmware
		if err := read(); err == nil || out[0].Faults == 0 {
			t.Errorf("a moved model: %v, %v", err, out[0])
		}
		if err := read(); err != nil || d.start != 69 || out[0].Faults != 0 {
			t.Errorf("after the search: %v, %v", err, out[0].Faults)
		}
	})
}

func TestNoMarkerAndSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newDevice()
		d := open(t, g, "", "W")
		var out [1]drivers.Reading
		err := d.Read(t.Context(), out[:])
		if !errors.Is(err, errNoMarker) || out[0].Faults != drivers.NoChip || !strings.Contains(err.Error(), "126") {
			t.Errorf("no marker: %v, %v", err, out[0].Faults)
		}
		*g = *chain(40000, 66, cases(t)["evt-bits"].block(t))
		if err := d.Read(t.Context(), out[:]); err != nil || out[0].Faults != 0 {
			t.Errorf("a device that woke up: %v", err)
		}
		g.mu.Lock()
		g.mute = true
		g.mu.Unlock()
		if err := d.Read(t.Context(), out[:]); err == nil || out[0].Faults != drivers.Timeout || out[0].Has != 0 {
			t.Errorf("silence: %v, %+v", err, out[0])
		}
	})
}

func TestShortModelLacksItsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		block := slices.Clone(cases(t)["evt-bits"].block(t)[:2*(2+60)])
		block[3] = 60
		d := open(t, chain(40000, 66, block), "", "W", "Evt")
		var out [2]drivers.Reading
		if err := d.Read(t.Context(), out[:]); err != nil || out[0].Faults != 0 || out[1].Faults != drivers.DeviceError {
			t.Errorf("%v, %v, %v", err, out[0].Faults, out[1].Faults)
		}
	})
}

func TestPointsTable(t *testing.T) {
	integers, floats := layouts()
	if len(integers.points) != 72 || len(floats.points) != 62 {
		t.Errorf("%d and %d points, want 72 and 62", len(integers.points), len(floats.points))
	}
	for _, c := range []struct {
		l     layout
		name  string
		at    int
		scale string
	}{{integers, "W", 18, "W_SF"}, {integers, "TotWhImp", 46, "TotWh_SF"}, {integers, "Evt", 105, ""}, {floats, "W", 28, ""}, {floats, "TotWhImp", 68, ""}} {
		if p := c.l.points[c.name]; p.offset != c.at || p.scale != c.scale {
			t.Errorf("%s: %+v", c.name, p)
		}
	}
}

func TestBadOptions(t *testing.T) {
	host := bus.NewHost(newDevice().ports())
	for _, c := range []struct {
		opts, input string
		at          int
		key, text   string
		kind        drivers.Kind
	}{
		{"unit: 0", "point: W", -1, "unit", "1..247", 0},
		{"base: 70000", "point: W", -1, "base", "0..65533", 0},
		{"baud: -3", "point: W", -1, "baud", "9600", 0},
		{"", "", 0, "point", "TotWhImp", 0},
		{"", "point: W_SF", 0, "point", "TotWhImp", 0},
		{"", "point: W\nsign: 2", 0, "sign", "1 or -1", 0},
		{"", "point: V", 0, "point", "PhV", 0},
		{"", "point: PhV", 0, "point", "is in V", drivers.Power},
	} {
		src := source(c.opts, "W")
		src.Inputs[0].Options, src.Inputs[0].Kind = drivertest.Options(c.input), c.kind
		_, err := New(t.Context(), host, src)
		var bad *drivers.OptionError
		if !errors.As(err, &bad) || bad.Input != c.at || bad.Key != c.key || !strings.Contains(bad.Text, c.text) {
			t.Errorf("%q, %q: %v", c.opts, c.input, err)
		}
	}
}

func TestConformance(t *testing.T) {
	block := cases(t)["evt-bits"].block(t)
	drivertest.Conformance(t, &Driver, func(*testing.T) *drivertest.Rig {
		return &drivertest.Rig{
			Ports: chain(40000, 66, block).ports(), Source: source("", "W", "PhV", "TotWhImp"),
			Allocates: "each exchange registers a function that ends it with the context",
			NoBus:     "the fakes can't disturb a connection: package modbus and the tests above do",
		}
	})
}

func FuzzValue(f *testing.F) {
	f.Add([]byte{0, 201, 0, 105}, "W")
	f.Fuzz(func(t *testing.T, regs []byte, name string) {
		integers, floats := layouts()
		for _, l := range []layout{integers, floats} {
			if v, _, err := l.value(name, regs); err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
				t.Errorf("%s of % x is %v", name, regs, v)
			}
		}
	})
}

// TestScaleFactorsAndSentinels puts a number and its scale factor in a model 201 and
// wants the value, or a fault: by hand, raw times ten to the scale factor.
func TestScaleFactorsAndSentinels(t *testing.T) {
	const absent, out = drivers.DeviceError, drivers.OutOfRange
	for _, c := range []struct {
		point   string
		at      int // register of the raw number, and of its scale factor
		raw     []uint16
		scaleAt int
		scale   int16
		want    float64
		fault   drivers.Faults
	}{
		{"W", 18, []uint16{1987}, 22, -1, 198.7, 0},
		{"W", 18, []uint16{1987}, 22, 0, 1987, 0},
		{"W", 18, []uint16{1987}, 22, 3, 1987000, 0},
		{"W", 18, []uint16{0xFF38}, 22, 0, -200, 0},
		{"W", 18, []uint16{0}, 22, -1, 0, 0},
		{"W", 18, []uint16{0x8000}, 22, -1, 0, absent},
		{"W", 18, []uint16{0x8000}, 22, -32768, 0, absent},
		{"W", 18, []uint16{1987}, 22, -32768, 0, absent},
		{"W", 18, []uint16{0}, 22, -32768, 0, absent},
		{"W", 18, []uint16{1987}, 22, 11, 0, out},
		{"W", 18, []uint16{1987}, 22, -11, 0, out},
		{"W", 18, []uint16{1987}, 22, 32767, 0, out},
		{"W", 18, []uint16{1987}, 22, 10, 0, out},
		{"W", 18, []uint16{1}, 22, -10, 0, out},
		{"PhV", 7, []uint16{23010}, 15, -2, 230.1, 0},
		{"PhV", 7, []uint16{23010}, 15, 2, 0, out},
		{"Hz", 16, []uint16{5001}, 17, -2, 50.01, 0},
		{"A", 2, []uint16{873}, 6, -3, 0.873, 0},
		{"PF", 33, []uint16{989}, 37, -1, 0.989, 0},
		{"PF", 33, []uint16{0xFC23}, 37, -1, -0.989, 0},
		{"TotWhImp", 46, []uint16{0x0012, 0xD687}, 54, 0, 1234567 * 3600, 0},
		{"TotWhImp", 46, []uint16{0x0012, 0xD687}, 54, -1, 123456.7 * 3600, 0},
		{"TotWhImp", 46, []uint16{0xFFFF, 0xFFFF}, 54, 0, 4294967295 * 3600, 0},
		{"TotWhImp", 46, []uint16{0, 0}, 54, 0, 0, absent},
		{"TotWhImp", 46, []uint16{0, 1}, 54, -32768, 0, absent},
	} {
		synctest.Test(t, func(t *testing.T) {
			block := make([]byte, 2*107)
			put := func(at int, w uint16) { block[2*at], block[2*at+1] = byte(w>>8), byte(w) }
			put(0, 201)
			put(1, 105)
			for i, w := range c.raw {
				put(c.at+i, w)
			}
			put(c.scaleAt, uint16(c.scale))
			d := open(t, chain(40000, 66, block), "", c.point)
			var r [1]drivers.Reading
			d.Read(t.Context(), r[:])
			got := math.Float64frombits(uint64(r[0].Code)) * d.Converters()[0].PerCode
			if r[0].Faults != c.fault || c.fault == 0 && math.Abs(got-c.want) > 1e-9*math.Abs(c.want) {
				t.Errorf("%s = % x, scale factor %d: %v (%v, %v), want %v (%v)", c.point, c.raw, c.scale, got, r[0].Faults, r[0].Cause, c.want, c.fault)
			}
		})
	}
}
