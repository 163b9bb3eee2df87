package record

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
)

// MaxBodyBytes bounds an encoded body. Longer ones are refused when encoded and
// taken for damage when decoded.
const MaxBodyBytes = 4 << 20

// MaxRaws bounds the channels of one sample.
const MaxRaws = 4096

// bodyVersion is the version byte of every body that this build writes.
const bodyVersion = 1

const knownFields = HasCode | HasCold | HasChip

// ErrMalformed is what every decoder of this package wraps when bytes are not what
// the format says: damage, or bytes of something else.
var ErrMalformed = errors.New("malformed")

func malformed(format string, args ...any) error {
	return fmt.Errorf("record: "+format+": %w", append(args, ErrMalformed)...)
}

// AppendBody appends b as the format stores it: type number, version, payload. A
// code whose Has bit is not set is not stored. The error says why b can't be
// stored: an Unknown, a number that JSON does not have, too many channels or bytes.
func AppendBody(dst []byte, b Body) ([]byte, error) {
	if s, ok := b.(*Sample); ok {
		return appendSample(dst, s)
	}
	if b == nil || b.Type() == TypeUnknown {
		return dst, fmt.Errorf("record: encode %T: only the types of FORMAT.md can be stored", b)
	}
	payload, err := json.Marshal(b)
	if err != nil {
		return dst, fmt.Errorf("record: encode %T: %w", b, err)
	}
	if len(payload)+2 > MaxBodyBytes {
		return dst, fmt.Errorf("record: encode %T: %d bytes, at most %d can be stored", b, len(payload)+2, MaxBodyBytes)
	}
	dst = append(dst, byte(b.Type()), bodyVersion)
	return append(dst, payload...), nil
}

// DecodeBody reads what AppendBody wrote. A type or version that this build does
// not know gives an *Unknown and no error. It keeps no reference to p.
func DecodeBody(p []byte) (Body, error) {
	if len(p) < 2 {
		return nil, malformed("body of %d bytes", len(p))
	}
	if len(p) > MaxBodyBytes {
		return nil, malformed("body of %d bytes", len(p))
	}
	b := newBody(Type(p[0]))
	if b == nil || p[1] != bodyVersion {
		return &Unknown{Number: Type(p[0]), Version: p[1]}, nil
	}
	if s, ok := b.(*Sample); ok {
		if err := DecodeSample(p, s); err != nil {
			return nil, err
		}
		return s, nil
	}
	if err := json.Unmarshal(p[2:], b); err != nil {
		return nil, malformed("%T: %v", b, err)
	}
	return b, nil
}

func newBody(t Type) Body {
	switch t {
	case TypeSample:
		return new(Sample)
	case TypeLayout:
		return new(Layout)
	case TypeSourceEvent:
		return new(SourceEvent)
	case TypeClockStep:
		return new(ClockStep)
	case TypeGap:
		return new(Gap)
	case TypeRunEvent:
		return new(RunEvent)
	case TypeResult:
		return new(RunResult)
	case TypeCalibration:
		return new(Calibration)
	case TypeMark:
		return new(Mark)
	}
	return nil
}

func appendSample(dst []byte, s *Sample) ([]byte, error) {
	if len(s.Raw) > MaxRaws {
		return dst, fmt.Errorf("record: encode sample of source %d: %d channels, at most %d can be stored", s.Source, len(s.Raw), MaxRaws)
	}
	n := len(dst)
	dst = append(dst, byte(TypeSample), bodyVersion)
	dst = binary.AppendUvarint(dst, uint64(s.Layout))
	dst = binary.AppendUvarint(dst, uint64(s.Source))
	dst = binary.AppendUvarint(dst, uint64(len(s.Raw)))
	for i := range s.Raw {
		r := &s.Raw[i]
		if r.Has&^knownFields != 0 {
			return dst[:n], fmt.Errorf("record: encode sample of source %d: channel %d has unknown fields %#x", s.Source, i, uint8(r.Has))
		}
		dst = append(dst, byte(r.Has))
		dst = binary.AppendUvarint(dst, uint64(r.Faults))
		dst = binary.AppendVarint(dst, int64(r.AgeUS))
		if r.Has&HasCode != 0 {
			dst = binary.AppendVarint(dst, r.Code)
		}
		if r.Has&HasCold != 0 {
			dst = binary.AppendVarint(dst, r.Cold)
		}
		if r.Has&HasChip != 0 {
			dst = binary.AppendVarint(dst, r.Chip)
		}
	}
	return dst, nil
}

// IsSample tells whether p is an encoded sample that DecodeSample reads.
func IsSample(p []byte) bool {
	return len(p) >= 2 && Type(p[0]) == TypeSample && p[1] == bodyVersion
}

// DecodeSample reads an encoded sample into s and reuses s.Raw. After an error s
// holds nothing of use.
func DecodeSample(p []byte, s *Sample) error {
	if !IsSample(p) {
		return malformed("no sample")
	}
	c := cursor{p: p[2:]}
	s.Layout = uint32(c.uvarint(1<<32 - 1))
	s.Source = uint16(c.uvarint(1<<16 - 1))
	n := int(c.uvarint(MaxRaws))
	if c.bad || n*3 > len(c.p) {
		return malformed("sample header")
	}
	if cap(s.Raw) < n {
		s.Raw = make([]Raw, n)
	}
	s.Raw = s.Raw[:n]
	for i := range s.Raw {
		c.raw(&s.Raw[i])
	}
	if c.bad || len(c.p) != 0 {
		return malformed("sample of source %d", s.Source)
	}
	return nil
}

// cursor takes values from the front of p; once bad it stays bad.
type cursor struct {
	p   []byte
	bad bool
}

func (c *cursor) raw(r *Raw) {
	*r = Raw{Has: Fields(c.byte())}
	if r.Has&^knownFields != 0 {
		c.bad = true
	}
	r.Faults = Faults(c.uvarint(1<<32 - 1))
	age := c.varint()
	r.AgeUS = int32(age)
	if int64(r.AgeUS) != age {
		c.bad = true
	}
	if r.Has&HasCode != 0 {
		r.Code = c.varint()
	}
	if r.Has&HasCold != 0 {
		r.Cold = c.varint()
	}
	if r.Has&HasChip != 0 {
		r.Chip = c.varint()
	}
}

func (c *cursor) byte() byte {
	if len(c.p) == 0 {
		c.bad = true
		return 0
	}
	b := c.p[0]
	c.p = c.p[1:]
	return b
}

func (c *cursor) uvarint(most uint64) uint64 {
	if len(c.p) > 0 && c.p[0] < 0x80 { // the usual case
		v := uint64(c.p[0])
		c.p = c.p[1:]
		if v > most {
			c.bad = true
			return 0
		}
		return v
	}
	v, n := binary.Uvarint(c.p)
	if n <= 0 || v > most {
		c.bad = true
		return 0
	}
	c.p = c.p[n:]
	return v
}

func (c *cursor) varint() int64 {
	u := c.uvarint(1<<64 - 1)
	return unzigzag(u)
}

func (c *cursor) take(n int) []byte {
	if n < 0 || n > len(c.p) {
		c.bad = true
		return nil
	}
	b := c.p[:n:n]
	c.p = c.p[n:]
	return b
}

func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }
