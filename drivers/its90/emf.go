package its90

import "math"

// Every product below is wrapped in float64(...): the language then forbids
// fusing it with the following addition, so that a processor with fused
// multiply-add gives the same bits as one without. A night recorded on one
// machine and evaluated on another then agrees to the last digit.

// EMFVolts returns the EMF in volts of a thermocouple of type t whose
// measuring junction is at tempC and whose reference junction is at 0 degC.
// The error is a *RangeError outside [Type.Range], or another error if t is no
// type. It does not allocate on success and may be called concurrently.
func (t Type) EMFVolts(tempC float64) (float64, error) {
	p, err := t.pieceAt(tempC)
	if err != nil {
		return 0, err
	}
	return float64(p.emfMV(tempC) * 1e-3), nil
}

// Seebeck returns dE/dt in volts per kelvin at tempC in degC. At a join of two
// pieces it is the slope of the lower one; that matters only for type N at
// 0 degC, where the published slope steps from 26.16 to 25.93 uV/K. Errors,
// allocation and concurrency are those of [Type.EMFVolts]. It is negative for
// type B below 21.02 degC.
func (t Type) Seebeck(tempC float64) (voltsPerKelvin float64, err error) {
	p, err := t.pieceAt(tempC)
	if err != nil {
		return 0, err
	}
	_, slope := p.emfSlopeMV(tempC)
	return float64(slope * 1e-3), nil
}

// pieceAt returns the piece that holds tempC; a join belongs to the lower one.
func (t Type) pieceAt(tempC float64) (*piece, error) {
	if !t.Valid() {
		return nil, typeError(t)
	}
	ps := functions[t].pieces
	if tempC >= ps[0].fromC {
		for i := range ps {
			if tempC <= ps[i].toC {
				return &ps[i], nil
			}
		}
	}
	minC, maxC := t.Range()
	return nil, &RangeError{Type: t, Quantity: "temperature", Value: tempC, Min: minC, Max: maxC, Unit: "degC"}
}

// emfMV returns E in mV at c degC. Its result is bit for bit the first result
// of emfSlopeMV.
func (p *piece) emfMV(c float64) float64 {
	e := 0.0
	for i := len(p.mv) - 1; i >= 0; i-- {
		e = float64(e*c) + p.mv[i]
	}
	if p.a0 != 0 {
		u := c - p.a2
		e += float64(p.a0 * expNeg(float64(p.a1*float64(u*u))))
	}
	return e
}

// emfSlopeMV returns E in mV and dE/dt in mV/K at c degC in one pass.
func (p *piece) emfSlopeMV(c float64) (e, slope float64) {
	for i := len(p.mv) - 1; i >= 0; i-- {
		slope = float64(slope*c) + e
		e = float64(e*c) + p.mv[i]
	}
	if p.a0 != 0 {
		u := c - p.a2
		g := float64(p.a0 * expNeg(float64(p.a1*float64(u*u))))
		e += g
		slope += float64(g * float64(float64(2*p.a1)*u))
	}
	return e, slope
}

// expNeg returns e**x for -700 < x <= 0, to within 1e-15 of itself, the same bits on every machine (the standard library's has
// assembly versions that differ). x = k ln 2 + r with |r| <= 0.35, and e**r is
// its Taylor polynomial, summed as two interleaved halves.
func expNeg(x float64) float64 {
	const (
		log2e = 1 / math.Ln2
		hi    = 0x1.62e42feep-1 // upper 33 bits of ln 2: k*hi is exact
		lo    = math.Ln2 - hi
	)
	k := int(float64(x*log2e) - 0.5) // x <= 0, so this rounds to nearest
	n := float64(k)
	r := x - float64(n*hi) - float64(n*lo)
	s := float64(r * r)
	even := 1.0 / 479001600
	even = float64(even*s) + 1.0/3628800
	even = float64(even*s) + 1.0/40320
	even = float64(even*s) + 1.0/720
	even = float64(even*s) + 1.0/24
	even = float64(even*s) + 1.0/2
	odd := 1.0 / 39916800
	odd = float64(odd*s) + 1.0/362880
	odd = float64(odd*s) + 1.0/5040
	odd = float64(odd*s) + 1.0/120
	odd = float64(odd*s) + 1.0/6
	odd = float64(odd*s) + 1
	y := 1 + (float64(odd*r) + float64(even*s))
	return y * math.Float64frombits(uint64(1023+k)<<52)
}
