package its90

import (
	"fmt"
	"math"
)

// Type is a thermocouple type by its letter. The numbers are stored in
// journals: they never change meaning and are never reused. The zero value is
// no type; every method accepts it, and those that compute return an error.
type Type uint8

// The thermocouple types. B to T are the eight of NIST Monograph 175; A and C
// are the tungsten-rhenium types of IEC 60584-1, see [Type.Provenance].
const (
	B Type = 1
	E Type = 2
	J Type = 3
	K Type = 4
	N Type = 5
	R Type = 6
	S Type = 7
	T Type = 8
	A Type = 9
	C Type = 10
)

// letters is indexed by Type.
const letters = "?BEJKNRSTAC"

// invFromB is the start of type B's invertible range in degC. E(t) of type B
// falls from 0 at 0 degC to -2.6 uV at 21.02 degC and is back at 0 at
// 42.1321 degC, so that an EMF at or below 0 belongs to two temperatures. This
// is the first thousandth of a degree whose EMF is positive.
const invFromB = 42.133

// Types returns all types in order of their numbers, in a new slice.
func Types() []Type { return []Type{B, E, J, K, N, R, S, T, A, C} }

// ParseType returns the type of a single letter, upper or lower case. Anything
// else, also surrounding space, is an error that lists the letters.
func ParseType(s string) (Type, error) {
	if len(s) == 1 {
		c := s[0]
		if 'a' <= c && c <= 'z' {
			c -= 'a' - 'A'
		}
		for i := 1; i < len(letters); i++ {
			if letters[i] == c {
				return Type(i), nil
			}
		}
	}
	return 0, fmt.Errorf("its90: thermocouple type %q is not one of B E J K N R S T A C", s)
}

// Valid reports whether t is one of the ten types.
func (t Type) Valid() bool { return t >= B && t <= C }

// String returns the letter, or "Type(n)" for a number that is no type.
func (t Type) String() string {
	if !t.Valid() {
		return fmt.Sprintf("Type(%d)", uint8(t))
	}
	return letters[t : t+1]
}

// Range returns the whole range of E(t) in degC, ends included. For a value
// that is no type both are NaN.
//
// Type K reaches 1372 degC as in NIST Monograph 175; IEC 60584-1:2013 ends it
// at 1300 degC with the same polynomial below.
func (t Type) Range() (minC, maxC float64) {
	if !t.Valid() {
		return math.NaN(), math.NaN()
	}
	p := functions[t].pieces
	return p[0].fromC, p[len(p)-1].toC
}

// InvertibleRange returns the range in degC, ends included, over which E(t)
// rises throughout and [Type.TempC] answers. It is the whole range of E(t) for
// every type but B, whose inverse starts at 42.133 degC: below 42.1321 degC an
// EMF of type B belongs to two temperatures. The slope there is 0.25 uV/K, so
// a useful measurement with type B starts far higher; the published
// approximate inverse starts at 250 degC. For a value that is no type both
// are NaN.
func (t Type) InvertibleRange() (minC, maxC float64) {
	if !t.Valid() {
		return math.NaN(), math.NaN()
	}
	f := &functions[t]
	return f.invFromC, f.pieces[len(f.pieces)-1].toC
}

// EMFRange returns the EMF in volts at the two ends of the invertible range,
// ends included: what [Type.TempC] accepts. For a value that is no type both
// are NaN.
//
// Type A starts at +0.716 uV, not 0, since its published polynomial has a
// constant term; 0 V is out of its range.
func (t Type) EMFRange() (minVolts, maxVolts float64) {
	if !t.Valid() {
		return math.NaN(), math.NaN()
	}
	s := &starts[t]
	return s.minVolts, s.maxVolts
}

// Provenance says in one sentence where the numbers of this type come from and
// how far they could be verified. It is empty for a value that is no type.
func (t Type) Provenance() string {
	switch {
	case !t.Valid():
		return ""
	case t == A:
		return "PARTLY VERIFIED: GOST R 8.585-2001 curve A-1, which IEC 60584-1:2013 type A follows (that it is A-1 is from memory); " +
			"two public transcriptions agree and eight published table values are reproduced, except that E(0) is +0.716 uV where the table prints 0"
	case t == C:
		return "UNVERIFIED: ASTM E230 type C, which IEC 60584-1:2013 follows, from one public transcription; " +
			"no published table was found to check it against, and the join of its pieces is placed at 630.26 degC where they meet"
	default:
		return "VERIFIED: NIST Standard Reference Database 60 after NIST Monograph 175 (1993), same function as IEC 60584-1; " +
			"every published table value at whole degrees is reproduced to its last digit"
	}
}

// RangeError says that a temperature or EMF lies outside the range of a type,
// or is NaN or infinite. Nothing is ever extrapolated. It is returned as
// *RangeError.
type RangeError struct {
	Type     Type
	Quantity string  // "temperature" or "EMF"
	Value    float64 // as given, in Unit
	Min, Max float64 // accepted range, ends included, in Unit
	Unit     string  // "degC" or "V"
}

// Error names the type, the quantity, the value and the range.
func (e *RangeError) Error() string {
	return fmt.Sprintf("its90: type %v: %s %g %s is outside %g..%g %s",
		e.Type, e.Quantity, e.Value, e.Unit, e.Min, e.Max, e.Unit)
}

// typeError is returned by everything that computes when t is no type.
func typeError(t Type) error {
	return fmt.Errorf("its90: %v is not a thermocouple type", t)
}
