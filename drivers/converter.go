package drivers

import "time"

// Law says how a code becomes a quantity. The numbers are stored in journals.
type Law uint8

// The laws. tcj is the cold junction in degC, E the reference function of the
// channel's couple, t its inverse.
const (
	// LawEMF: volts = Code*PerCode + Offset; temperature = t(E(tcj) + volts).
	LawEMF Law = iota + 1
	// LawFixedSlope: the chip added tcj to EMF/SlopeVoltsPerK without linearising.
	// chip = Code*PerCode; volts = (chip - tcj)*SlopeVoltsPerK; then as LawEMF.
	LawFixedSlope
	// LawLinearised: the chip linearises correctly: temperature = Code*PerCode + Offset.
	LawLinearised
	// LawFixedSlopeNoCold: as LawFixedSlope but the chip hides its cold junction,
	// so the number stays as it is and the budget carries the error.
	LawFixedSlopeNoCold
	// LawRTD: ohms = Code*PerCode; temperature by Callendar-Van Dusen of IEC 60751
	// with R0Ohms at 0 degC.
	LawRTD
	// LawLinear: value = Code*PerCode + Offset, in Unit.
	LawLinear
	// LawFloat32 and LawFloat64: Code holds the IEEE 754 bits; value = bits*PerCode + Offset, in Unit.
	LawFloat32
	LawFloat64
)

// Converter says what the codes of one input mean. It is stored with the samples,
// so that a night can be computed again when a coefficient is corrected.
type Converter struct {
	Model          string        // the part, for instance "MAX31855K"
	Law            Law           // never zero
	Kind           Kind          // what comes out
	Unit           string        // of the value that comes out: degC, W, J, V, A, Hz, or the driver's word
	PerCode        float64       // what one code is worth, in the law's unit
	Offset         float64       // added after PerCode, in the law's unit
	ColdPerCode    float64       // degC per cold-junction code; zero: no cold junction in the sample
	SlopeVoltsPerK float64       // LawFixedSlope only
	R0Ohms         float64       // LawRTD only
	Modulus        float64       // counters: the value at which the counter wraps to 0; zero: not a counter that wraps
	Masks          Faults        // what the chip flags and the configuration tells to leave out; recorded, and shown with every result
	CountedHere    bool          // a counter that the daemon keeps: it stands still while the daemon does
	Conversion     time.Duration // time of one conversion: no two samples can be closer; zero: unknown
	Lines          []Line        // what the data sheet says about the converter's errors
}

// Line is one line of an uncertainty budget as a data sheet or class states it:
// limits of +-(Half + Rel*|reading|). Zero in both says that nothing is stated.
type Line struct {
	Name     string  // "converter full scale and linearity"
	Half     float64 // absolute part, in the unit of In
	Rel      float64 // relative part, a fraction of the reading
	In       Acts    // where it acts
	Sigma    float64 // how many standard deviations the limits are; zero: rectangular, divide by sqrt(3)
	SharedBy string  // what two results share when it cancels between them: "converter", "channel", "rig"; empty: nothing
	Source   string  // document and page, or "from memory", or "common practice"
}

// Acts says where an uncertainty acts.
type Acts uint8

// Where a line acts.
const (
	OnValue Acts = iota // in the unit of the value
	OnEMF               // volts at the converter's input
	OnCold              // K at the cold junction
)
