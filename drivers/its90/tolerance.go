package its90

import (
	"fmt"
	"math"
)

// Class is a tolerance class of a thermocouple as delivered. The numbers are
// stable. The zero value is no class.
type Class uint8

// The tolerance classes.
const (
	IECClass1    Class = 1 // IEC 60584-1 class 1
	IECClass2    Class = 2 // IEC 60584-1 class 2
	IECClass3    Class = 3 // IEC 60584-1 class 3, low temperatures (type B: high)
	ASTMStandard Class = 4 // ASTM E230 standard tolerances
	ASTMSpecial  Class = 5 // ASTM E230 special tolerances
)

// classNames is indexed by Class.
var classNames = [...]string{"", "iec-1", "iec-2", "iec-3", "astm-standard", "astm-special"}

// ParseClass returns the class named iec-1, iec-2, iec-3, astm-standard or
// astm-special, exactly as written here. Anything else is an error that lists
// the names.
func ParseClass(s string) (Class, error) {
	for i := IECClass1; i.Valid(); i++ {
		if classNames[i] == s {
			return i, nil
		}
	}
	return 0, fmt.Errorf("its90: tolerance class %q is not one of iec-1 iec-2 iec-3 astm-standard astm-special", s)
}

// Valid reports whether c is one of the five classes.
func (c Class) Valid() bool { return c >= IECClass1 && c <= ASTMSpecial }

// String returns the name [ParseClass] accepts, or "Class(n)" for a number that
// is no class.
func (c Class) String() string {
	if !c.Valid() {
		return fmt.Sprintf("Class(%d)", uint8(c))
	}
	return classNames[c]
}

// limit is one row of a tolerance table: the half width at t degC is the
// larger of absK and rel*|t|, plus riseFrom1100*(t-1100) above 1100 degC.
type limit struct {
	typ          Type
	class        Class
	minC, maxC   float64
	absK, rel    float64
	riseFrom1100 float64
	source       string
}

// What a row rests on. Neither standard's own text was seen.
const (
	iecTwo     = "IEC 60584-1, second-hand: two or more public copies agree"
	iecFrom40  = "IEC 60584-1, second-hand: two public copies agree, one of them prints the range from -40 degC"
	iecRise    = "IEC 60584-1, second-hand: two public copies agree up to 1100 degC; the rise above it is in one copy, another prints 1000 in its place"
	iecMemory  = "UNVERIFIED: IEC 60584-1, from memory, no copy seen"
	astmTwo    = "ASTM E230, second-hand: two public copies agree"
	astmGuide  = "ASTM E230, second-hand: one public copy, which suggests it as a guide only"
	astmColdK  = "ASTM E230, second-hand: two public copies agree on 2 percent, a third prints 1 percent"
	astmFloorC = "ASTM E230, second-hand: 1 percent in one public copy; UNVERIFIED: the floor of 4.4 K is from memory"
)

// limits holds the tolerance tables. Nothing in this package writes to it.
var limits = [...]limit{
	{T, IECClass1, -40, 350, 0.5, 0.004, 0, iecTwo},
	{T, IECClass2, -40, 350, 1.0, 0.0075, 0, iecTwo},
	{T, IECClass3, -200, 40, 1.0, 0.015, 0, iecTwo},
	{E, IECClass1, -40, 800, 1.5, 0.004, 0, iecTwo},
	{E, IECClass2, -40, 900, 2.5, 0.0075, 0, iecTwo},
	{E, IECClass3, -200, 40, 2.5, 0.015, 0, iecTwo},
	{J, IECClass1, -40, 750, 1.5, 0.004, 0, iecTwo},
	{J, IECClass2, -40, 750, 2.5, 0.0075, 0, iecTwo},
	{K, IECClass1, -40, 1000, 1.5, 0.004, 0, iecTwo},
	{K, IECClass2, -40, 1200, 2.5, 0.0075, 0, iecTwo},
	{K, IECClass3, -200, 40, 2.5, 0.015, 0, iecTwo},
	{N, IECClass1, -40, 1000, 1.5, 0.004, 0, iecTwo},
	{N, IECClass2, -40, 1200, 2.5, 0.0075, 0, iecTwo},
	{N, IECClass3, -200, 40, 2.5, 0.015, 0, iecTwo},
	{R, IECClass1, 0, 1600, 1.0, 0, 0.003, iecRise},
	{R, IECClass2, 0, 1600, 1.5, 0.0025, 0, iecFrom40},
	{S, IECClass1, 0, 1600, 1.0, 0, 0.003, iecRise},
	{S, IECClass2, 0, 1600, 1.5, 0.0025, 0, iecFrom40},
	{B, IECClass2, 600, 1700, 0, 0.0025, 0, iecTwo},
	{B, IECClass3, 600, 1700, 4.0, 0.005, 0, iecTwo},
	{C, IECClass2, 426, 2315, 0, 0.01, 0, iecMemory},
	{A, IECClass2, 1000, 2500, 0, 0.01, 0, iecMemory},

	{T, ASTMStandard, 0, 370, 1.0, 0.0075, 0, astmTwo},
	{T, ASTMSpecial, 0, 370, 0.5, 0.004, 0, astmTwo},
	{J, ASTMStandard, 0, 760, 2.2, 0.0075, 0, astmTwo},
	{J, ASTMSpecial, 0, 760, 1.1, 0.004, 0, astmTwo},
	{E, ASTMStandard, 0, 870, 1.7, 0.005, 0, astmTwo},
	{E, ASTMSpecial, 0, 870, 1.0, 0.004, 0, astmTwo},
	{K, ASTMStandard, 0, 1260, 2.2, 0.0075, 0, astmTwo},
	{K, ASTMSpecial, 0, 1260, 1.1, 0.004, 0, astmTwo},
	{N, ASTMStandard, 0, 1260, 2.2, 0.0075, 0, astmTwo},
	{N, ASTMSpecial, 0, 1260, 1.1, 0.004, 0, astmTwo},
	{R, ASTMStandard, 0, 1480, 1.5, 0.0025, 0, astmTwo},
	{R, ASTMSpecial, 0, 1480, 0.6, 0.001, 0, astmTwo},
	{S, ASTMStandard, 0, 1480, 1.5, 0.0025, 0, astmTwo},
	{S, ASTMSpecial, 0, 1480, 0.6, 0.001, 0, astmTwo},
	{B, ASTMStandard, 870, 1700, 0, 0.005, 0, astmTwo},
	{B, ASTMSpecial, 870, 1700, 0, 0.0025, 0, astmTwo},
	{T, ASTMStandard, -200, 0, 1.0, 0.015, 0, astmTwo},
	{T, ASTMSpecial, -200, 0, 0.5, 0.008, 0, astmGuide},
	{E, ASTMStandard, -200, 0, 1.7, 0.01, 0, astmTwo},
	{E, ASTMSpecial, -200, 0, 1.0, 0.005, 0, astmGuide},
	{K, ASTMStandard, -200, 0, 2.2, 0.02, 0, astmColdK},
	{C, ASTMStandard, 0, 2315, 4.4, 0.01, 0, astmFloorC},
}

// Tolerance returns the half width in kelvin of the band around the reference
// function that a new thermocouple of this type and class keeps to at tempC in
// degC, never 0, and what the figure rests on. Every figure is second-hand: a
// source that begins with or contains "UNVERIFIED" rests on memory at least in
// part. Where ASTM ranges meet at 0 degC the row above 0 answers; both give the
// same width there.
//
// It is a limit on delivery, not an uncertainty, and says nothing about drift
// in use. The error is a *RangeError if the class covers the type but not
// tempC (Min and Max then span all its rows), and another error if the class
// does not cover the type or either is not valid. It does not allocate on
// success and may be called concurrently.
func Tolerance(t Type, class Class, tempC float64) (halfWidthK float64, source string, err error) {
	if !t.Valid() {
		return 0, "", typeError(t)
	}
	if !class.Valid() {
		return 0, "", fmt.Errorf("its90: %v is not a tolerance class", class)
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range limits {
		l := &limits[i]
		if l.typ != t || l.class != class {
			continue
		}
		if tempC >= l.minC && tempC <= l.maxC {
			width := max(l.absK, float64(l.rel*math.Abs(tempC)))
			width += float64(l.riseFrom1100 * max(0, tempC-1100))
			return width, l.source, nil
		}
		lo, hi = min(lo, l.minC), max(hi, l.maxC)
	}
	if lo > hi {
		return 0, "", fmt.Errorf("its90: tolerance class %v does not cover type %v", class, t)
	}
	return 0, "", &RangeError{Type: t, Quantity: "temperature", Value: tempC, Min: lo, Max: hi, Unit: "degC"}
}
