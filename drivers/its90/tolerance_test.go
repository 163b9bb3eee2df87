package its90

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// classOf is the class a row of the data file stands for.
func classOf(t *testing.T, row map[string]string) Class {
	t.Helper()
	name := "iec-" + row["class"]
	if row["standard"] == "ASTM E230" {
		name = "astm-" + strings.TrimSuffix(row["class"], " (suggested)")
	}
	c, err := ParseClass(name)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestToleranceRows evaluates every row of the data file by its printed rule
// at its ends and between, and holds the source text to the row's status.
func TestToleranceRows(t *testing.T) {
	rows := table(t, "tolerances.csv")
	if len(rows) != len(limits) {
		t.Fatalf("%d rows, the package has %d", len(rows), len(limits))
	}
	for _, row := range rows {
		ty, class := typeOf(t, row), classOf(t, row)
		lo, hi := number(t, row, "t_min_degC"), number(t, row, "t_max_degC")
		abs, rel := number(t, row, "abs_degC"), number(t, row, "rel")
		if ty == C && class == ASTMStandard {
			abs = 4.4 // from memory, as the row's status says
		}
		for i := range 11 {
			c := lo + (hi-lo)*float64(i)/10
			want := max(abs, rel*math.Abs(c))
			if strings.Contains(row["rule"], "0.003*(t-1100)") {
				want = 1 + 0.003*max(0, c-1100)
			}
			got, source, err := Tolerance(ty, class, c)
			if err != nil || math.Abs(got-want) > 1e-12 || got <= 0 {
				t.Errorf("type %v %v at %v degC: %v, %v, want %v", ty, class, c, got, err, want)
			}
			if !strings.Contains(source, row["standard"]) {
				t.Errorf("type %v %v: source %q does not name %s", ty, class, source, row["standard"])
			}
			memory := strings.Contains(row["status"], "memory")
			if strings.Contains(source, "UNVERIFIED") != memory || strings.Contains(source, "second-hand") != (row["copies"] != "0") {
				t.Errorf("type %v %v: source %q does not say what the row does: %s", ty, class, source, row["status"])
			}
			if guide := strings.Contains(row["status"], "guide only"); i < 10 && strings.Contains(source, "guide only") != guide {
				t.Errorf("type %v %v at %v degC: source %q, status %s", ty, class, c, source, row["status"])
			}
		}
	}
}

func TestToleranceKnownWidths(t *testing.T) {
	for _, c := range []struct {
		ty    Type
		class Class
		degC  float64
		want  float64
	}{
		{K, IECClass1, 25, 1.5}, {K, IECClass1, 375, 1.5}, {K, IECClass1, 1000, 4},
		{K, IECClass2, 1200, 9}, {K, IECClass3, -200, 3}, {K, IECClass2, -40, 2.5},
		{T, IECClass1, 100, 0.5}, {T, ASTMSpecial, -100, 0.8}, {J, ASTMStandard, 760, 5.7},
		{R, IECClass1, 1100, 1}, {S, IECClass1, 1600, 2.5}, {B, IECClass2, 600, 1.5},
		{B, IECClass3, 600, 4}, {C, ASTMStandard, 100, 4.4}, {C, ASTMStandard, 2000, 20},
	} {
		got, _, err := Tolerance(c.ty, c.class, c.degC)
		if err != nil || math.Abs(got-c.want) > 1e-12 {
			t.Errorf("type %v %v at %v degC: %v, %v, want %v", c.ty, c.class, c.degC, got, err, c.want)
		}
	}
}

func TestToleranceErrors(t *testing.T) {
	for _, c := range []struct {
		ty     Type
		class  Class
		degC   float64
		lo, hi float64
	}{
		{K, IECClass1, 1000.001, -40, 1000},
		{K, IECClass1, -40.001, -40, 1000},
		{K, ASTMStandard, -201, -200, 1260},
		{K, ASTMSpecial, -1, 0, 1260},
		{T, ASTMStandard, math.NaN(), -200, 370},
		{B, IECClass2, math.Inf(1), 600, 1700},
	} {
		got, source, err := Tolerance(c.ty, c.class, c.degC)
		var re *RangeError
		if !errors.As(err, &re) || got != 0 || source != "" {
			t.Fatalf("type %v %v at %v degC: %v, %q, %v", c.ty, c.class, c.degC, got, source, err)
		}
		if re.Type != c.ty || re.Min != c.lo || re.Max != c.hi || re.Quantity != "temperature" || re.Unit != "degC" {
			t.Errorf("type %v %v at %v degC: %+v", c.ty, c.class, c.degC, *re)
		}
	}
	for _, c := range []struct {
		ty    Type
		class Class
		want  string
	}{
		{J, IECClass3, "its90: tolerance class iec-3 does not cover type J"},
		{A, ASTMStandard, "its90: tolerance class astm-standard does not cover type A"},
		{0, IECClass1, "its90: Type(0) is not a thermocouple type"},
		{K, 0, "its90: Class(0) is not a tolerance class"},
		{K, 6, "its90: Class(6) is not a tolerance class"},
	} {
		if _, _, err := Tolerance(c.ty, c.class, 20); err == nil || err.Error() != c.want {
			t.Errorf("type %v %v: %v, want %q", c.ty, c.class, err, c.want)
		}
	}
}

// TestToleranceRangesMeet: where two rows of one class meet they agree, and no
// two rows overlap.
func TestToleranceRangesMeet(t *testing.T) {
	for i, a := range limits {
		if lo, hi := a.typ.Range(); a.minC < lo || a.maxC > hi || a.minC >= a.maxC {
			t.Errorf("type %v %v: %v..%v degC leaves the type's range", a.typ, a.class, a.minC, a.maxC)
		}
		for _, b := range limits[i+1:] {
			if a.typ != b.typ || a.class != b.class {
				continue
			}
			at := a.minC
			if b.maxC != at || max(a.absK, a.rel*math.Abs(at)) != max(b.absK, b.rel*math.Abs(at)) {
				t.Errorf("type %v %v: rows %v..%v and %v..%v degC do not meet", a.typ, a.class, b.minC, b.maxC, a.minC, a.maxC)
			}
		}
	}
}

func TestClassNumbersAreStable(t *testing.T) {
	for i, name := range []string{"iec-1", "iec-2", "iec-3", "astm-standard", "astm-special"} {
		c, err := ParseClass(name)
		if err != nil || int(c) != i+1 || c.String() != name || !c.Valid() {
			t.Errorf("ParseClass(%q) = %d, %v", name, c, err)
		}
	}
	for _, s := range []string{"", "iec-4", "IEC-1", "iec-1 ", "special"} {
		if c, err := ParseClass(s); err == nil || c != 0 || !strings.Contains(err.Error(), "iec-1 iec-2 iec-3 astm-standard astm-special") {
			t.Errorf("ParseClass(%q) = %v, %v, want an error that lists the names", s, c, err)
		}
	}
}
