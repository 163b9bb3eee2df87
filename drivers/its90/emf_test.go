package its90

import (
	"fmt"
	"hash/fnv"
	"math"
	"strconv"
	"testing"
)

// TestCoefficients compares the Go data with the transcription in testdata,
// number for number and in count.
func TestCoefficients(t *testing.T) {
	seen := map[Type]int{}
	for _, row := range table(t, "coefficients.csv") {
		if row["function"] != "emf" {
			continue
		}
		ty := typeOf(t, row)
		seen[ty]++
		p := functions[ty].pieces[int(number(t, row, "piece"))]
		var got float64
		switch i := row["index"]; i {
		case "a0":
			got = p.a0
		case "a1":
			got = p.a1
		case "a2":
			got = p.a2
		default:
			n, err := strconv.Atoi(i)
			if err != nil || n >= len(p.mv) {
				t.Fatalf("type %v: no coefficient %q", ty, i)
			}
			got = p.mv[n]
		}
		if want := number(t, row, "value"); got != want {
			t.Errorf("type %v piece %s index %s: %v, want %v", ty, row["piece"], row["index"], got, want)
		}
		from, to := number(t, row, "from_degC"), number(t, row, "to_degC")
		if ty == C { // see joinC
			from, to = min(from, p.fromC), max(to, p.toC)
			if from == 630.615 {
				from = joinC
			}
			if p.toC == joinC && to == 630.615 {
				to = joinC
			}
		}
		if p.fromC != from || p.toC != to {
			t.Errorf("type %v piece %s: %v..%v, want %v..%v", ty, row["piece"], p.fromC, p.toC, from, to)
		}
	}
	for _, ty := range Types() {
		n := 0
		for _, p := range functions[ty].pieces {
			n += len(p.mv)
			if p.a0 != 0 {
				n += 3
			}
		}
		if seen[ty] != n {
			t.Errorf("type %v: %d coefficients, want %d", ty, n, seen[ty])
		}
	}
}

// round3 prints mV with three decimals, half away from zero, and 0 without a
// sign.
func round3(mv float64) string {
	r := math.Round(mv*1000) / 1000
	if r == 0 {
		r = 0
	}
	return strconv.FormatFloat(r, 'f', 3, 64)
}

func TestPublishedTables(t *testing.T) {
	for _, f := range []struct {
		name string
		rows int
	}{
		{"emf-every-10-degC.csv", 1220},
		{"nist-monograph-175.csv.gz", 12026},
	} {
		t.Run(f.name, func(t *testing.T) {
			rows := table(t, f.name)
			if len(rows) != f.rows {
				t.Fatalf("%d rows, want %d", len(rows), f.rows)
			}
			for _, row := range rows {
				ty, c := typeOf(t, row), number(t, row, "t90_degC")
				mv := mustEMF(t, ty, c) * 1e3
				if d := math.Abs(mv - number(t, row, "emf_mV")); d > 0.0005 || round3(mv) != row["emf_mV"] {
					t.Errorf("type %v at %v degC: %.6f mV, published %s", ty, c, mv, row["emf_mV"])
				}
			}
		})
	}
}

// TestPublishedTypeA allows the one value its polynomial is known to miss.
func TestPublishedTypeA(t *testing.T) {
	for _, row := range table(t, "type-a.csv") {
		c := number(t, row, "t90_degC")
		want := row["emf_mV"]
		if c == 0 {
			want = "0.001" // printed 0.000; the polynomial's constant is 0.00072
		}
		if got := round3(mustEMF(t, A, c) * 1e3); got != want {
			t.Errorf("at %v degC: %s mV, want %s", c, got, want)
		}
	}
}

func TestEvaluatedValues(t *testing.T) {
	var worstE, worstS float64
	for _, row := range table(t, "evaluated-values.csv") {
		ty, c := typeOf(t, row), number(t, row, "t90_degC")
		s, err := ty.Seebeck(c)
		if err != nil {
			t.Fatal(err)
		}
		dE := math.Abs(mustEMF(t, ty, c)*1e3 - number(t, row, "emf_mV"))
		dS := math.Abs(s*1e3 - number(t, row, "seebeck_uV_per_K")/1e3)
		worstE, worstS = max(worstE, dE), max(worstS, dS)
		if dE > 1e-9 || dS > 1e-9 {
			t.Errorf("type %v at %v degC: E off by %g mV, slope by %g mV/K", ty, c, dE, dS)
		}
	}
	t.Logf("largest difference %.2g mV, %.2g mV/K (of which the file's last digit 5e-13, 5e-13)", worstE, worstS)
}

// TestSeebeckIsTheDerivative compares it with a central difference of E.
func TestSeebeckIsTheDerivative(t *testing.T) {
	const h = 1e-2
	for _, ty := range Types() {
		lo, hi := ty.Range()
		for c := lo + h; c <= hi-h; c += 7.3 {
			s, err := ty.Seebeck(c)
			if err != nil {
				t.Fatal(err)
			}
			d := (mustEMF(t, ty, c+h) - mustEMF(t, ty, c-h)) / (2 * h)
			if math.Abs(s-d) > 3e-10 {
				t.Errorf("type %v at %v degC: slope %g, difference quotient %g V/K", ty, c, s, d)
			}
		}
	}
}

// TestJoins bounds the steps the published pieces leave where they meet: the
// upper piece minus the lower one in mV, and the step of the slope in uV/K.
func TestJoins(t *testing.T) {
	bounds := map[string][2]float64{
		"B 630.615": {-2.2e-9, 2e-6}, "E 0": {0, 1e-5}, "J 760": {7.5e-8, 2e-6}, "K 0": {2.0e-9, 1e-4},
		"N 0": {0, 0.23}, "R 1064.18": {1.7e-11, 2e-6}, "R 1664.5": {-1.8e-9, 2e-6},
		"S 1064.18": {-6e-11, 2e-6}, "S 1664.5": {-2.8e-10, 2e-6}, "T 0": {0, 1e-6}, "C 630.26": {-2e-9, 1e-3},
	}
	n := 0
	for _, ty := range Types() {
		ps := functions[ty].pieces
		for i, c := range joins(ty) {
			n++
			b, ok := bounds[fmt.Sprintf("%v %v", ty, c)]
			if !ok {
				t.Fatalf("type %v: unexpected join at %v degC", ty, c)
			}
			lowE, lowS := ps[i].emfSlopeMV(c)
			highE, highS := ps[i+1].emfSlopeMV(c)
			d := highE - lowE
			if d < min(b[0], 0)-1e-14 || d > max(b[0], 0)+1e-14 {
				t.Errorf("type %v at %v degC: E steps by %g mV, want between 0 and %g", ty, c, d, b[0])
			}
			if ds := math.Abs(highS-lowS) * 1e3; ds > b[1] {
				t.Errorf("type %v at %v degC: slope steps by %g uV/K, want at most %g", ty, c, ds, b[1])
			}
			if got := mustEMF(t, ty, c); got != lowE*1e-3 {
				t.Errorf("type %v: the join at %v degC does not belong to the lower piece", ty, c)
			}
		}
	}
	if n != len(bounds) {
		t.Errorf("%d joins, want %d", n, len(bounds))
	}
}

// TestEMFRises walks the invertible range, and the slope with it.
func TestEMFRises(t *testing.T) {
	for _, ty := range Types() {
		lo, hi := ty.InvertibleRange()
		last := math.Inf(-1)
		const n = 50000
		for i := range n + 1 {
			c := lo + (hi-lo)*float64(i)/n
			e := mustEMF(t, ty, c)
			if s, err := ty.Seebeck(c); e <= last || err != nil || s <= 0 {
				t.Fatalf("type %v at %v degC: E = %g after %g, slope %g, %v", ty, c, e, last, s, err)
			}
			last = e
		}
	}
}

// TestExpNeg compares the package's exponential with the standard library's.
func TestExpNeg(t *testing.T) {
	for i := range 200001 {
		x := -184 * float64(i) / 200000
		got, want := expNeg(x), math.Exp(x)
		if math.Abs(got-want) > 1e-15*want {
			t.Fatalf("e**%v = %v, want %v", x, got, want)
		}
	}
}

// TestSameBitsEverywhere holds a hash of results over every type, so that a
// machine whose arithmetic differs in the last digit is found out.
func TestSameBitsEverywhere(t *testing.T) {
	h := fnv.New64a()
	for _, ty := range Types() {
		lo, hi := ty.InvertibleRange()
		for i := range 4001 {
			c := min(lo+(hi-lo)*float64(i)/4000, hi)
			e := mustEMF(t, ty, c)
			s, err := ty.Seebeck(c)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintf(h, "%x %x %x\n", e, s, mustTemp(t, ty, e))
		}
	}
	if got, want := h.Sum64(), uint64(0x4452e9e3ae23691a); got != want {
		t.Errorf("hash of results %#x, want %#x", got, want)
	}
}
