package rpc

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// The encoder writes field numbers itself: they must be those of the contract.
func TestFieldNumbers(t *testing.T) {
	want := map[protoreflect.FullName]map[string]int{
		"soakrig.v1.TailResponse": {"batch": tailBatch},
		"soakrig.v1.ReadResponse": {"batch": readBatch},
		"soakrig.v1.Batch": {
			"samples": batchSamples, "events": batchEvents, "layouts": batchLayouts, "head": batchHead,
			"durable_through": batchDurableThrough, "first": batchFirst, "last": batchLast, "summaries": batchSummaries,
		},
		"soakrig.v1.Sample": {
			"sequence": sampleSequence, "layout": sampleLayout, "source": sampleSource, "boot_ns": sampleBootNS,
			"wall_ns": sampleWallNS, "clock_synced": sampleClockSynced, "boot_id": sampleBootID, "readings": sampleReadings,
		},
		"soakrig.v1.Reading": {
			"channel": readingChannel, "value": readingValue, "expanded": readingExpanded, "faults": readingFaults,
			"code": readingCode, "cold_code": readingColdCode, "chip_code": readingChipCode, "emf_volts": readingEMFVolts,
			"cold_c": readingColdC, "chip_c": readingChipC, "age_us": readingAgeUS, "uncorrected": readingUncorrected,
		},
	}
	for _, m := range []proto.Message{&pb.TailResponse{}, &pb.ReadResponse{}, &pb.Batch{}, &pb.Sample{}, &pb.Reading{}} {
		d := m.ProtoReflect().Descriptor()
		for name, number := range want[d.FullName()] {
			fd := d.Fields().ByName(protoreflect.Name(name))
			if fd == nil || int(fd.Number()) != number {
				t.Errorf("%s.%s: the encoder has %d, the contract %v", d.Name(), name, number, fd)
			}
		}
	}
	if n := (&pb.Reading{}).ProtoReflect().Descriptor().Fields().Len(); n != len(want["soakrig.v1.Reading"]) {
		t.Errorf("Reading has %d fields, the encoder knows %d", n, len(want["soakrig.v1.Reading"]))
	}
	if n := (&pb.Sample{}).ProtoReflect().Descriptor().Fields().Len(); n != len(want["soakrig.v1.Sample"]) {
		t.Errorf("Sample has %d fields, the encoder knows %d", n, len(want["soakrig.v1.Sample"]))
	}
}

// asMessage is the plain way to the same message.
func asMessage(e *record.Entry, s *record.Sample, channels []int, want []bool, values []convert.Value) *pb.Sample {
	m := &pb.Sample{
		Sequence: e.Seq, Layout: s.Layout, Source: uint32(s.Source), BootNs: e.At.BootNS, WallNs: e.At.WallNS,
		ClockSynced: e.At.Synced, BootId: e.At.Boot[:],
	}
	for i := range s.Raw {
		if want != nil && !want[channels[i]] {
			continue
		}
		raw, v := s.Raw[i], values[i]
		r := &pb.Reading{Channel: uint32(channels[i]), AgeUs: raw.AgeUS, Faults: recordpb.AppendFaults(nil, v.Faults)}
		set := func(has bool, to **float64, v float64) {
			if has {
				*to = &v
			}
		}
		set(v.Faults == 0, &r.Value, v.Value)
		set(v.Faults == 0 && v.Expanded > 0, &r.Expanded, v.Expanded)
		set(v.Has&convert.HasEMF != 0, &r.EmfVolts, v.EMFVolts)
		set(v.Has&convert.HasCold != 0, &r.ColdC, v.ColdC)
		set(v.Has&convert.HasChip != 0, &r.ChipC, v.ChipC)
		set(v.Has&convert.HasUncorrected != 0, &r.Uncorrected, v.Uncorrected)
		setCode := func(has record.Fields, to **int64, v int64) {
			if raw.Has&has != 0 {
				*to = &v
			}
		}
		setCode(record.HasCode, &r.Code, raw.Code)
		setCode(record.HasCold, &r.ColdCode, raw.Cold)
		setCode(record.HasChip, &r.ChipCode, raw.Chip)
		m.Readings = append(m.Readings, r)
	}
	return m
}

func drawSample(t *rapid.T) (*record.Entry, *record.Sample, []int, []bool, []convert.Value) {
	float := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, math.Copysign(0, -1), -273.15, math.MaxFloat64}))
	n := rapid.IntRange(0, 70).Draw(t, "channels")
	s := &record.Sample{Layout: rapid.Uint32().Draw(t, "layout"), Source: rapid.Uint16().Draw(t, "source")}
	e := &record.Entry{Seq: rapid.Uint64().Draw(t, "seq"), At: record.Stamp{
		Boot: testBoot, BootNS: rapid.Int64().Draw(t, "boot_ns"), WallNS: rapid.Int64().Draw(t, "wall_ns"), Synced: rapid.Bool().Draw(t, "synced"),
	}, Body: s}
	var channels []int
	var values []convert.Value
	want := rapid.SliceOfN(rapid.Bool(), 300, 300).Draw(t, "want")
	for range n {
		channels = append(channels, rapid.IntRange(0, 299).Draw(t, "channel"))
		s.Raw = append(s.Raw, record.Raw{
			Has: record.Fields(rapid.Uint8Range(0, 7).Draw(t, "fields")), Code: rapid.Int64().Draw(t, "code"),
			Cold: rapid.Int64().Draw(t, "cold"), Chip: rapid.Int64().Draw(t, "chip"), AgeUS: rapid.Int32().Draw(t, "age"),
		})
		values = append(values, convert.Value{
			Faults: record.Faults(rapid.SampledFrom([]uint32{0, 0, 1, 32, 4096, 8191}).Draw(t, "faults")),
			Value:  float.Draw(t, "value"), Expanded: math.Abs(float.Draw(t, "expanded")),
			EMFVolts: float.Draw(t, "emf"), ColdC: float.Draw(t, "cold_c"), ChipC: float.Draw(t, "chip_c"),
			Uncorrected: float.Draw(t, "uncorrected"), Has: convert.Evidence(rapid.Uint8Range(0, 15).Draw(t, "evidence")),
		})
	}
	if rapid.Bool().Draw(t, "all") {
		want = nil
	}
	return e, s, channels, want, values
}

func TestSamplesAreEncodedAsTheContractSays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b batch
		var want []*pb.Sample
		for range rapid.IntRange(1, 3).Draw(t, "samples") {
			e, s, channels, filter, values := drawSample(t)
			b.sample(e, s, channels, filter, values)
			m := asMessage(e, s, channels, filter, values)
			if len(want) > 0 {
				m.BootId = nil // the same boot
			}
			want = append(want, m)
		}
		var got pb.Batch
		if err := proto.Unmarshal(b.buf, &got); err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(&got, &pb.Batch{Samples: want}) {
			t.Fatalf("got %v\nwant %v", &got, want)
		}
		if b.entries != len(want) {
			t.Errorf("%d entries counted, %d encoded", b.entries, len(want))
		}
	})
}

func TestSampleEncodingDoesNotAllocate(t *testing.T) {
	f := newFixture(t)
	f.fill(1)
	tb, err := newTable(f.layout, nil, f.opts.Convert)
	if err != nil {
		t.Fatal(err)
	}
	e := &f.journal.entries[1]
	s := e.Body.(*record.Sample)
	var b batch
	b.buf = make([]byte, 0, maxBytes)
	n := testing.AllocsPerRun(1000, func() {
		b.reset()
		values, err := tb.convert(s)
		if err != nil {
			t.Fatal(err)
		}
		b.sample(e, s, f.layout.Sources[0].Channels, nil, values)
	})
	if n != 0 {
		t.Errorf("%v allocations per sample", n)
	}
}

func TestEvents(t *testing.T) {
	at := record.Stamp{Boot: testBoot, BootNS: 5, WallNS: 6, Synced: true}
	cases := []struct {
		body       record.Body
		kind, text string
		run, src   string
	}{
		{&record.Mark{Run: "r1", Text: "load start", Author: "ann"}, "mark", "load start (ann)", "r1", ""},
		{&record.Mark{Text: "by nobody"}, "mark", "by nobody", "", ""},
		{&record.Mark{Text: "bad \xff byte"}, "mark", "bad � byte", "", ""},
		{&record.SourceEvent{Source: "back", State: "failed", Text: "no answer"}, "source", "back failed: no answer", "", "back"},
		{&record.ClockStep{StepNS: -90e9, Synced: true}, "clock_step", "wall clock stepped by -1m30s; the clock is synchronised", "", ""},
		{&record.ClockStep{StepNS: 1}, "clock_step", "wall clock stepped by 1ns; the clock is not synchronised", "", ""},
		{&record.Gap{From: 3, To: 9, Cause: "unclean_stop", Text: "power"}, "gap", "sequences 3 to 9 are missing (unclean_stop) power", "", ""},
		{&record.RunEvent{Run: "r1", Event: "phase", Phase: record.PhaseLoad, Text: "seen"}, "run", "run r1 phase load: seen", "r1", ""},
		{&record.RunResult{Run: "r1", Result: record.Result{Verdict: record.VerdictPass}}, "result", "run r1: pass", "r1", ""},
		{&record.Calibration{ID: "c1", Channel: "vr1", OffsetK: -0.25}, "calibration", "vr1 calibrated: -0.25 K (c1)", "", ""},
		{&record.Unknown{Number: 77, Version: 3}, "unknown", "entry of type 77 version 3, which this soakd does not know", "", ""},
	}
	for _, c := range cases {
		m := event(&record.Entry{Seq: 4, At: at, Body: c.body})
		if m.Kind != c.kind || m.Text != c.text || m.Run != c.run || m.Source != c.src ||
			m.Sequence != 4 || m.BootNs != 5 || m.WallNs != 6 || !m.ClockSynced || !bytes.Equal(m.BootId, testBoot[:]) {
			t.Errorf("%T: %v", c.body, m)
		}
		if _, err := proto.Marshal(m); err != nil {
			t.Errorf("%T: %v", c.body, err)
		}
		if (m.Json == "") != (c.kind == "unknown") {
			t.Errorf("%T: json %q", c.body, m.Json)
		}
	}
	m := event(&record.Entry{Body: &record.RunResult{Result: record.Result{DurationS: math.NaN()}}})
	if !strings.Contains(m.Text, "not as JSON") || m.Json != "" {
		t.Errorf("a result that JSON can't hold: %v", m)
	}
}
