package recordpb

import (
	"fmt"
	"reflect"

	"google.golang.org/protobuf/reflect/protoreflect"
)

func fromMessage(m protoreflect.Message, v reflect.Value) (err error) {
	t := v.Type()
	byName := make(map[protoreflect.Name]int, t.NumField())
	for i := range t.NumField() {
		tag := name(t.Field(i))
		if tag == "" {
			continue
		}
		byName[protoreflect.Name(tag)] = i
		if fd := m.Descriptor().Fields().ByName(protoreflect.Name(tag)); fd != nil && !optional(t.Field(i)) {
			whole(v.Field(i))
		}
	}
	m.Range(func(fd protoreflect.FieldDescriptor, val protoreflect.Value) bool {
		i, ok := byName[fd.Name()]
		if !ok {
			err = fmt.Errorf("%s: %s has no such field", fd.Name(), t)
			return false
		}
		if err = fromField(val, fd, v.Field(i)); err != nil {
			err = fmt.Errorf("%s: %w", fd.Name(), err)
		}
		return err == nil
	})
	return err
}

// whole makes a list or map that is always there an empty one: on the wire nothing and
// an empty list are the same, in JSON they are not.
func whole(v reflect.Value) {
	switch {
	case v.Kind() == reflect.Slice && v.IsNil():
		v.Set(reflect.MakeSlice(v.Type(), 0, 0))
	case v.Kind() == reflect.Map && v.IsNil():
		v.Set(reflect.MakeMap(v.Type()))
	}
}

func fromField(val protoreflect.Value, fd protoreflect.FieldDescriptor, v reflect.Value) error {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			v.Set(reflect.New(v.Type().Elem()))
		}
		v = v.Elem()
	}
	switch {
	case fd.IsMap():
		return fromMap(val.Map(), fd, v)
	case fd.IsList():
		if v.Kind() != reflect.Slice {
			return mismatch(v, fd)
		}
		list := val.List()
		v.Set(reflect.MakeSlice(v.Type(), list.Len(), list.Len()))
		for i := range list.Len() {
			if err := fromValue(list.Get(i), fd, v.Index(i)); err != nil {
				return fmt.Errorf("[%d]: %w", i, err)
			}
		}
		return nil
	}
	return fromValue(val, fd, v)
}

func fromMap(from protoreflect.Map, fd protoreflect.FieldDescriptor, v reflect.Value) (err error) {
	if v.Kind() != reflect.Map {
		return mismatch(v, fd)
	}
	v.Set(reflect.MakeMapWithSize(v.Type(), from.Len()))
	from.Range(func(k protoreflect.MapKey, val protoreflect.Value) bool {
		elem := reflect.New(v.Type().Elem()).Elem()
		if err = fromValue(val, fd.MapValue(), elem); err != nil {
			err = fmt.Errorf("[%q]: %w", k.String(), err)
			return false
		}
		v.SetMapIndex(reflect.ValueOf(k.String()), elem)
		return true
	})
	return err
}

func fromValue(val protoreflect.Value, fd protoreflect.FieldDescriptor, v reflect.Value) error {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		if v.Kind() == reflect.Struct {
			return fromMessage(val.Message(), v)
		}
	case protoreflect.StringKind:
		if v.Kind() == reflect.String {
			v.SetString(val.String())
			return nil
		}
	case protoreflect.BoolKind:
		if v.Kind() == reflect.Bool {
			v.SetBool(val.Bool())
			return nil
		}
	case protoreflect.DoubleKind:
		if v.CanFloat() {
			v.SetFloat(val.Float())
			return nil
		}
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		if v.CanInt() {
			if v.OverflowInt(val.Int()) {
				return fmt.Errorf("%d does not fit %s", val.Int(), v.Type())
			}
			v.SetInt(val.Int())
			return nil
		}
	case protoreflect.Uint32Kind, protoreflect.Uint64Kind:
		if v.CanUint() {
			if v.OverflowUint(val.Uint()) {
				return fmt.Errorf("%d does not fit %s", val.Uint(), v.Type())
			}
			v.SetUint(val.Uint())
			return nil
		}
	}
	return mismatch(v, fd)
}
