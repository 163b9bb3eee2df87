package analysis

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"soakrig/daemon/analysis/internal/traces"
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
		f, ok := fitExponential(d.x, d.y, 1e-2, 1e5, true)
		if !ok {
			t.Fatalf("%s: no fit", d.name)
		}
		near := func(what string, got, want float64) {
			if math.Abs(got/want-1) > 1e-7 {
				t.Errorf("%s: %s %.11g, certified %.11g", d.name, what, got, want)
			}
		}
		near("b1", f.final, d.b1)
		near("b2", 1/f.tau, d.b2)
		near("residual sum of squares", f.sse, d.ssr)
	}
}

// TestStandardErrorAgreesWithReferenceDatasets: certified standard deviations of
// b1 are 2.7070075241 and 12.354515176. Ours are widened where residuals hang
// together, so they may be larger, never smaller.
func TestStandardErrorAgreesWithReferenceDatasets(t *testing.T) {
	for i, want := range []float64{2.7070075241, 12.354515176} {
		f, _ := fitExponential(strd[i].x, strd[i].y, 1e-2, 1e5, true)
		if f.seFinal < want*(1-1e-6) || f.seFinal > 4*want {
			t.Errorf("%s: %.6g, certified %.6g", strd[i].name, f.seFinal, want)
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
		f, ok := fitExponential(x, y, 10, 1e5, false)
		if !ok || math.Abs(f.tau/tau-1) > 0.02 || math.Abs(f.final-80) > 4*max(f.seFinal, 0.005) || f.edge {
			t.Errorf("tau %g: %+v", tau, f)
		}
	}
}

func TestFitRefusesWhatCannotBeFitted(t *testing.T) {
	if _, ok := fitExponential([]float64{1, 2}, []float64{1, 2}, 1, 10, false); ok {
		t.Error("two points gave three parameters")
	}
	if _, ok := fitExponential([]float64{1, 1, 1, 1, 1}, []float64{1, 2, 3, 2, 1}, 1, 10, false); ok {
		t.Error("points without spread were fitted")
	}
	if _, ok := fitExponential([]float64{1, 2, 3, 4}, []float64{1, 2, 3, 4}, 10, 1, false); ok {
		t.Error("an empty range of tau was searched")
	}
	line := []float64{0, 1, 2, 3, 4, 5, 6, 7}
	if f, ok := fitExponential(line, line, 1, 100, false); ok && !f.edge {
		t.Errorf("a straight line bounded tau: %+v", f)
	}
}

// TestExtrapolationRules: below 45 minutes never; to 60 only with a known time
// constant; from 60 always, if power was held.
func TestExtrapolationRules(t *testing.T) {
	for _, c := range []struct {
		loadS, tau float64
		load       traces.Load
		want       bool
		note       string
	}{
		{1800, 0, traces.Constant, false, "too short"},
		{1800, 1500, traces.Constant, false, "too short"},
		{3000, 0, traces.Constant, false, "too short"},
		{3000, 1500, traces.Constant, true, "known time constant"},
		{5400, 0, traces.Constant, true, "free time constant"},
		{5400, 0, traces.FlatTop, false, "power was not held"},
	} {
		tr := traces.Make(traces.Options{Seed: 4, Load: c.load, LoadS: c.loadS})
		in := inputOf(tr, nil)
		in.Start.Plan = DefaultPlan(c.loadS, nil)
		if c.tau > 0 {
			in.Start.Plan.Constants = map[string]float64{"known_tau_s": c.tau}
		}
		s := evaluate(t, in, tr).Steady
		if s == nil {
			t.Fatalf("%+v: no steady part", c)
		}
		if (s.ExtrapolatedC != nil) != c.want || !strings.Contains(s.ExtrapolationNote, c.note) {
			t.Errorf("%+v: %v %q", c, s.ExtrapolatedC, s.ExtrapolationNote)
		}
		if c.want && s.ExtrapolatedExpandedK == nil {
			t.Errorf("%+v: no uncertainty", c)
		}
	}
}

func TestNumericAgainstDefinitions(t *testing.T) {
	if got := binomialAtMost(0, 8, 0.5); math.Abs(got-1.0/256) > 1e-12 {
		t.Errorf("binomial 0 of 8: %v", got)
	}
	if got := binomialAtMost(3, 8, 0.5); math.Abs(got-93.0/256) > 1e-12 {
		t.Errorf("binomial up to 3 of 8: %v", got)
	}
	if binomialAtMost(8, 8, 0.3) != 1 || binomialAtMost(0, 5, 1) != 0 || binomialAtMost(2, 5, 0) != 1 {
		t.Error("binomial at its ends")
	}
	if kendall([]float64{4, 3, 2, 1}) != -1 || kendall([]float64{1, 2, 3}) != 1 || kendall([]float64{1}) != 0 {
		t.Error("Kendall's tau of ordered values")
	}
	if got := kendall([]float64{1, 3, 2}); math.Abs(got-1.0/3) > 1e-15 {
		t.Errorf("Kendall's tau with one swap: %v", got)
	}
	x := []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
	y := []float64{1, 3, 5, 7, 9, 11, 13, 15, 99, 19} // one wild value
	if got := theilSen(x, y, nil); got != 2 {
		t.Errorf("Theil-Sen %v, want 2 in spite of the wild value", got)
	}
	if has(theilSen([]float64{1, 1}, []float64{1, 2}, nil)) || has(slopeSE(x[:3], y[:3])) {
		t.Error("a slope without spread or an error from three points")
	}
	if q := quantile([]float64{0, 10}, 0.95); q != 9.5 {
		t.Errorf("quantile %v", q)
	}
	if q := normalQuantile(0.975); math.Abs(q-1.959963985) > 1e-8 { // tables of the normal distribution
		t.Errorf("normal quantile %v", q)
	}
}

// TestSlopeErrorIsWidened: residuals that hang together carry less information
// than their number says; the plain formula would be two to four times too small.
func TestSlopeErrorIsWidened(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n, runs, rho = 60, 400, 0.7
	var stated, true2 float64
	for range runs {
		x, y := make([]float64, n), make([]float64, n)
		e := 0.0
		for i := range x {
			e = rho*e + r.NormFloat64()
			x[i], y[i] = float64(i), e
		}
		se := slopeSE(x, y)
		stated += se / runs
		b := theilSen(x, y, nil)
		true2 += b * b / runs
	}
	if ratio := stated / math.Sqrt(true2); ratio < 0.7 || ratio > 1.4 {
		t.Errorf("stated error is %.2f of the real scatter", ratio)
	}
}
