package convert

import (
	"fmt"
	"hash/fnv"
	"math"
	"testing"

	"soakrig/daemon/record"
)

// TestSameBitsEverywhere: a value and its uncertainty have the same bits on every
// processor, so that a run judged on the board and again on a desk is the same run.
func TestSameBitsEverywhere(t *testing.T) {
	trimmed := max31855("trimmed")
	trimmed.Calibration = &record.Calibration{ID: "c", OffsetK: 0.2, Gain: 1.0007, Table: []record.Correction{{ReferenceC: 0, CorrectionK: 0.1}, {ReferenceC: 99.9, CorrectionK: -0.4}}}
	trimmed.Lines = []record.Line{{Name: "mounting", Half: 0.866, Source: "common practice"}, {Name: "share", Rel: 0.0003, Source: "common practice"}}
	l := layout(max31855("plain"), trimmed,
		record.Channel{Name: "emf", Kind: record.Temperature, Unit: "degC", Couple: "N", Class: "iec-1", Converter: record.Converter{Law: record.LawEMF, PerCode: 7.8125e-6, ColdPerCode: 0.03125}},
		record.Channel{Name: "platinum", Kind: record.Temperature, Unit: "degC", Converter: record.Converter{Law: record.LawRTD, PerCode: 400.0 / 32768, R0Ohms: 100}},
		record.Channel{Name: "room", Kind: record.Temperature, Unit: "degC", Converter: record.Converter{Law: record.LawLinear, PerCode: 0.0625}},
		record.Channel{Name: "watt", Kind: record.Power, Unit: "W", Converter: record.Converter{Law: record.LawFloat32, PerCode: 1, Lines: []record.Line{{Name: "meter", Half: 0.5, Rel: 0.01, Source: "a data sheet"}}}},
	)
	tab, err := New(l)
	if err != nil {
		t.Fatal(err)
	}
	h, good := fnv.New64a(), 0
	out := make([]Value, len(l.Channels))
	for i := range int64(2000) {
		raw := []record.Raw{
			code(i-400, 300+i%200), code(i*3-900, 300+i%321), code(i*2-300, 600+i%500),
			{Has: record.HasCode, Code: 5000 + 4*i}, {Has: record.HasCode, Code: i - 300},
			{Has: record.HasCode, Code: int64(math.Float32bits(float32(i) * 0.7))},
		}
		if err := tab.Convert(&record.Sample{Layout: l.ID, Raw: raw}, out); err != nil {
			t.Fatal(err)
		}
		for _, v := range out {
			if v.Faults == 0 {
				good++
			}
			fmt.Fprintf(h, "%x %x %x %x %v\n", v.Value, v.Expanded, v.EMFVolts, v.ColdC, v.Faults)
		}
	}
	if good < 10000 {
		t.Errorf("only %d of %d values are good", good, 2000*len(out))
	}
	if got, want := h.Sum64(), uint64(0x8a219b1e8beaadf3); got != want {
		t.Errorf("hash of results %#x, want %#x", got, want)
	}
}
