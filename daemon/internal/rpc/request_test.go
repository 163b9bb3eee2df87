package rpc

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "soakrig/proto/soakrig/v1"
)

// raw is a codec that sends bytes as they are and throws answers away.
type raw struct{}

// Marshal implements encoding.CodecV2.
func (raw) Marshal(v any) (mem.BufferSlice, error) {
	return mem.BufferSlice{mem.SliceBuffer(v.([]byte))}, nil
}

// Unmarshal implements encoding.CodecV2.
func (raw) Unmarshal(mem.BufferSlice, any) error { return nil }

// Name implements encoding.CodecV2.
func (raw) Name() string { return "proto" }

// send makes a call with a request of these bytes, and gives how its first answer ends.
func send(t *testing.T, conn *grpc.ClientConn, method protoreflect.MethodDescriptor, request []byte) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	full := fmt.Sprintf("/%s/%s", method.Parent().FullName(), method.Name())
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, full, grpc.ForceCodecV2(raw{}))
	if err != nil {
		return err
	}
	if err := s.SendMsg(request); err != nil {
		return s.RecvMsg(nil) // says why
	}
	if err := s.CloseSend(); err != nil {
		return err
	}
	return s.RecvMsg(nil)
}

// bad is a value that no field of its kind may hold.
type bad struct {
	name  string
	field string // as BadRequest names it; its beginning
	wire  []byte
}

// badValues puts every bad value into every field of a message, and of those inside.
func badValues(desc protoreflect.MessageDescriptor, path string, wrap func([]byte) []byte) (list []bad) {
	put := func(fd protoreflect.FieldDescriptor, what string, value []byte) {
		list = append(list, bad{path + string(fd.Name()) + ": " + what, path + string(fd.Name()), wrap(value)})
	}
	text := func(fd protoreflect.FieldDescriptor, s string) []byte {
		return protowire.AppendString(protowire.AppendTag(nil, fd.Number(), protowire.BytesType), s)
	}
	number := func(fd protoreflect.FieldDescriptor, f float64) []byte {
		return protowire.AppendFixed64(protowire.AppendTag(nil, fd.Number(), protowire.Fixed64Type), math.Float64bits(f))
	}
	for i := range desc.Fields().Len() {
		fd := desc.Fields().Get(i)
		switch {
		case fd.Kind() == protoreflect.StringKind:
			put(fd, "not UTF-8", text(fd, "a\xff\xfe"))
			put(fd, "too long", text(fd, strings.Repeat("é", maxText/2)+"x"))
			put(fd, "takes over the terminal", text(fd, "quill\x1b[2J"))
			put(fd, "ends in the middle", text(fd, "quill\x00-8"))
		case fd.Kind() == protoreflect.DoubleKind:
			for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
				put(fd, fmt.Sprint(f), number(fd, f))
			}
		case fd.Kind() == protoreflect.MessageKind:
			name := path + string(fd.Name())
			if fd.IsList() {
				name += "[0]"
			}
			if !fd.IsMap() { // a map's entries are checked as a whole
				name += "."
				list = append(list, badValues(fd.Message(), name, func(in []byte) []byte {
					return wrap(protowire.AppendBytes(protowire.AppendTag(nil, fd.Number(), protowire.BytesType), in))
				})...)
			}
		}
		if fd.IsList() && fd.Kind() != protoreflect.Int32Kind {
			var many []byte
			for range maxElements + 1 {
				many = append(many, text(fd, "")...)
			}
			put(fd, "endless", many)
		}
		if fd.IsMap() {
			var many []byte
			for n := range maxElements + 1 {
				key := protowire.AppendString(protowire.AppendTag(nil, 1, protowire.BytesType), fmt.Sprint("k", n))
				many = append(many, text(fd, string(key))...)
			}
			put(fd, "endless", many)
			key := protowire.AppendString(protowire.AppendTag(nil, 1, protowire.BytesType), "\xff")
			put(fd, "a key that is not UTF-8", text(fd, string(key)))
			key = protowire.AppendString(protowire.AppendTag(nil, 1, protowire.BytesType), "\x07")
			put(fd, "a key that rings the bell", text(fd, string(key)))
		}
	}
	return list
}

// methods are the methods of our services.
func methods() (list []protoreflect.MethodDescriptor) {
	for _, file := range []protoreflect.FileDescriptor{pb.File_soakrig_v1_rig_proto, pb.File_soakrig_v1_samples_proto, pb.File_soakrig_v1_runs_proto} {
		for i := range file.Services().Len() {
			s := file.Services().Get(i)
			for k := range s.Methods().Len() {
				list = append(list, s.Methods().Get(k))
			}
		}
	}
	return list
}

// TestEveryFieldOfEveryRequest puts what no field may hold into each, in turn. Each
// answer is INVALID_ARGUMENT and names the field, to programs and to people.
func TestEveryFieldOfEveryRequest(t *testing.T) {
	noLeaks(t)
	f := newFixture(t)
	f.opts.Limits.RequestsPerSecond = 1e6
	conn := f.start().conn()
	f.fill(5)
	tried := 0
	for _, m := range methods() {
		for _, one := range badValues(m.Input(), "", func(b []byte) []byte { return b }) {
			tried++
			err := send(t, conn, m, one.wire)
			st := status.Convert(err)
			if st.Code() != codes.InvalidArgument || reasonOf(st) != reasonField {
				t.Errorf("%s, %s: %v", m.Name(), one.name, err)
				continue
			}
			if names := fieldsOf(st); len(names) != 1 || !sameField(names[0], one.field) || !strings.Contains(st.Message(), names[0]) {
				t.Errorf("%s, %s: names %q in %q", m.Name(), one.name, names, st.Message())
			}
		}
		for what, wire := range map[string][]byte{
			"not a message": {0xff, 0xff, 0xff}, "cut short": {0x0a, 0x7f, 'x'}, "our own sign": protowire.AppendString(protowire.AppendTag(nil, strayField, protowire.BytesType), "\xff\x00\xff"),
		} {
			tried++
			if err := send(t, conn, m, wire); status.Code(err) != codes.InvalidArgument || reasonOf(status.Convert(err)) != reasonField {
				t.Errorf("%s, %s: %v", m.Name(), what, err)
			}
		}
	}
	t.Logf("%d bad requests", tried)
	if tried < 250 {
		t.Errorf("only %d were tried", tried)
	}
}

// sameField: the path without what stands in brackets.
func sameField(got, want string) bool {
	plain := func(s string) string {
		for {
			from, to := strings.IndexByte(s, '['), strings.IndexByte(s, ']')
			if from < 0 || to < from {
				return s
			}
			s = s[:from] + s[to+1:]
		}
	}
	return strings.HasPrefix(plain(got), plain(want))
}

// TestAbsurdNumbers puts numbers at the ends of their range into every field that holds
// one. Whatever the answer, it is one of those that the contract has, never a fault of
// the rig's.
func TestAbsurdNumbers(t *testing.T) {
	f := newFixture(t)
	f.opts.Limits.RequestsPerSecond = 1e6
	conn := f.start().conn()
	f.fill(5)
	may := map[codes.Code]bool{codes.OK: true, codes.InvalidArgument: true, codes.NotFound: true, codes.OutOfRange: true, codes.FailedPrecondition: true}
	tried := 0
	for _, m := range methods() {
		for i := range m.Input().Fields().Len() {
			fd := m.Input().Fields().Get(i)
			var wires [][]byte
			switch fd.Kind() {
			case protoreflect.DoubleKind:
				for _, v := range []float64{-1, -1e308, 1e308, 5e-324, math.Copysign(0, -1)} {
					wires = append(wires, protowire.AppendFixed64(protowire.AppendTag(nil, fd.Number(), protowire.Fixed64Type), math.Float64bits(v)))
				}
			case protoreflect.Int32Kind, protoreflect.Uint64Kind:
				for _, v := range []int64{-1, math.MinInt32, math.MaxInt32, math.MinInt64, math.MaxInt64} {
					wires = append(wires, protowire.AppendVarint(protowire.AppendTag(nil, fd.Number(), protowire.VarintType), uint64(v)))
				}
			}
			for _, wire := range wires {
				tried++
				err := send(t, conn, m, wire)
				st := status.Convert(err)
				if !may[st.Code()] || err != nil && reasonOf(st) == "" {
					t.Errorf("%s, %s=%x: %v", m.Name(), fd.Name(), wire, err)
				}
			}
		}
	}
	if tried < 30 {
		t.Errorf("only %d were tried", tried)
	}
	if logged := f.logged.String(); strings.Contains(logged, "handler failed") {
		t.Error(logged)
	}
}

// What may stand in a text is not refused: other scripts, marks of several lines.
func TestTextsOfAllLanguages(t *testing.T) {
	for _, text := range []string{"Prüfling 8", "試験", "line one\nline two\tcolumn", "👍🏽", strings.Repeat("x", maxText)} {
		if err := checkRequest(&pb.MarkRequest{Text: text}); err != nil {
			t.Errorf("%.20q: %v", text, err)
		}
	}
	err := checkRequest(&pb.EvaluateRequest{Run: "r", Constants: map[string]float64{"hold_s": math.NaN()}})
	st := status.Convert(err)
	if names := fieldsOf(st); len(names) != 1 || names[0] != `constants["hold_s"]` {
		t.Errorf("%v", err)
	}
	var details int
	for _, d := range st.Details() {
		if _, ok := d.(*errdetails.BadRequest); ok {
			details++
		}
	}
	if details != 1 {
		t.Errorf("%d BadRequest details", details)
	}
}
