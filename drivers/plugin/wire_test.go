package plugin

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
	driverv1 "soakrig/proto/soakrig/driver/v1"
)

// TestReadingsSurviveTheWire sends random readings there and back.
func TestReadingsSurviveTheWire(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drivers.Reading{Age: time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "age")) / 1000 * 1000}
		r.Has = drivers.Fields(rapid.IntRange(0, 7).Draw(t, "has"))
		r.Faults = drivers.Faults(rapid.Uint32Range(0, 1<<len(drivers.FaultNames())-1).Draw(t, "faults"))
		if r.Faults == 0 {
			r.Has |= drivers.HasCode
		} else {
			r.Cause = errors.New(rapid.StringMatching("[a-z]{1,9}").Draw(t, "cause"))
		}
		for _, f := range []struct {
			bit drivers.Fields
			to  *int64
		}{{drivers.HasCode, &r.Code}, {drivers.HasCold, &r.Cold}, {drivers.HasChip, &r.Chip}} {
			if r.Has&f.bit != 0 {
				*f.to = rapid.Int64().Draw(t, "code")
			}
		}
		var got drivers.Reading
		take(wireReading(r), &got)
		if got.Has != r.Has || got.Faults != r.Faults || got.Code != r.Code || got.Cold != r.Cold || got.Chip != r.Chip ||
			(got.Age-r.Age).Abs() > time.Microsecond || r.Cause != nil && got.Cause.Error() != r.Cause.Error() {
			t.Fatalf("%+v became %+v", r, got)
		}
	})
}

func TestReadingsThatBreakTheContract(t *testing.T) {
	one := int64(1)
	for name, w := range map[string]*driverv1.Reading{
		"nothing":           {},
		"nil":               nil,
		"unknown word":      {Code: &one, Faults: []string{"broken"}},
		"age from tomorrow": {Code: &one, AgeS: -1},
		"age NaN":           {Code: &one, AgeS: math.NaN()},
	} {
		var r drivers.Reading
		take(w, &r)
		if r.Faults != drivers.Corrupt || !errors.Is(r.Cause, errContract) {
			t.Errorf("%s: %+v", name, r)
		}
		if err := drivertest.CheckReadings([]drivers.Reading{r}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	var r drivers.Reading
	take(&driverv1.Reading{Faults: []string{"open"}}, &r)
	if r.Faults != drivers.Open || r.Cause == nil {
		t.Errorf("a fault without a cause: %+v", r)
	}
}

func TestConvertersThatBreakTheContract(t *testing.T) {
	good := func() *driverv1.Converter {
		return &driverv1.Converter{Law: driverv1.Law_LAW_LINEAR, Kind: driverv1.Kind_KIND_OTHER, Unit: "1", PerCode: 1}
	}
	if c, err := converters([]*driverv1.Converter{good()}, 1); err != nil || c[0].Model != "plugin" {
		t.Errorf("%+v, %v", c, err)
	}
	for name, edit := range map[string]func(*driverv1.Converter){
		"law":      func(c *driverv1.Converter) { c.Law = 0 },
		"kind":     func(c *driverv1.Converter) { c.Kind = 99 },
		"unit":     func(c *driverv1.Converter) { c.Unit = "" },
		"per code": func(c *driverv1.Converter) { c.PerCode = 0 },
		"NaN":      func(c *driverv1.Converter) { c.Offset = math.NaN() },
		"Inf":      func(c *driverv1.Converter) { c.PerCode = math.Inf(1) },
		"time":     func(c *driverv1.Converter) { c.ConversionS = -1 },
	} {
		c := good()
		edit(c)
		if got, err := converters([]*driverv1.Converter{c}, 1); !errors.Is(err, errContract) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	if _, err := converters(nil, 1); !errors.Is(err, errContract) {
		t.Errorf("none: %v", err)
	}
}

func TestLinesAreCut(t *testing.T) {
	var got []string
	w := &lineWriter{f: func(s string) { got = append(got, s) }}
	for _, p := range []string{"a", "b\ncd\r\n\n", strings.Repeat("x", 3*maxLine), "\nend"} {
		if n, err := w.Write([]byte(p)); n != len(p) || err != nil {
			t.Errorf("%d, %v", n, err)
		}
	}
	if len(got) != 3 || got[0] != "ab" || got[1] != "cd" || len(got[2]) != maxLine {
		t.Errorf("%d lines: %.20q", len(got), got)
	}
}

func FuzzHandshake(f *testing.F) {
	f.Add("1|1|unix|/tmp/x|grpc")
	f.Add("1|1|tcp|127.0.0.1:1|grpc|")
	f.Fuzz(func(t *testing.T, text string) {
		if target, err := parseHandshake(text); err == nil && !strings.HasPrefix(target, "unix:/") && !strings.HasPrefix(target, "passthrough:///") {
			t.Errorf("%q gives %q", text, target)
		}
	})
}
