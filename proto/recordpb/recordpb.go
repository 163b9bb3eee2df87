// Package recordpb carries the stored structs of daemon/record to the messages of
// proto/soakrig/v1 and back. The two have the same field names (the json tags), so
// one walk over both does it for every struct, and a test that fills every field
// holds the two together. Samples, which are many, have their own encoder in the
// daemon and decoder in the client; only the fault sets are mapped here for both.
// It imports proto and record and nothing else of ours, stores nothing and checks
// only that numbers fit.
package recordpb

import (
	"fmt"
	"reflect"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// ToProto copies src, a struct of daemon/record or a pointer to one, into the
// message of the same name. Nil pointers and empty lists stay absent. An error names
// the field: it means that the two contracts have come apart.
func ToProto(src any, dst proto.Message) error {
	v := reflect.Indirect(reflect.ValueOf(src))
	if v.Kind() != reflect.Struct {
		return fmt.Errorf("carry %T to %T: not a struct", src, dst)
	}
	if err := toMessage(v, dst.ProtoReflect()); err != nil {
		return fmt.Errorf("carry %T to %T: %w", src, dst, err)
	}
	return nil
}

// FromProto copies src into dst, a pointer to the struct of the same name. Absent
// fields leave what dst holds, except that a list or map whose tag lacks omitempty is
// never left nil: the stored form always has it. An error names a field that dst lacks or a number
// that does not fit.
func FromProto(src proto.Message, dst any) error {
	v := reflect.ValueOf(dst)
	if v.Kind() != reflect.Pointer || v.IsNil() || v.Elem().Kind() != reflect.Struct {
		return fmt.Errorf("carry %T to %T: not a pointer to a struct", src, dst)
	}
	if err := fromMessage(src.ProtoReflect(), v.Elem()); err != nil {
		return fmt.Errorf("carry %T to %T: %w", src, dst, err)
	}
	return nil
}

// name is the field's name on the wire; empty for a field that does not travel.
func name(f reflect.StructField) string {
	tag, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if tag == "-" {
		return ""
	}
	return tag
}

// optional: the field may be missing from the stored form.
func optional(f reflect.StructField) bool {
	_, options, _ := strings.Cut(f.Tag.Get("json"), ",")
	return strings.Contains(options, "omit")
}

func toMessage(v reflect.Value, m protoreflect.Message) error {
	t := v.Type()
	fields := m.Descriptor().Fields()
	for i := range t.NumField() {
		tag := name(t.Field(i))
		if tag == "" {
			continue
		}
		fd := fields.ByName(protoreflect.Name(tag))
		if fd == nil {
			return fmt.Errorf("%s: message %s has no such field", tag, m.Descriptor().Name())
		}
		if err := toField(v.Field(i), m, fd); err != nil {
			return fmt.Errorf("%s: %w", tag, err)
		}
	}
	return nil
}

func toField(v reflect.Value, m protoreflect.Message, fd protoreflect.FieldDescriptor) error {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return nil
		}
		v = v.Elem()
	} else if v.IsZero() && !fd.HasPresence() {
		return nil
	}
	switch {
	case fd.IsMap():
		if v.Kind() != reflect.Map {
			return mismatch(v, fd)
		}
		to := m.Mutable(fd).Map()
		for it := v.MapRange(); it.Next(); {
			val, err := toScalar(it.Value(), fd.MapValue())
			if err != nil {
				return err
			}
			to.Set(protoreflect.ValueOfString(it.Key().String()).MapKey(), val)
		}
		return nil
	case fd.IsList():
		return toList(v, m, fd)
	case fd.Message() != nil:
		if v.Kind() != reflect.Struct {
			return mismatch(v, fd)
		}
		return toMessage(v, m.Mutable(fd).Message())
	}
	val, err := toScalar(v, fd)
	if err == nil {
		m.Set(fd, val)
	}
	return err
}

func toList(v reflect.Value, m protoreflect.Message, fd protoreflect.FieldDescriptor) error {
	if v.Kind() != reflect.Slice {
		return mismatch(v, fd)
	}
	to := m.Mutable(fd).List()
	for i := range v.Len() {
		if fd.Message() != nil {
			if err := toMessage(v.Index(i), to.AppendMutable().Message()); err != nil {
				return fmt.Errorf("[%d]: %w", i, err)
			}
			continue
		}
		val, err := toScalar(v.Index(i), fd)
		if err != nil {
			return fmt.Errorf("[%d]: %w", i, err)
		}
		to.Append(val)
	}
	return nil
}

func toScalar(v reflect.Value, fd protoreflect.FieldDescriptor) (protoreflect.Value, error) {
	none := protoreflect.Value{}
	switch fd.Kind() {
	case protoreflect.StringKind:
		if v.Kind() == reflect.String {
			// A message with broken text would be refused as a whole.
			return protoreflect.ValueOfString(strings.ToValidUTF8(v.String(), "�")), nil
		}
	case protoreflect.BoolKind:
		if v.Kind() == reflect.Bool {
			return protoreflect.ValueOfBool(v.Bool()), nil
		}
	case protoreflect.DoubleKind:
		if v.CanFloat() {
			return protoreflect.ValueOfFloat64(v.Float()), nil
		}
	case protoreflect.Int32Kind:
		if v.CanInt() {
			if int64(int32(v.Int())) != v.Int() {
				return none, fmt.Errorf("%d does not fit the wire's 32 bits", v.Int())
			}
			return protoreflect.ValueOfInt32(int32(v.Int())), nil
		}
	case protoreflect.Int64Kind:
		if v.CanInt() {
			return protoreflect.ValueOfInt64(v.Int()), nil
		}
	case protoreflect.Uint32Kind:
		if v.CanUint() {
			if uint64(uint32(v.Uint())) != v.Uint() {
				return none, fmt.Errorf("%d does not fit the wire's 32 bits", v.Uint())
			}
			return protoreflect.ValueOfUint32(uint32(v.Uint())), nil
		}
	case protoreflect.Uint64Kind:
		if v.CanUint() {
			return protoreflect.ValueOfUint64(v.Uint()), nil
		}
	}
	return none, mismatch(v, fd)
}

func mismatch(v reflect.Value, fd protoreflect.FieldDescriptor) error {
	return fmt.Errorf("stored as %s, on the wire as %s", v.Type(), fd.Kind())
}
