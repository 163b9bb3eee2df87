package its90

import (
	"math"
	"strings"
	"testing"
)

func TestTypeNumbersAreStable(t *testing.T) {
	want := map[Type]string{1: "B", 2: "E", 3: "J", 4: "K", 5: "N", 6: "R", 7: "S", 8: "T", 9: "A", 10: "C"}
	if len(Types()) != len(want) {
		t.Fatalf("%d types, want %d", len(Types()), len(want))
	}
	for i, ty := range Types() {
		if int(ty) != i+1 || ty.String() != want[ty] || !ty.Valid() {
			t.Errorf("type %d is %v", i+1, ty)
		}
	}
}

func TestParseType(t *testing.T) {
	for _, ty := range Types() {
		for _, s := range []string{ty.String(), strings.ToLower(ty.String())} {
			if got, err := ParseType(s); err != nil || got != ty {
				t.Errorf("ParseType(%q) = %v, %v", s, got, err)
			}
		}
	}
	for _, s := range []string{"", "?", " K", "K ", "KK", "D", "{", "\x00", "é"} {
		got, err := ParseType(s)
		if err == nil || got != 0 {
			t.Errorf("ParseType(%q) = %v, want an error", s, got)
		} else if !strings.Contains(err.Error(), "B E J K N R S T A C") {
			t.Errorf("ParseType(%q): %v does not list the letters", s, err)
		}
	}
}

func TestNoType(t *testing.T) {
	for _, ty := range []Type{0, 11, 255} {
		if ty.Valid() || ty.Provenance() != "" || !strings.HasPrefix(ty.String(), "Type(") {
			t.Errorf("%d passes for a type", ty)
		}
		for _, f := range []func() (float64, float64){ty.Range, ty.InvertibleRange, ty.EMFRange} {
			if lo, hi := f(); !math.IsNaN(lo) || !math.IsNaN(hi) {
				t.Errorf("%v: range %v..%v, want NaN", ty, lo, hi)
			}
		}
		for _, f := range []func(float64) (float64, error){ty.EMFVolts, ty.Seebeck, ty.TempC} {
			if v, err := f(0); v != 0 || err == nil || !strings.Contains(err.Error(), ty.String()) {
				t.Errorf("%v: %v, %v, want an error that names it", ty, v, err)
			}
		}
	}
}

func TestRanges(t *testing.T) {
	for _, c := range []struct {
		ty            Type
		lo, hi, invLo float64
	}{
		{B, 0, 1820, 42.133},
		{E, -270, 1000, -270},
		{J, -210, 1200, -210},
		{K, -270, 1372, -270},
		{N, -270, 1300, -270},
		{R, -50, 1768.1, -50},
		{S, -50, 1768.1, -50},
		{T, -270, 400, -270},
		{A, 0, 2500, 0},
		{C, 0, 2315, 0},
	} {
		if lo, hi := c.ty.Range(); lo != c.lo || hi != c.hi {
			t.Errorf("type %v: range %v..%v, want %v..%v", c.ty, lo, hi, c.lo, c.hi)
		}
		lo, hi := c.ty.InvertibleRange()
		if lo != c.invLo || hi != c.hi {
			t.Errorf("type %v: invertible range %v..%v, want %v..%v", c.ty, lo, hi, c.invLo, c.hi)
		}
		loV, hiV := c.ty.EMFRange()
		if loV != mustEMF(t, c.ty, lo) || hiV != mustEMF(t, c.ty, hi) {
			t.Errorf("type %v: EMF range %v..%v is not that of its ends", c.ty, loV, hiV)
		}
		if math.Abs(mustTemp(t, c.ty, loV)-lo) > noiseK || math.Abs(mustTemp(t, c.ty, hiV)-hi) > noiseK {
			t.Errorf("type %v: the ends of the EMF range give %v and %v", c.ty, mustTemp(t, c.ty, loV), mustTemp(t, c.ty, hiV))
		}
	}
}

// TestTypeBIsNotInvertibleBelow shows why its invertible range starts there.
func TestTypeBIsNotInvertibleBelow(t *testing.T) {
	if e := mustEMF(t, B, 42.132); e > 0 {
		t.Errorf("E(42.132) = %g V, want at most 0", e)
	}
	if e := mustEMF(t, B, invFromB); e <= 0 {
		t.Errorf("E(%v) = %g V, want more than 0", invFromB, e)
	}
	for c := 0.0; c <= 42.132; c += 0.001 {
		if e := mustEMF(t, B, c); e > 0 {
			t.Fatalf("E(%v) = %g V belongs to a second temperature", c, e)
		}
	}
	if _, err := B.TempC(0); err == nil {
		t.Error("0 V was given one temperature")
	}
}

func TestProvenanceFlagsUnverified(t *testing.T) {
	for _, ty := range Types() {
		want := "VERIFIED: NIST"
		switch ty {
		case A:
			want = "PARTLY VERIFIED: "
		case C:
			want = "UNVERIFIED: "
		}
		if got := ty.Provenance(); !strings.HasPrefix(got, want) {
			t.Errorf("type %v: provenance %q does not start with %q", ty, got, want)
		}
	}
}
