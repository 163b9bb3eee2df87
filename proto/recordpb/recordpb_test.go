package recordpb

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// pairs are the structs that travel, each with its message.
var pairs = []struct {
	stored any
	wire   proto.Message
}{
	{&record.Layout{}, &pb.Layout{}},
	{&record.Source{}, &pb.Source{}},
	{&record.Channel{}, &pb.Channel{}},
	{&record.ColdJunction{}, &pb.ColdJunction{}},
	{&record.Converter{}, &pb.Converter{}},
	{&record.Line{}, &pb.Line{}},
	{&record.Calibration{}, &pb.Calibration{}},
	{&record.Correction{}, &pb.Correction{}},
	{&record.Plan{}, &pb.Plan{}},
	{&record.Band{}, &pb.Band{}},
	{&record.PhasePlan{}, &pb.PhasePlan{}},
	{&record.Command{}, &pb.Command{}},
	{&record.Limit{}, &pb.Limit{}},
	{&record.Setup{}, &pb.Setup{}},
	{&record.RunStart{}, &pb.RunStart{}},
	{&record.Result{}, &pb.Result{}},
	{&record.Reason{}, &pb.Reason{}},
	{&record.Peak{}, &pb.Peak{}},
	{&record.ProbeResult{}, &pb.ProbeResult{}},
	{&record.Ambient{}, &pb.Ambient{}},
	{&record.Load{}, &pb.Load{}},
	{&record.Dips{}, &pb.Dips{}},
	{&record.Steady{}, &pb.Steady{}},
	{&record.PhaseResult{}, &pb.PhaseResult{}},
	{&record.LimitResult{}, &pb.LimitResult{}},
	{&record.GapResult{}, &pb.GapResult{}},
	{&record.MarkResult{}, &pb.MarkResult{}},
	{&record.Finding{}, &pb.Finding{}},
	{&record.BudgetLine{}, &pb.BudgetLine{}},
	{&record.Statistic{}, &pb.Statistic{}},
	{&record.Live{}, &pb.Live{}},
	{&record.Gap{}, &pb.Gap{}},
}

// fill gives every field a value that is not zero, lists two elements.
func fill(v reflect.Value, n *int) {
	*n++
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), n)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(v.Index(0), n)
		fill(v.Index(1), n)
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		for _, k := range []string{"a", "b"} {
			e := reflect.New(v.Type().Elem()).Elem()
			fill(e, n)
			v.SetMapIndex(reflect.ValueOf(k), e)
		}
	case reflect.String:
		v.SetString("text " + strings.Repeat("x", *n%7) + string(rune('a'+*n%26)))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Float64:
		v.SetFloat(float64(*n) + 0.1)
	case reflect.Uint8:
		v.SetUint(uint64(*n%200 + 1))
	case reflect.Int, reflect.Int32:
		v.SetInt(int64(-*n))
	case reflect.Int64:
		v.SetInt(-int64(*n) << 40)
	case reflect.Uint32:
		v.SetUint(uint64(*n) << 16)
	case reflect.Uint64:
		v.SetUint(uint64(*n) << 50)
	default:
		panic("fill: " + v.Type().String())
	}
}

func TestEveryFieldTravels(t *testing.T) {
	for _, p := range pairs {
		kind := reflect.TypeOf(p.stored).Elem()
		t.Run(kind.Name(), func(t *testing.T) {
			want := reflect.New(kind)
			n := 0
			fill(want.Elem(), &n)
			m := p.wire.ProtoReflect().New().Interface()
			if err := ToProto(want.Interface(), m); err != nil {
				t.Fatal(err)
			}
			fields := m.ProtoReflect().Descriptor().Fields()
			for i := range fields.Len() {
				if fd := fields.Get(i); !m.ProtoReflect().Has(fd) {
					t.Errorf("%s of the message has no counterpart in %s", fd.Name(), kind)
				}
			}
			raw, err := proto.Marshal(m)
			if err != nil {
				t.Fatal(err)
			}
			back := p.wire.ProtoReflect().New().Interface()
			if err := proto.Unmarshal(raw, back); err != nil {
				t.Fatal(err)
			}
			got := reflect.New(kind)
			if err := FromProto(back, got.Interface()); err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got.Interface(), want.Interface()) {
				t.Errorf("got %+v\nwant %+v", got.Elem(), want.Elem())
			}
		})
	}
}

func TestEveryStructWithinIsPaired(t *testing.T) {
	have := map[reflect.Type]bool{}
	for _, p := range pairs {
		have[reflect.TypeOf(p.stored).Elem()] = true
	}
	var walk func(reflect.Type)
	walk = func(k reflect.Type) {
		switch k.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			walk(k.Elem())
		case reflect.Struct:
			if !have[k] {
				t.Errorf("%s travels but is not in the table", k)
			}
			for i := range k.NumField() {
				walk(k.Field(i).Type)
			}
		}
	}
	for _, p := range pairs {
		walk(reflect.TypeOf(p.stored))
	}
}

func TestAbsentStaysAbsent(t *testing.T) {
	for _, p := range pairs {
		kind := reflect.TypeOf(p.stored).Elem()
		m := p.wire.ProtoReflect().New().Interface()
		if err := ToProto(reflect.New(kind).Interface(), m); err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		got := reflect.New(kind)
		if err := FromProto(m, got.Interface()); err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		for i := range kind.NumField() {
			f := got.Elem().Field(i)
			list := f.Kind() == reflect.Slice || f.Kind() == reflect.Map
			if always := list && !optional(kind.Field(i)); always && (f.IsNil() || f.Len() != 0) || !always && !f.IsZero() {
				// What is within a struct is told by the struct's own case.
				if f.Kind() != reflect.Struct {
					t.Errorf("%s.%s: nothing became %#v", kind, kind.Field(i).Name, f)
				}
			}
		}
	}
}

// What a program reads as JSON does not depend on whether it came over the wire: a list
// that is there and empty stays one, and one that may be missing stays missing.
func TestEmptyListsSurviveTheWire(t *testing.T) {
	var empty func(v reflect.Value)
	empty = func(v reflect.Value) {
		for i := range v.NumField() {
			switch f := v.Field(i); f.Kind() {
			case reflect.Struct:
				if !optional(v.Type().Field(i)) {
					empty(f)
				}
			case reflect.Slice:
				f.Set(reflect.MakeSlice(f.Type(), 0, 0))
			case reflect.Map:
				f.Set(reflect.MakeMap(f.Type()))
			}
		}
	}
	for _, p := range pairs {
		kind := reflect.TypeOf(p.stored).Elem()
		want := reflect.New(kind)
		empty(want.Elem())
		m, got := p.wire.ProtoReflect().New().Interface(), reflect.New(kind)
		if err := ToProto(want.Interface(), m); err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		raw, err := proto.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		back := p.wire.ProtoReflect().New().Interface()
		if err := proto.Unmarshal(raw, back); err != nil {
			t.Fatal(err)
		}
		if err := FromProto(back, got.Interface()); err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		was, err := json.Marshal(want.Interface())
		if err != nil {
			t.Fatal(err)
		}
		is, err := json.Marshal(got.Interface())
		if err != nil {
			t.Fatal(err)
		}
		if string(is) != string(was) {
			t.Errorf("%s: stored %s, over the wire %s", kind, was, is)
		}
	}
	var held record.Result
	held.Reasons = []record.Reason{{Code: "limit"}}
	if err := FromProto(&pb.Result{}, &held); err != nil || len(held.Reasons) != 1 {
		t.Errorf("an absent field took what was there: %v, %v", held.Reasons, err)
	}
}

// Zero behind a pointer is a value and must arrive as one; so must what is not a
// number, since refusing it would lose the whole result.
func TestZeroIsAValue(t *testing.T) {
	for _, f := range []float64{0, math.Copysign(0, -1), -273.15, math.Inf(1), math.NaN(), math.MaxFloat64} {
		var m pb.Peak
		if err := ToProto(record.Peak{RiseK: &f, HeldC: f}, &m); err != nil {
			t.Fatal(err)
		}
		var got record.Peak
		if err := FromProto(&m, &got); err != nil {
			t.Fatal(err)
		}
		if got.RiseK == nil || math.Float64bits(*got.RiseK) != math.Float64bits(f) {
			t.Errorf("%v behind a pointer became %v", f, got.RiseK)
		}
		if got.AmbientC != nil {
			t.Errorf("an absent ambient became %v", *got.AmbientC)
		}
	}
}

func TestBrokenTextDoesNotLoseTheMessage(t *testing.T) {
	var m pb.Reason
	if err := ToProto(&record.Reason{Code: "limit", Text: "a\xffb"}, &m); err != nil {
		t.Fatal(err)
	}
	if _, err := proto.Marshal(&m); err != nil {
		t.Fatal(err)
	}
	if m.Text != "a�b" {
		t.Errorf("text %q", m.Text)
	}
}

func TestRefusals(t *testing.T) {
	big := 1 << 40
	cases := []struct {
		name string
		do   func() error
		want string
	}{
		{"law above a byte", func() error { return FromProto(&pb.Converter{Law: 300}, &record.Converter{}) }, "law: 300 does not fit"},
		{"int above 32 bits", func() error { return ToProto(&record.ProbeResult{AboveCount: big}, &pb.ProbeResult{}) }, "above_count"},
		{"foreign message", func() error { return ToProto(&record.Band{Low: 1}, &pb.Correction{}) }, "low: message Correction has no such field"},
		{"foreign struct", func() error { return FromProto(&pb.Correction{ReferenceC: 1}, &record.Band{}) }, "reference_c"},
		{"not a struct", func() error { return ToProto(3, &pb.Band{}) }, "not a struct"},
		{"not a pointer", func() error { return FromProto(&pb.Band{}, record.Band{}) }, "not a pointer"},
		{"nil pointer", func() error { return FromProto(&pb.Band{}, (*record.Band)(nil)) }, "not a pointer"},
		{"wrong kind", func() error {
			return ToProto(struct {
				Low string `json:"low"`
			}{"x"}, &pb.Band{})
		}, "stored as string"},
		{"wrong kind back", func() error {
			return FromProto(&pb.Band{Low: 1}, &struct {
				Low string `json:"low"`
			}{})
		}, "stored as string"},
		{"nested", func() error {
			return FromProto(&pb.Layout{Channels: []*pb.Channel{{}, {Converter: &pb.Converter{Law: 256}}}}, &record.Layout{})
		}, "channels: [1]: converter: law: 256"},
	}
	for _, c := range cases {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

func TestFaults(t *testing.T) {
	words := record.FaultWords()
	if len(words) != len(pb.Fault_name)-1 {
		t.Fatalf("%d faults stored, %d on the wire", len(words), len(pb.Fault_name)-1)
	}
	for i, w := range words {
		list := AppendFaults(nil, 1<<i)
		if len(list) != 1 || list[0].String() != "FAULT_"+strings.ToUpper(w) {
			t.Errorf("%s travels as %v", w, list)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		f := record.Faults(rapid.Uint32Range(0, 1<<len(words)-1).Draw(t, "faults"))
		if got := Faults(AppendFaults(nil, f)); got != f {
			t.Errorf("%s became %s", f, got)
		}
	})
	for _, f := range []pb.Fault{0, -1, 77} {
		if got := Faults([]pb.Fault{f}); got != record.DeviceError {
			t.Errorf("unknown fault %d became %s", f, got)
		}
	}
}
