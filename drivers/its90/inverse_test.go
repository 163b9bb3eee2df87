package its90

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

const (
	roundTripK = 1e-6
	// noiseK is what float64 leaves of t(E) where it is worst: near -270 degC
	// terms of 1000 mV and more cancel (types E and T) and the slope is 1 uV/K.
	noiseK = 1e-7
)

// roundTrip returns t(E(c)) - c.
func roundTrip(t testing.TB, ty Type, c float64) float64 {
	t.Helper()
	return mustTemp(t, ty, mustEMF(t, ty, c)) - c
}

// TestRoundTripGrid covers each invertible range evenly, and its ends, joins
// and cell borders closely.
func TestRoundTripGrid(t *testing.T) {
	for _, ty := range Types() {
		lo, hi := ty.InvertibleRange()
		worst, at := 0.0, lo
		try := func(c float64) {
			if c < lo || c > hi {
				return
			}
			if d := math.Abs(roundTrip(t, ty, c)); !(d <= worst) {
				worst, at = d, c
			}
		}
		const n = 100000
		for i := range n + 1 {
			try(lo + (hi-lo)*float64(i)/n)
		}
		near := append(joins(ty), lo, hi)
		for _, sp := range starts[ty].spans {
			for k := range len(sp.cells) + 1 {
				near = append(near, sp.guess(sp.fromMV+float64(k)/sp.cellPerMV))
			}
		}
		for _, c := range near {
			for i := -50; i <= 50; i++ {
				try(c + float64(i)*1e-7)
				try(c + float64(i)*1e-4)
			}
		}
		t.Logf("type %v: largest round trip error %.2g K at %.7g degC", ty, worst, at)
		if !(worst < roundTripK) {
			t.Errorf("type %v: t(E(t)) is off by %g K at %v degC", ty, worst, at)
		}
	}
}

func TestRoundTripProperty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		ty := rapid.SampledFrom(Types()).Draw(rt, "type")
		lo, hi := ty.InvertibleRange()
		c := rapid.Float64Range(lo, hi).Draw(rt, "degC")
		e, err := ty.EMFVolts(c)
		if err != nil {
			rt.Fatal(err)
		}
		got, err := ty.TempC(e)
		if err != nil || !(math.Abs(got-c) < roundTripK) {
			rt.Fatalf("type %v: %v degC comes back as %v, %v", ty, c, got, err)
		}
	})
}

// TestOneStepSuffices counts Newton steps: the table is close enough for one
// everywhere, and what one leaves is within the stated error.
func TestOneStepSuffices(t *testing.T) {
	for _, ty := range Types() {
		f := &functions[ty]
		for i, sp := range starts[ty].spans {
			p := &f.pieces[sp.piece]
			for k := range 20001 {
				mv := sp.fromMV + (sp.toMV-sp.fromMV)*float64(k)/20000
				c := sp.guess(mv)
				e, slope := p.emfSlopeMV(c)
				step := (mv - e) / slope
				if !(math.Abs(step) <= sp.trustK) {
					t.Fatalf("type %v span %d at %v mV: step %g K, table promises %g", ty, i, mv, step, sp.trustK)
				}
				e, slope = p.emfSlopeMV(c + step)
				if rest := math.Abs((mv - e) / slope); rest > noiseK {
					t.Fatalf("type %v span %d at %v mV: one step leaves %g K", ty, i, mv, rest)
				}
			}
		}
	}
}

// TestConvergesFromAfar puts the start off by more than any table error and
// counts on the same iteration to come back.
func TestConvergesFromAfar(t *testing.T) {
	for _, ty := range Types() {
		for i, sp := range starts[ty].spans {
			p := &functions[ty].pieces[sp.piece]
			for k := 1; k < 1000; k++ {
				mv := sp.fromMV + (sp.toMV-sp.fromMV)*float64(k)/1000
				want := sp.guess(mv)
				for _, off := range []float64{-0.3, 0.3} {
					c, steps, step := want+off, 0, math.Inf(1)
					for ; math.Abs(step) > sp.trustK && steps < maxSteps; steps++ {
						e, slope := p.emfSlopeMV(c)
						step = (mv - e) / slope
						c += step
					}
					if !(math.Abs(c-want) <= 2*sp.trustK) || steps >= maxSteps {
						t.Fatalf("type %v span %d at %v mV: %v after %d steps, want %v", ty, i, mv, c, steps, want)
					}
				}
			}
		}
	}
}

// TestTempRises: t(E) never falls by more than the noise of the last digits,
// also through the joins.
func TestTempRises(t *testing.T) {
	for _, ty := range Types() {
		lo, hi := ty.EMFRange()
		walk := func(from, to float64, n int, fallK float64) {
			last := math.Inf(-1)
			for i := range n + 1 {
				v := from + (to-from)*float64(i)/float64(n)
				c := mustTemp(t, ty, min(max(v, lo), hi))
				if c < last-fallK {
					t.Fatalf("type %v at %v V: %.10f degC after %.10f", ty, v, c, last)
				}
				last = c
			}
		}
		walk(lo, hi, 100000, 0)
		for _, c := range joins(ty) {
			e := mustEMF(t, ty, c)
			walk(e-1e-9, e+1e-9, 20000, noiseK)
			walk(e-1e-12, e+1e-12, 2000, noiseK)
			if d := math.Abs(mustTemp(t, ty, e) - c); d > noiseK {
				t.Errorf("type %v: the join at %v degC comes back %g K off", ty, c, d)
			}
		}
	}
}

// TestGapRestsAtTheJoin: no temperature has the EMFs between the two pieces of
// type J at 760 degC.
func TestGapRestsAtTheJoin(t *testing.T) {
	low := functions[J].pieces[0].emfMV(760)
	high := functions[J].pieces[1].emfMV(760)
	for _, part := range []float64{0.1, 0.5, 0.9} {
		if c := mustTemp(t, J, (low+(high-low)*part)*1e-3); c != 760 {
			t.Errorf("%v of the way through the gap: %.9f degC, want 760", part, c)
		}
	}
}

// TestPublishedInverse compares t(E) with the approximate inverse NIST
// published for parts of the ranges, within the error it states, which is
// printed to one digit.
func TestPublishedInverse(t *testing.T) {
	type approx struct {
		from, to, lo, hi float64
		d                []float64
	}
	all := map[Type]map[string]*approx{}
	for _, row := range table(t, "coefficients.csv") {
		if row["function"] != "inverse" || row["type"] == "A" { // type A's is 1 K off
			continue
		}
		ty, piece := typeOf(t, row), row["piece"]
		if all[ty] == nil {
			all[ty] = map[string]*approx{}
		}
		if all[ty][piece] == nil {
			all[ty][piece] = &approx{from: number(t, row, "from_degC"), to: number(t, row, "to_degC")}
		}
		a, v := all[ty][piece], number(t, row, "value")
		switch row["index"] {
		case "err_lo":
			a.lo = v
		case "err_hi":
			a.hi = v
		default:
			a.d = append(a.d, v)
		}
	}
	if len(all) != 8 {
		t.Fatalf("%d types have a published inverse, want 8", len(all))
	}
	for ty, pieces := range all {
		for name, a := range pieces {
			slack := 0.6 * math.Pow(10, math.Floor(math.Log10(a.hi)))
			for i := range 1001 {
				c := a.from + (a.to-a.from)*float64(i)/1000
				e := mustEMF(t, ty, c)
				mv, sum := e*1e3, 0.0
				for k := len(a.d) - 1; k >= 0; k-- {
					sum = sum*mv + a.d[k]
				}
				if d := sum - mustTemp(t, ty, e); d < a.lo-slack || d > a.hi+slack {
					t.Errorf("type %v inverse %s at %v degC: %g K apart, published %v..%v", ty, name, c, d, a.lo, a.hi)
				}
			}
		}
	}
}

func TestRangeErrors(t *testing.T) {
	for _, ty := range Types() {
		lo, hi := ty.Range()
		loV, hiV := ty.EMFRange()
		loC, hiC := ty.InvertibleRange()
		if below, above := mustTemp(t, ty, loV-roundVolts/2), mustTemp(t, ty, hiV+roundVolts/2); below != loC || above != hiC {
			t.Errorf("type %v: a rounding beyond the ends gives %v and %v", ty, below, above)
		}
		for _, q := range []struct {
			name, unit string
			f          func(float64) (float64, error)
			lo, hi     float64
		}{
			{"temperature", "degC", ty.EMFVolts, lo, hi},
			{"temperature", "degC", ty.Seebeck, lo, hi},
			{"EMF", "V", ty.TempC, loV, hiV},
		} {
			beyond := 0.0
			if q.unit == "V" {
				beyond = roundVolts
			}
			bad := []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.Nextafter(q.lo-beyond, math.Inf(-1)),
				math.Nextafter(q.hi+beyond, math.Inf(1)), math.MaxFloat64, -math.MaxFloat64}
			for _, v := range bad {
				got, err := q.f(v)
				var re *RangeError
				if !errors.As(err, &re) || got != 0 {
					t.Fatalf("type %v: %s %v gives %v, %v", ty, q.name, v, got, err)
				}
				same := re.Value == v || math.IsNaN(re.Value) && math.IsNaN(v)
				if re.Type != ty || re.Quantity != q.name || re.Unit != q.unit || !same || re.Min != q.lo || re.Max != q.hi {
					t.Errorf("type %v: %s %v: %+v", ty, q.name, v, *re)
				}
			}
		}
	}
	_, err := K.EMFVolts(1400)
	if got, want := err.Error(), "its90: type K: temperature 1400 degC is outside -270..1372 degC"; got != want {
		t.Errorf("message %q, want %q", got, want)
	}
}

func TestNoAllocation(t *testing.T) {
	for _, ty := range Types() {
		lo, hi := ty.InvertibleRange()
		c := (lo + hi) / 2
		e := mustEMF(t, ty, c)
		if n := testing.AllocsPerRun(100, func() {
			sink, _ = ty.EMFVolts(c)
			sink, _ = ty.Seebeck(c)
			sink, _ = ty.TempC(e)
			sink, _ = ty.EMFRange()
			sink = float64(len(ty.Provenance()) + len(ty.String()))
		}); n != 0 {
			t.Errorf("type %v: %v allocations", ty, n)
		}
	}
	if n := testing.AllocsPerRun(100, func() { sink, _, _ = Tolerance(K, ASTMSpecial, 1000) }); n != 0 {
		t.Errorf("Tolerance: %v allocations", n)
	}
}

// TestLinearLawTypeK reproduces the error of digitisers that divide by a fixed
// 41.276 uV/K in place of inverting E(t).
func TestLinearLawTypeK(t *testing.T) {
	const coldC, slopeV = 25, 41.276e-6
	for _, row := range table(t, "linear-law-type-k.csv") {
		c := number(t, row, "t90_degC")
		v := mustEMF(t, K, c) - mustEMF(t, K, coldC)
		reported := v/slopeV + coldC
		if math.Abs(v*1e3-number(t, row, "v_mV")) > 5.1e-7 ||
			math.Abs(reported-number(t, row, "reported_degC")) > 5.1e-4 ||
			math.Abs(reported-c-number(t, row, "error_degC")) > 5.1e-4 {
			t.Errorf("at %v degC: %.6f mV reported as %.3f degC, want %v", c, v*1e3, reported, row)
		}
		if back := mustTemp(t, K, (reported-coldC)*slopeV+mustEMF(t, K, coldC)); math.Abs(back-c) > 1e-6 {
			t.Errorf("at %v degC: undoing the law gives %v", c, back)
		}
	}
}

func FuzzTempC(f *testing.F) {
	for _, ty := range Types() {
		lo, hi := ty.EMFRange()
		f.Add(uint8(ty), lo)
		f.Add(uint8(ty), hi)
		f.Add(uint8(ty), (lo+hi)/3)
		for _, c := range joins(ty) {
			f.Add(uint8(ty), mustEMF(f, ty, c))
		}
	}
	f.Add(uint8(0), 0.0)
	f.Add(uint8(200), math.NaN())
	f.Add(uint8(K), math.Inf(-1))
	f.Fuzz(func(t *testing.T, n uint8, v float64) {
		ty := Type(n)
		c, err := ty.TempC(v)
		loV, hiV := ty.EMFRange()
		if inside := v >= loV-roundVolts && v <= hiV+roundVolts; inside != (err == nil) {
			t.Fatalf("%v, %v V: %v, %v", ty, v, c, err)
		}
		if err != nil {
			return
		}
		lo, hi := ty.InvertibleRange()
		if !(c >= lo && c <= hi) {
			t.Fatalf("type %v: %v V gives %v degC, outside %v..%v", ty, v, c, lo, hi)
		}
		// Where E(t) has a gap no temperature gives v; the gap is 1.2e-6 K wide.
		s, err := ty.Seebeck(c)
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(mustEMF(t, ty, c)-v) / s; d > 1.2e-6 {
			t.Fatalf("type %v: E(t(%v V)) is off by %g K", ty, v, d)
		}
	})
}
