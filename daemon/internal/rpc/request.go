package rpc

import (
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // the codec that lenient wraps
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// maxElements bounds every list and map of a request.
const maxElements = 1000

// checkRequest refuses what no field of any request may hold, so that no handler has
// to think of it: a number that is none, a text that is too long or that would take
// over a terminal, a list without end. What a field may hold beyond that, its handler
// knows.
func checkRequest(req any) error {
	m, ok := req.(proto.Message)
	if !ok {
		return nil
	}
	if fault, ok := strayOf(m); ok {
		return badField(fault.field, "%s", fault.text)
	}
	return checkMessage("", m.ProtoReflect())
}

func checkMessage(path string, m protoreflect.Message) (err error) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		name := path + string(fd.Name())
		switch {
		case fd.IsMap():
			err = checkMap(name, fd, v.Map())
		case fd.IsList():
			list := v.List()
			if list.Len() > maxElements {
				err = badField(name, "%d %s; at most %d", list.Len(), fd.Name(), maxElements)
			}
			for i := 0; i < list.Len() && err == nil; i++ {
				err = checkValue(fmt.Sprintf("%s[%d]", name, i), fd, list.Get(i))
			}
		default:
			err = checkValue(name, fd, v)
		}
		return err == nil
	})
	return err
}

func checkMap(name string, fd protoreflect.FieldDescriptor, m protoreflect.Map) (err error) {
	if m.Len() > maxElements {
		return badField(name, "%d %s; at most %d", m.Len(), fd.Name(), maxElements)
	}
	m.Range(func(k protoreflect.MapKey, v protoreflect.Value) bool {
		if err = checkText(name, k.String()); err == nil {
			err = checkValue(fmt.Sprintf("%s[%q]", name, k.String()), fd.MapValue(), v)
		}
		return err == nil
	})
	return err
}

func checkValue(name string, fd protoreflect.FieldDescriptor, v protoreflect.Value) error {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		return checkMessage(name+".", v.Message())
	case protoreflect.StringKind:
		return checkText(name, v.String())
	case protoreflect.DoubleKind:
		if f := v.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
			return badField(name, "%v is no number that can be worked with; leave the field out if there is none", f)
		}
	}
	return nil
}

func checkText(name, text string) error {
	if len(text) > maxText {
		return badField(name, "%d bytes; at most %d", len(text), maxText)
	}
	if i := strings.IndexFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }); i >= 0 {
		return badField(name, "the character %q at byte %d does not belong into a text", []rune(text[i:])[0], i)
	}
	return nil
}

// lenient is gRPC's own codec, except that a request that can't be read reaches
// checkRequest, which says which field is wrong and answers INVALID_ARGUMENT, where
// gRPC would answer INTERNAL.
type lenient struct{ encoding.CodecV2 }

func newLenient() lenient { return lenient{encoding.GetCodecV2("proto")} }

// Unmarshal implements encoding.CodecV2.
func (c lenient) Unmarshal(data mem.BufferSlice, v any) error {
	err := c.CodecV2.Unmarshal(data, v)
	m, ok := v.(proto.Message)
	if err == nil || !ok {
		return err
	}
	field := brokenText("", m.ProtoReflect().Descriptor(), data.Materialize())
	text := "is not UTF-8"
	if field == "" {
		field, text = "request", "is not a "+string(m.ProtoReflect().Descriptor().Name())+" in the wire format of protocol buffers"
	}
	proto.Reset(m)
	stray := protowire.AppendTag(nil, strayField, protowire.BytesType)
	m.ProtoReflect().SetUnknown(protowire.AppendString(stray, field+"\x00"+text))
	return nil
}

// strayField carries why a request could not be read, from the codec to checkRequest,
// inside the message. Its number is one that no message may use; a client that sends it
// gets its own request refused.
const strayField = 19999

type stray struct{ field, text string }

func strayOf(m proto.Message) (stray, bool) {
	raw := m.ProtoReflect().GetUnknown()
	num, kind, n := protowire.ConsumeTag(raw)
	if n < 0 || num != strayField || kind != protowire.BytesType {
		return stray{}, false
	}
	text, _ := protowire.ConsumeString(raw[n:])
	field, what, _ := strings.Cut(text, "\x00")
	return stray{strings.ToValidUTF8(field, "�"), strings.ToValidUTF8(what, "�")}, true
}

// brokenText is the first text of a message that is not UTF-8; empty: none is.
func brokenText(path string, desc protoreflect.MessageDescriptor, raw []byte) string {
	for len(raw) > 0 {
		num, kind, n := protowire.ConsumeTag(raw)
		if n < 0 {
			return ""
		}
		raw = raw[n:]
		n = protowire.ConsumeFieldValue(num, kind, raw)
		if n < 0 {
			return ""
		}
		fd := desc.Fields().ByNumber(num)
		if fd != nil && kind == protowire.BytesType {
			value, _ := protowire.ConsumeBytes(raw)
			switch name := path + string(fd.Name()); {
			case fd.Kind() == protoreflect.StringKind && !utf8.Valid(value):
				return name
			case fd.Kind() == protoreflect.MessageKind:
				if found := brokenText(name+".", fd.Message(), value); found != "" {
					return found
				}
			}
		}
		raw = raw[n:]
	}
	return ""
}
