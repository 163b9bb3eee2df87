package its90

import (
	"compress/gzip"
	"encoding/csv"
	"io"
	"os"
	"strconv"
	"strings"
	"testing"
)

// table reads a data file: one map from column name to text per row.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var r io.Reader = f
	if strings.HasSuffix(name, ".gz") {
		if r, err = gzip.NewReader(f); err != nil {
			t.Fatal(err)
		}
	}
	c := csv.NewReader(r)
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := make(map[string]string, len(row))
		for i, v := range row {
			m[rows[0][i]] = v
		}
		out = append(out, m)
	}
	return out
}

// number is the value of a column; an empty one is 0.
func number(t testing.TB, row map[string]string, column string) float64 {
	t.Helper()
	if row[column] == "" {
		return 0
	}
	v, err := strconv.ParseFloat(row[column], 64)
	if err != nil {
		t.Fatalf("column %s of %v: %v", column, row, err)
	}
	return v
}

// typeOf is the type a row names.
func typeOf(t testing.TB, row map[string]string) Type {
	t.Helper()
	ty, err := ParseType(row["type"])
	if err != nil {
		t.Fatal(err)
	}
	return ty
}

// mustEMF is E(t) in volts where a range error would be a fault of the test.
func mustEMF(t testing.TB, ty Type, c float64) float64 {
	t.Helper()
	e, err := ty.EMFVolts(c)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// mustTemp is t(E) in degC where a range error would be a fault of the test.
func mustTemp(t testing.TB, ty Type, v float64) float64 {
	t.Helper()
	c, err := ty.TempC(v)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// joins returns the temperatures at which the pieces of a type meet.
func joins(ty Type) []float64 {
	var out []float64
	ps := functions[ty].pieces
	for _, p := range ps[:len(ps)-1] {
		out = append(out, p.toC)
	}
	return out
}
