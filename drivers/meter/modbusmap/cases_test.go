package modbusmap

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"soakrig/drivers"
)

// valueCase is a line of testdata/meters with a good frame; each names its source.
type valueCase struct {
	ID, Response string
	Expect       struct {
		Error, Flag, Type, Order, Unit string
		FC, Addr                       int
		Scale                          float64
		Value                          *float64
		Tol                            float64
	}
}

// TestPublishedValues turns the registers of the published frames into values.
func TestPublishedValues(t *testing.T) {
	ran := 0
	for _, file := range []string{"modbus-rtu", "modbus-tcp"} {
		f, err := os.Open("../../../testdata/meters/" + file + ".jsonl")
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for s := bufio.NewScanner(f); s.Scan(); {
			var c valueCase
			if err := json.Unmarshal(s.Bytes(), &c); err != nil {
				t.Fatal(err)
			}
			if c.Expect.Type == "" {
				continue // about frames: package modbus runs it
			}
			ran++
			t.Run(c.ID, func(t *testing.T) { publishedValue(t, c, file == "modbus-tcp") })
		}
	}
	if ran != 19 {
		t.Errorf("%d cases with values ran, want 19", ran)
	}
}

func publishedValue(t *testing.T, c valueCase, tcp bool) {
	frame, err := hex.DecodeString(c.Response)
	if err != nil {
		t.Fatal(err)
	}
	at := 2
	if tcp {
		at = 8
	}
	raw := frame[at+1:][:frame[at]]
	order := ""
	if c.Expect.Order != "" {
		order = ", order: " + c.Expect.Order
	}
	scale := c.Expect.Scale
	if scale == 0 {
		scale = 1
	}
	m := mapFile(t, fmt.Sprintf("id: case\nfunction: 4\nfields: {x: {address: %d, type: %s%s, scale: %v, unit: '%s', range: [-1e10, 1e10]}}",
		c.Expect.Addr, c.Expect.Type, order, scale, c.Expect.Unit))
	f, err := m.resolve("x")
	if err != nil {
		t.Fatal(err)
	}
	u := &meter{unit: 1, regs: m, fields: []field{f}, places: []place{{0, 0}}, blocks: []block{{buf: raw}}}
	var r drivers.Reading
	u.take(0, nil, 0, &r)
	got := (f.kind.number(r.Code)*f.conv.PerCode + f.conv.Offset) / drivers.QuantityOf(c.Expect.Unit).Factor
	if c.Expect.Value == nil || c.Expect.Flag == "out_of_range" || c.Expect.Flag == "not_finite" {
		if r.Faults != drivers.OutOfRange || r.Cause == nil {
			t.Errorf("%v (%v), want out_of_range", r.Faults, r.Cause)
		}
		return
	}
	if r.Faults != 0 || math.Abs(got-*c.Expect.Value) > c.Expect.Tol+1e-12 {
		t.Errorf("%v %v, want %v +- %v", got, r.Faults, *c.Expect.Value, c.Expect.Tol)
	}
}
