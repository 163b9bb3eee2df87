package its90

// The inverse is Newton's method on E(t), started from a table of polynomials
// t(E) made by fitting E(t) itself (starts.go, written by a test). The table is
// close enough for one step to come within 1e-9 K, or within the 1e-7 K that
// float64 leaves of E(t) near -270 degC; a step longer than the table's
// stated error is followed by another, up to maxSteps.

// start is the start table of one type. Its spans are in order of EMF.
type start struct {
	minVolts, maxVolts float64 // E at the ends of the invertible range
	spans              []span
}

// span is a stretch of EMF within one piece, cut into equal cells.
type span struct {
	toMV      float64 // last EMF of the span, which starts where the one before ends
	piece     int     // index into function.pieces
	trustK    float64 // a Newton step no longer than this ends the iteration
	fromMV    float64 // EMF at the start of cell 0
	cellPerMV float64
	cells     []cell
}

// cell gives t in degC as a polynomial in x, constant term first, where x runs
// from -1/2 to 1/2 across the cell.
type cell [cellTerms]float64

const (
	maxSteps = 8
	// roundVolts is how far float64 may put E(t) beyond its value at the end of
	// the range (2e-14 V for type T near -270 degC).
	roundVolts = 5e-14
)

// TempC returns the temperature in degC at which a thermocouple of type t with
// its reference junction at 0 degC gives emfVolts: the inverse of
// [Type.EMFVolts]. t(E(t)) is within 1 microkelvin of t over the whole of
// [Type.InvertibleRange].
//
// At a join of two pieces the lower piece answers up to and including its own
// E at the join, the upper one beyond, and neither answer leaves its piece. So
// t(E) never falls as E rises; where the published pieces leave a gap (type J
// at 760 degC, 75 pV) it rests at the join, and where they overlap (type B at
// 630.615 degC, 2 pV) it is out by at most the overlap, 0.35 microkelvin.
//
// The error is a *RangeError outside [Type.EMFRange], where an EMF beyond an
// end by no more than the rounding of E(t), 5e-14 V, counts as that end; or another error if t is
// no type. It does not allocate on success and may be called concurrently.
func (t Type) TempC(emfVolts float64) (float64, error) {
	if !t.Valid() {
		return 0, typeError(t)
	}
	st := &starts[t]
	if !(emfVolts >= st.minVolts-roundVolts && emfVolts <= st.maxVolts+roundVolts) {
		return 0, &RangeError{Type: t, Quantity: "EMF", Value: emfVolts, Min: st.minVolts, Max: st.maxVolts, Unit: "V"}
	}
	mv := float64(emfVolts * 1e3)
	i := 0
	for i < len(st.spans)-1 && mv > st.spans[i].toMV {
		i++
	}
	sp := &st.spans[i]
	p := &functions[t].pieces[sp.piece]
	c := sp.guess(mv)
	for range maxSteps {
		e, slope := p.emfSlopeMV(c)
		step := (mv - e) / slope
		c += step
		if step <= sp.trustK && step >= -sp.trustK {
			break
		}
	}
	fromC := p.fromC
	if sp.piece == 0 {
		fromC = functions[t].invFromC
	}
	return min(max(c, fromC), p.toC), nil
}

// guess returns the table's t in degC for mv, which lies within the span or,
// at a join, a rounding beside it.
func (s *span) guess(mv float64) float64 {
	x := float64((mv - s.fromMV) * s.cellPerMV)
	n := min(max(int(x), 0), len(s.cells)-1)
	x -= float64(n) + 0.5
	q := &s.cells[n]
	c := q[cellTerms-1]
	for i := cellTerms - 2; i >= 0; i-- {
		c = float64(c*x) + q[i]
	}
	return c
}
