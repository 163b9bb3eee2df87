package series

import (
	"math"
	"math/rand/v2"
	"testing"
)

// NIST/ITL Statistical Reference Datasets, nonlinear regression: Misra1a (Misra,
// D., NIST 1978, lower level of difficulty) and BoxBOD (Box, Hunter and Hunter
// 1978, higher level), model y = b1*(1-exp(-b2*x)), with certified parameters and
// residual sums of squares.
var strd = []struct {
	name        string
	x, y        []float64
	b1, b2, ssr float64
}{
	{"Misra1a",
		[]float64{77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0},
		[]float64{10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78},
		2.3894212918e+02, 5.5015643181e-04, 1.2455138894e-01},
	{"BoxBOD",
		[]float64{1, 2, 3, 5, 7, 10},
		[]float64{109, 149, 149, 191, 213, 224},
		2.1380940889e+02, 5.4723748542e-01, 1.1680088766e+03},
}

func TestFitAgreesWithReferenceDatasets(t *testing.T) {
	for _, d := range strd {
		f, ok := FitExponential(d.x, d.y, 1e-2, 1e5, true)
		if !ok {
			t.Fatalf("%s: no fit", d.name)
		}
		near := func(what string, got, want float64) {
			if math.Abs(got/want-1) > 1e-7 {
				t.Errorf("%s: %s %.11g, certified %.11g", d.name, what, got, want)
			}
		}
		near("b1", f.Final, d.b1)
		near("b2", 1/f.Tau, d.b2)
		near("residual sum of squares", f.SumSquares, d.ssr)
	}
}

// TestStandardErrorAgreesWithReferenceDatasets: certified standard deviations of
// b1 are 2.7070075241 and 12.354515176. Ours are widened where residuals hang
// together, so they may be larger, never smaller.
func TestStandardErrorAgreesWithReferenceDatasets(t *testing.T) {
	for i, want := range []float64{2.7070075241, 12.354515176} {
		f, _ := FitExponential(strd[i].x, strd[i].y, 1e-2, 1e5, true)
		if f.FinalError < want*(1-1e-6) || f.FinalError > 4*want {
			t.Errorf("%s: %.6g, certified %.6g", strd[i].name, f.FinalError, want)
		}
	}
}

func TestFitRecoversThreeParameters(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, tau := range []float64{120, 900, 4000} {
		var x, y []float64
		for s := 0.0; s < 3*tau; s += tau / 50 {
			x = append(x, 100+s)
			y = append(y, 80-30*math.Exp(-s/tau)+0.02*r.NormFloat64())
		}
		f, ok := FitExponential(x, y, 10, 1e5, false)
		if !ok || math.Abs(f.Tau/tau-1) > 0.02 || math.Abs(f.Final-80) > 4*max(f.FinalError, 0.005) || f.Unbounded {
			t.Errorf("tau %g: %+v", tau, f)
		}
	}
}

func TestFitRefusesWhatCannotBeFitted(t *testing.T) {
	if _, ok := FitExponential([]float64{1, 2}, []float64{1, 2}, 1, 10, false); ok {
		t.Error("two points gave three parameters")
	}
	if _, ok := FitExponential([]float64{1, 1, 1, 1, 1}, []float64{1, 2, 3, 2, 1}, 1, 10, false); ok {
		t.Error("points without spread were fitted")
	}
	if _, ok := FitExponential([]float64{1, 2, 3, 4}, []float64{1, 2, 3, 4}, 10, 1, false); ok {
		t.Error("an empty range of tau was searched")
	}
	line := []float64{0, 1, 2, 3, 4, 5, 6, 7}
	if f, ok := FitExponential(line, line, 1, 100, false); ok && !f.Unbounded {
		t.Errorf("a straight line bounded tau: %+v", f)
	}
}
