package record_test

import (
	"bytes"
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

func f64(v float64) *float64 { return &v }

// bodies are one of each type, with what a decoder can get wrong: negative codes,
// the ends of ranges, absent values, zero beside absent.
func bodies() []record.Body {
	return []record.Body{
		&record.Sample{Layout: math.MaxUint32, Source: math.MaxUint16, Raw: []record.Raw{
			{Has: record.HasCode, Code: -1, AgeUS: 12},
			{Has: record.HasCode | record.HasCold | record.HasChip, Code: math.MinInt64, Cold: math.MaxInt64, Chip: -270, AgeUS: math.MaxInt32},
			{Faults: record.Open | record.DeviceError},
			{Faults: math.MaxUint32, Has: record.HasChip, AgeUS: math.MinInt32},
		}},
		&record.Sample{Layout: 1},
		&record.Layout{ID: 3, Rig: "bench-2", Sources: []record.Source{{Name: "back", Driver: "max31855", EveryNS: 2e8, Channels: []int{0}}},
			Channels: []record.Channel{{Name: "vr1", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K",
				Converter: record.Converter{Model: "MAX31855K", Law: record.LawFixedSlope, PerCode: 0.25, ColdPerCode: 0.0625},
				Cold:      record.ColdJunction{FixedC: f64(0)}, Calibration: &record.Calibration{ID: "a", OffsetK: -0.3}}}},
		&record.SourceEvent{Source: "back", State: "failed", Text: "no chip on SPI0.1"},
		&record.ClockStep{StepNS: -90e9, Synced: true},
		&record.Gap{From: 1, To: math.MaxUint64, Cause: "unclean_stop"},
		&record.RunEvent{Run: "2026-06-01-1", Event: "started", AtS: 0.5, Start: &record.RunStart{Run: "2026-06-01-1", Unit: "carrier-a"}},
		&record.RunResult{Run: "2026-06-01-1", Result: record.Result{Verdict: record.VerdictPass, Peak: &record.Peak{HeldC: 91.5, RiseK: f64(0)}}},
		&record.Calibration{ID: "b", Channel: "vr1", Table: []record.Correction{{ReferenceC: -40, CorrectionK: 0.1}}},
		&record.Mark{Text: "load script started ✓", Author: "bench"},
	}
}

func TestBodiesComeBack(t *testing.T) {
	seen := make(map[record.Type]bool)
	for _, b := range bodies() {
		p, err := record.AppendBody([]byte("before"), b)
		if err != nil {
			t.Fatalf("%T: %v", b, err)
		}
		p = p[len("before"):]
		seen[b.Type()] = true
		if record.Type(p[0]) != b.Type() || p[1] != 1 {
			t.Errorf("%T begins with % x", b, p[:2])
		}
		got, err := record.DecodeBody(p)
		if err != nil || !reflect.DeepEqual(got, b) {
			t.Errorf("%T: got %+v, want %+v (%v)", b, got, b, err)
		}
		if record.IsSample(p) != (b.Type() == record.TypeSample) {
			t.Errorf("%T: IsSample is %v", b, record.IsSample(p))
		}
	}
	for n := record.TypeSample; n <= record.TypeMark; n++ {
		if !seen[n] {
			t.Errorf("type %d has no example", n)
		}
	}
}

// TestSampleBytes holds the bytes of FORMAT.md.
func TestSampleBytes(t *testing.T) {
	s := &record.Sample{Layout: 300, Source: 2, Raw: []record.Raw{
		{Has: record.HasCode | record.HasCold, Code: -3, Cold: 400, AgeUS: 64},
		{Faults: record.Open, Code: 99 /* no Has bit: not stored */},
	}}
	want := []byte{1, 1, 0xac, 0x02, 2, 2, 3, 0, 0x80, 0x01, 5, 0xa0, 0x06, 0, 0x20, 0}
	got, err := record.AppendBody(nil, s)
	if err != nil || !bytes.Equal(got, want) {
		t.Fatalf("% x, want % x (%v)", got, want, err)
	}
	back, err := record.DecodeBody(got)
	if err != nil || back.(*record.Sample).Raw[1].Code != 0 {
		t.Errorf("%+v %v", back, err)
	}
}

func TestUnknownTypesAndVersions(t *testing.T) {
	for _, p := range [][]byte{{42, 1, 9}, {1, 2}, {255, 0}, {0, 0}, {9, 7, '{'}} {
		b, err := record.DecodeBody(p)
		u, ok := b.(*record.Unknown)
		if err != nil || !ok || u.Number != record.Type(p[0]) || u.Version != p[1] {
			t.Errorf("% x: %+v %v", p, b, err)
		}
	}
}

func TestMalformedBodies(t *testing.T) {
	sample, err := record.AppendBody(nil, bodies()[0])
	if err != nil {
		t.Fatal(err)
	}
	for n := range sample {
		if _, err := record.DecodeBody(sample[:n]); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("sample cut to %d bytes: %v", n, err)
		}
	}
	for name, p := range map[string][]byte{
		"bytes behind a sample":   append(append([]byte(nil), sample...), 0),
		"unknown field bit":       {1, 1, 1, 0, 1, 8, 0, 0},
		"source beyond 16 bits":   {1, 1, 1, 0x80, 0x80, 0x04, 0},
		"more channels than fit":  {1, 1, 1, 0, 0x81, 0x20},
		"fault set beyond 32":     {1, 1, 1, 0, 1, 0, 0xff, 0xff, 0xff, 0xff, 0x1f, 0},
		"age beyond 32 bits":      {1, 1, 1, 0, 1, 0, 0, 0x80, 0x80, 0x80, 0x80, 0x20},
		"a varint without an end": {1, 1, 0x80, 0x80},
		"JSON that is none":       {9, 1, '{'},
		"JSON of another shape":   append([]byte{9, 1}, `{"text":1}`...),
		"one byte":                {1},
		"nothing":                 nil,
		"too long":                make([]byte, record.MaxBodyBytes+1),
	} {
		if b, err := record.DecodeBody(p); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: %+v %v", name, b, err)
		}
	}
	var s record.Sample
	if err := record.DecodeSample([]byte{9, 1, '{', '}'}, &s); !errors.Is(err, record.ErrMalformed) {
		t.Errorf("a mark as a sample: %v", err)
	}
}

func TestWhatCannotBeStored(t *testing.T) {
	for name, b := range map[string]record.Body{
		"nothing":           nil,
		"an unknown":        &record.Unknown{Number: 42},
		"not a number":      &record.RunEvent{AtS: math.NaN()},
		"infinity":          &record.RunEvent{AtS: math.Inf(1)},
		"unknown fields":    &record.Sample{Raw: []record.Raw{{Has: 8}}},
		"too many channels": &record.Sample{Raw: make([]record.Raw, record.MaxRaws+1)},
		"too long":          &record.Mark{Text: strings.Repeat("x", record.MaxBodyBytes)},
	} {
		p, err := record.AppendBody([]byte{7}, b)
		if err == nil {
			t.Errorf("%s was stored as % x", name, p)
		}
		if len(p) != 1 {
			t.Errorf("%s left %d bytes", name, len(p))
		}
	}
}

func TestCheckBlock(t *testing.T) {
	p, err := pack([]record.Entry{{Seq: 7, Body: &record.Mark{}}, {Seq: 8, Body: &record.Mark{}}})
	if err != nil {
		t.Fatal(err)
	}
	if first, last, err := record.CheckBlock(p); err != nil || first != 7 || last != 8 {
		t.Errorf("%d %d %v", first, last, err)
	}
	for i := range p {
		p[i] ^= 4
		if _, _, err := record.CheckBlock(p); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("byte %d changed: %v", i, err)
		}
		p[i] ^= 4
	}
	if _, _, err := record.CheckBlock(nil); !errors.Is(err, record.ErrMalformed) {
		t.Error(err)
	}
}

// FuzzBody: arbitrary bytes give an error, an Unknown, or a body that encodes to
// something that decodes to the same.
func FuzzBody(f *testing.F) {
	for _, b := range bodies() {
		p, err := record.AppendBody(nil, b)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(p)
	}
	f.Add([]byte{42, 1, 0})
	f.Fuzz(func(t *testing.T, p []byte) {
		b, err := record.DecodeBody(p)
		if err != nil {
			if !errors.Is(err, record.ErrMalformed) {
				t.Fatalf("error %v does not wrap ErrMalformed", err)
			}
			return
		}
		if _, unknown := b.(*record.Unknown); unknown {
			return
		}
		again, err := record.AppendBody(nil, b)
		if err != nil {
			t.Fatalf("%+v: %v", b, err)
		}
		got, err := record.DecodeBody(again)
		if err != nil {
			t.Fatal(err)
		}
		twice, err := record.AppendBody(nil, got)
		if err != nil || !bytes.Equal(again, twice) {
			t.Fatalf("% x, then % x (%v)", again, twice, err)
		}
	})
}
