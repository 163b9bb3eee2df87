package speed

import (
	"testing"

	"soakrig/drivers/its90"
)

var sink float64

const points = 1024

// spread gives temperatures of type K in a scrambled order, above 0 degC, where its
// exponential piece costs most, and their EMF.
func spread(t testing.TB) (tempC, emfVolts []float64) {
	_, hi := its90.K.InvertibleRange()
	for i := range points {
		c := hi * float64(i*389%points) / (points - 1)
		e, err := its90.K.EMFVolts(c)
		if err != nil {
			t.Fatal(err)
		}
		tempC, emfVolts = append(tempC, c), append(emfVolts, e)
	}
	return tempC, emfVolts
}

// polynomial is of the ninth degree, as long as the longest piece of type K.
func polynomial(c float64) float64 {
	return -0.0176 + c*(0.0389+c*(1.86e-5+c*(-9.95e-8+c*(3.18e-10+c*(-5.6e-13+c*(5.6e-16+c*(-3.2e-19+c*(9.7e-23+c*-1.2e-26))))))))
}

// benchReference is t(E) of type K against E(t), and E(t) against a bare polynomial.
func benchReference(b *testing.B) {
	const passes = 100
	temps, emfs := spread(b)
	inverse, forward := newPair(), newPair()
	each := func(in []float64, f func(float64) float64) func() {
		return func() {
			for range passes {
				for _, v := range in {
					sink = f(v)
				}
			}
		}
	}
	t := func(e float64) float64 { c, _ := its90.K.TempC(e); return c }
	e := func(c float64) float64 { v, _ := its90.K.EMFVolts(c); return v }
	for b.Loop() {
		inverse.round(each(emfs, t), each(temps, e))
		forward.round(each(temps, e), each(temps, polynomial))
	}
	const n = passes * points / 1e9
	put(b, row{what: "t(E), type K", unit: "ns", ours: inverse.ours / n, limit: inverse.limit / n, of: "E(t), type K",
		allocs: testing.AllocsPerRun(100, func() { sink = t(emfs[7]) }), budget: "ratio <= 3, no allocation", met: inverse.ours/inverse.limit <= 3})
	put(b, row{key: "forward", what: "E(t), type K", unit: "ns", ours: forward.ours / n, limit: forward.limit / n, of: "a bare polynomial of the ninth degree",
		allocs: testing.AllocsPerRun(100, func() { sink = e(temps[7]) })})
}
