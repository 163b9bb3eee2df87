package its90

import "testing"

// benchPoints is how many temperatures a benchmark walks through, so that the
// branches it times are not all predicted.
const benchPoints = 1024

var sink float64

// benchTemps spreads temperatures over the invertible range in a scrambled
// order; for types with a piece of exponential form they lie above 0 degC,
// where that piece costs most.
func benchTemps(ty Type) []float64 {
	lo, hi := ty.InvertibleRange()
	if ty == K {
		lo = 0
	}
	cs := make([]float64, benchPoints)
	for i := range cs {
		cs[i] = lo + (hi-lo)*float64(i*389%benchPoints)/(benchPoints-1)
	}
	return cs
}

// BenchmarkHornerFloor evaluates the longest bare polynomial of type K, nine
// multiplications in a row, as the floor that everything is measured against.
func BenchmarkHornerFloor(b *testing.B) {
	cs := benchTemps(K)
	p := functions[K].pieces[1]
	p.a0 = 0
	i := 0
	for b.Loop() {
		sink = p.emfMV(cs[i%benchPoints])
		i++
	}
}

func BenchmarkEMFVolts(b *testing.B) {
	for _, ty := range Types() {
		b.Run(ty.String(), func(b *testing.B) {
			cs := benchTemps(ty)
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				sink, _ = ty.EMFVolts(cs[i%benchPoints])
				i++
			}
		})
	}
}

func BenchmarkTempC(b *testing.B) {
	for _, ty := range Types() {
		b.Run(ty.String(), func(b *testing.B) {
			es := benchTemps(ty)
			for i, c := range es {
				e, err := ty.EMFVolts(c)
				if err != nil {
					b.Fatal(err)
				}
				es[i] = e
			}
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				sink, _ = ty.TempC(es[i%benchPoints])
				i++
			}
		})
	}
}

func BenchmarkSeebeck(b *testing.B) {
	for _, ty := range []Type{K, T} {
		b.Run(ty.String(), func(b *testing.B) {
			cs := benchTemps(ty)
			i := 0
			for b.Loop() {
				sink, _ = ty.Seebeck(cs[i%benchPoints])
				i++
			}
		})
	}
}
