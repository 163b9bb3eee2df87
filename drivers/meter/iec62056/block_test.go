package iec62056

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"errors"
	"math"
	"os"
	"strings"
	"testing"
	"testing/synctest"

	"soakrig/drivers"
)

// published is one line of testdata/meters/iec62056-21.jsonl; each names its source.
type published struct {
	ID, Request, Response string
	Expect                struct {
		Maker string `json:"manufacturer"`
		Char  string `json:"baud_char"`
		Baud  int
		Ident string
		MinMS int `json:"min_reaction_ms"`
		Error string
		BCC   string
		From  int
		// address: [number, unit]
		Values map[string][2]any
	}
}

func TestPublishedReadouts(t *testing.T) {
	f, err := os.Open("../../../testdata/meters/iec62056-21.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	ran := 0
	for s := bufio.NewScanner(f); s.Scan(); ran++ {
		var c published
		if err := json.Unmarshal(s.Bytes(), &c); err != nil {
			t.Fatal(err)
		}
		t.Run(c.ID, func(t *testing.T) {
			response, err := hex.DecodeString(c.Response)
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case c.Expect.Maker != "":
				publishedIdent(t, c, string(response))
			case c.Expect.BCC != "":
				if got := hex.EncodeToString([]byte{bcc(response[c.Expect.From : len(response)-1])}); got != c.Expect.BCC {
					t.Errorf("block check %s, want %s", got, c.Expect.BCC)
				}
			default:
				publishedBlock(t, c, response)
			}
		})
	}
	if ran != 10 {
		t.Errorf("%d cases, want 10", ran)
	}
}

func publishedIdent(t *testing.T, c published, response string) {
	id, err := parseIdent(strings.TrimSpace(response))
	if err != nil {
		t.Fatal(err)
	}
	speed, ok := baud(id.speed)
	if id.maker != c.Expect.Maker || string(id.speed) != c.Expect.Char || !ok || speed != c.Expect.Baud || id.text != c.Expect.Ident || id.reactionMS() != c.Expect.MinMS {
		t.Errorf("%+v, %d baud, %d ms", id, speed, id.reactionMS())
	}
}

// publishedBlock runs a block through the whole driver, and its lines through the parser.
func publishedBlock(t *testing.T, c published, response []byte) {
	synctest.Test(t, func(t *testing.T) {
		m := &meter{behaviour: behaviour{ident: "/Inv5X", block: string(response)}}
		d := open(t, m.ports(), source("", energyIn))
		var out [1]drivers.Reading
		err := d.Read(t.Context(), out[:])
		want := map[string]error{"bcc": errBCC, "timeout": errTimeout}[c.Expect.Error]
		if c.Expect.Error != "" {
			if want == nil || !errors.Is(err, want) || out[0].Faults == 0 || out[0].Has != 0 {
				t.Errorf("%v, %+v; want %s", err, out[0], c.Expect.Error)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		text, err := checkBlock(response)
		if err != nil {
			t.Fatal(err)
		}
		lines := parseLines(text)
		for address, v := range c.Expect.Values {
			got, ok := lines[address]
			if !ok || math.Abs(got.number-v[0].(float64)) > 1e-9 || got.unit != v[1] {
				t.Errorf("%s: %+v, want %v", address, got, v)
			}
		}
	})
}

func TestFind(t *testing.T) {
	lines := parseLines([]byte("1-0:1.8.0*255(1*kWh)\r\n1-0:2.8.0(2*kWh)\r\n1-1:2.8.0(3*kWh)\r\n16.7.0(4*kW)\r\n1-0:0.9.1(12:30)\r\nF.F(00000000)\r\n0.2.0(v1)\r\n"))
	for address, want := range map[string]float64{"1.8.0": 1, "1-0:1.8.0*255": 1, "1-0:2.8.0": 2, "1-1:2.8.0": 3, "16.7.0": 4, "1-0:16.7.0": 4} {
		if v, err := find(lines, address); err != nil || v.number != want {
			t.Errorf("%s: %+v, %v", address, v, err)
		}
	}
	for _, address := range []string{"2.8.0", "1-2:2.8.0", "9.9.9", "0.9.1"} {
		if v, err := find(lines, address); err == nil {
			t.Errorf("%s: %+v", address, v)
		}
	}
}

func TestParity(t *testing.T) {
	p := withParity("1-0:1.8.0(12*kWh)\r\n")
	p[4] ^= 0x80
	if err := stripParity(p); !errors.Is(err, errParity) {
		t.Errorf("%v", err)
	}
}

func FuzzBlock(f *testing.F) {
	f.Add([]byte(goodMeter().block))
	f.Add(withParity(goodMeter().block))
	f.Add([]byte("/INV5X\r\n1.8.0(1)\r\n!\r\n"))
	f.Fuzz(func(t *testing.T, p []byte) {
		for _, check := range []func([]byte) ([]byte, error){checkBlock, checkTelegram} {
			if len(p) == 0 {
				continue
			}
			text, err := check(append([]byte(nil), p...))
			if err != nil {
				continue
			}
			for address, v := range parseLines(text) {
				if math.IsNaN(v.number) || math.IsInf(v.number, 0) || address == "" {
					t.Errorf("%q: %+v", address, v)
				}
			}
		}
	})
}

// TestLinesOfAllForms: what a readout's line may look like, and what it is worth for an
// input in kWh (value in J) or kW (value in W).
func TestLinesOfAllForms(t *testing.T) {
	const corrupt, none, out = drivers.Corrupt, drivers.DeviceError, drivers.OutOfRange
	for _, c := range []struct {
		text  string
		unit  string
		want  float64
		fault drivers.Faults
	}{
		{"1.8.0(000581.161*kWh)", "kWh", 581.161 * 3.6e6, 0},
		{"1.8.0(000581,161*kWh)", "kWh", 581.161 * 3.6e6, 0},
		{"1.8.0(581161*Wh)", "kWh", 581161 * 3600, 0},
		{"1.8.0(000581.161*KWH)", "kWh", 581.161 * 3.6e6, 0},
		{"1.8.0(000581.161*kwh)", "kWh", 581.161 * 3.6e6, 0},
		{"1.8.0(0.581161*MWh)", "kWh", 0.581161 * 3.6e9, 0},
		{"1.8.0(000581.161 kWh)", "kWh", 581.161 * 3.6e6, 0},
		{"1.8.0(000581.161)", "kWh", 581.161 * 3.6e6, 0},
		{"1-0:1.8.0*255(000581.161*kWh)", "kWh", 581.161 * 3.6e6, 0},
		{"1-1:1.8.0(1*kWh)\r\n1-0:1.8.0(2*kWh)", "kWh", 0, none},
		{"1.8.0(1*kWh)\r\n1.8.0(2*kWh)", "kWh", 0, none},
		{"1.8.0(1*kWh)\r\n1.8.0(2*kWh)\r\n1.8.0(2*kWh)", "kWh", 0, none},
		{"1.8.0(2*kWh)\r\n1.8.0(2*kWh)", "kWh", 7.2e6, 0},
		{"1.8.0*01(9*kWh)\r\n1.8.0(2*kWh)", "kWh", 7.2e6, 0},
		{"1.8.0*01(9*kWh)", "kWh", 0, none},
		{"1.8.0(2611250915)(000002.000*kWh)", "kWh", 7.2e6, 0},
		{"1.8.0(000002.000*kWh)(2611250915)", "kWh", 7.2e6, 0},
		{"1.8.0(2611250915)(2)", "kWh", 0, none},
		{"1.8.0(000581.161*kvarh)", "kWh", 0, corrupt},
		{"1.8.0(000581.161*kW)", "kWh", 0, corrupt},
		{"1.8.0(000581.161*m3)", "kWh", 0, corrupt},
		{"1.8.0(000581.161*kWh", "kWh", 0, none},
		{"1.8.0()", "kWh", 0, none}, {"1.8.0(*kWh)", "kWh", 0, none}, {"1.8.0(------*kWh)", "kWh", 0, none},
		{"1.8.0(00 581.161*kWh)", "kWh", 0, none}, {"1.8.0(1.234.5*kWh)", "kWh", 0, none}, {"1.8.0(0x10*kWh)", "kWh", 0, none},
		{"1.8.0(1e3*kWh)", "kWh", 0, none}, {"1.8.0(INF*kWh)", "kWh", 0, none}, {"1.8.0(99999999999999999999*kWh)", "kWh", 0, none},
		{"16.7.0(-0.450*kW)", "kW", -450, 0},
		{"16.7.0(0.450-*kW)", "kW", 0, none},
		{"16.7.0(450*W)", "kW", 450, 0},
		{"16.7.0(0.00045*MW)", "kW", 0, corrupt},
		{"16.7.0(450*mW)", "kW", 0.45, 0},
		{"16.7.0(99*kW)", "kW", 0, out},
	} {
		q := drivers.QuantityOf(c.unit)
		w := wanted{address: "1.8.0", unit: c.unit, quantity: q, lo: math.Inf(-1), hi: math.Inf(1)}
		if c.unit == "kW" {
			w.address, w.lo, w.hi = "16.7.0", -1e4, 1e4
		}
		var r drivers.Reading
		w.take("head", parseLines([]byte(c.text)), &r)
		if got := math.Float64frombits(uint64(r.Code)); r.Faults != c.fault || c.fault == 0 && math.Abs(got-c.want) > 1e-6 {
			t.Errorf("%q: %v (%v, %v), want %v (%v)", c.text, got, r.Faults, r.Cause, c.want, c.fault)
		}
	}
}
