package convert

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// TestFixedSlopeTable undoes every row of what a digitiser with the law
// v/41.276 uV/K + tcj reports (evaluated in 34-digit arithmetic, see the file).
func TestFixedSlopeTable(t *testing.T) {
	f, err := os.Open("../../drivers/its90/testdata/linear-law-type-k.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	ch := max31855("vr1")
	ch.Converter.PerCode = 0.001 // the table's last digit
	l, rows := layout(ch), 0
	for s := bufio.NewScanner(f); s.Scan(); {
		cells := strings.Split(s.Text(), ",")
		trueC, err := strconv.ParseFloat(cells[0], 64)
		if err != nil {
			continue // comment, header
		}
		chipC, err := strconv.ParseFloat(cells[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		errorK, err := strconv.ParseFloat(cells[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		rows++
		v := one(t, l, code(int64(math.Round(chipC*1000)), 400))[0] // junction at 25 degC
		slope, _ := its90.K.Seebeck(trueC)
		tol := 0.0006 * 41.276e-6 / slope // half the last digit of the table
		if v.Faults != 0 || math.Abs(v.Value-trueC) > tol || math.Abs(v.ChipC-v.Value-errorK) > tol+0.0006 {
			t.Errorf("chip %g: %.5f (%v), want %g +- %.5f; undone %.4f, want %.3f", chipC, v.Value, v.Faults, trueC, tol, v.ChipC-v.Value, errorK)
		}
	}
	if rows < 11 {
		t.Errorf("%d rows", rows)
	}
}

func max6675() record.Channel {
	return record.Channel{
		Name: "old", Kind: record.Temperature, Unit: "degC", Couple: "K", Class: "iec-2",
		Converter: record.Converter{Model: "MAX6675", Law: record.LawFixedSlopeNoCold, PerCode: 0.25, SlopeVoltsPerK: 41e-6, Lines: []record.Line{
			{Name: "converter, 0 to 700 degC", Half: 2, SharedBy: "converter"},
			{Name: "fixed slope of 41 uV/K instead of type K", Half: 1, SharedBy: "rig"},
			{Name: "step of the code", Half: 0.125},
		}},
	}
}

// TestHiddenJunction: a MAX6675 is left as it is, says so, and its budget carries what
// its slope of 41 uV/K (data sheet 19-2235, page 4) costs at the value, once.
func TestHiddenJunction(t *testing.T) {
	l := layout(max6675())
	tab, err := New(l)
	if err != nil {
		t.Fatal(err)
	}
	v := one(t, l, record.Raw{Has: record.HasCode, Code: 400})[0]
	if v.Value != 100 || v.Has != HasChip {
		t.Errorf("%+v", v)
	}
	const name = "fixed slope of the chip, not corrected"
	for _, chipC := range []float64{0, 60, 85, 200, 500, 900} {
		worst := 0.0
		for cold := 20.0; cold <= 40; cold++ { // what the chip shows of a probe at chipC+d is chipC
			c, _ := its90.K.EMFVolts(cold)
			trueC, err := its90.K.TempC(c + (chipC-cold)*41e-6)
			if err != nil {
				t.Fatal(err)
			}
			worst = max(worst, math.Abs(trueC-chipC))
		}
		got := byName(tab.Budget(0, chipC, math.NaN()))
		if l := got[name]; math.Abs(l.HalfWidth-worst) > 0.05 || l.SharedBy != "rig" || l.SharedKey != "rig:t" {
			t.Errorf("at %g degC: %+v, want a half width of %.3f", chipC, l, worst)
		}
		for n := range got {
			if strings.HasPrefix(n, "fixed slope of 41") || n == "resolution" {
				t.Errorf("at %g degC %q is counted twice", chipC, n)
			}
		}
	}
	w := strings.Join(Warnings(&l.Channels[0], 100, dayOf(t, "2030-01-01")), "\n")
	if !strings.Contains(w, "MAX6675 can't be corrected") {
		t.Errorf("warnings: %q", w)
	}
}

// TestStatedSlope: without the chip's slope the line of the driver stays.
func TestStatedSlope(t *testing.T) {
	ch := max6675()
	ch.Converter.SlopeVoltsPerK = 0
	tab, err := New(layout(ch))
	if err != nil {
		t.Fatal(err)
	}
	got := byName(tab.Budget(0, 100, 30))
	if l := got["fixed slope of 41 uV/K instead of type K"]; l.HalfWidth != 1 {
		t.Errorf("%+v", got)
	}
}
