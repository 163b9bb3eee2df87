package series

import "math"

// Exponential is Final - Amplitude*exp(-(x-x0)/Tau), fitted. Tau is in the unit of x,
// the rest in that of y.
type Exponential struct {
	Final, Amplitude, Tau float64
	SumSquares            float64
	FinalError            float64 // standard error of Final, widened for residuals that hang together
	Unbounded             bool    // Tau lies at the end of what was searched: the data don't bound it
}

// FitExponential fits by variable projection: for a fixed time constant the
// model is linear in the rest, so only the time constant is searched between two ends,
// on a grid of its logarithm and then by golden section. There are no starting values
// and nothing can diverge. fromZero makes the curve zero at x = 0; else x0 is the first
// x. False when there are fewer points than parameters or no spread.
func FitExponential(x, y []float64, tauLow, tauHigh float64, fromZero bool) (Exponential, bool) {
	params := 3
	if fromZero {
		params = 2
	}
	if len(x) <= params || !(tauLow > 0 && tauHigh > tauLow) {
		return Exponential{}, false
	}
	x0 := x[0]
	if fromZero {
		x0 = 0
	}
	at := func(logTau float64) Exponential { return ExponentialAt(x, y, x0, math.Exp(logTau), fromZero) }
	const grid = 60
	low, high := math.Log(tauLow), math.Log(tauHigh)
	step := (high - low) / (grid - 1)
	best, bestI := Exponential{SumSquares: math.Inf(1)}, 0
	for i := range grid {
		if f := at(low + float64(float64(i)*step)); f.SumSquares < best.SumSquares {
			best, bestI = f, i
		}
	}
	if math.IsInf(best.SumSquares, 1) {
		return Exponential{}, false
	}
	a, b := low+float64(float64(max(bestI-1, 0))*step), low+float64(float64(min(bestI+1, grid-1))*step)
	ratio := (math.Sqrt(5) - 1) / 2
	c, d := b-float64(ratio*(b-a)), a+float64(ratio*(b-a))
	fc, fd := at(c), at(d)
	for i := 0; i < 100 && b-a > 1e-10; i++ {
		if fc.SumSquares < fd.SumSquares {
			b, d, fd = d, c, fc
			c = b - float64(ratio*(b-a))
			fc = at(c)
		} else {
			a, c, fc = c, d, fd
			d = a + float64(ratio*(b-a))
			fd = at(d)
		}
	}
	f := at((a + b) / 2)
	if best.SumSquares < f.SumSquares {
		f = best
	}
	f.Unbounded = bestI == 0 || bestI == grid-1
	f.FinalError = f.standardError(x, y, x0, params)
	return f, true
}

// ExponentialAt is the least squares solution for one time constant; its FinalError is
// not set. SumSquares is infinite where the points have no spread.
func ExponentialAt(x, y []float64, x0, tau float64, fromZero bool) Exponential {
	f := Exponential{Tau: tau, SumSquares: math.Inf(1)}
	if fromZero {
		num, den := 0.0, 0.0
		for i := range x {
			g := -math.Expm1(-(x[i] - x0) / tau)
			num += float64(g * y[i])
			den += float64(g * g)
		}
		if den == 0 {
			return f
		}
		f.Final = num / den
		f.Amplitude = f.Final
	} else {
		n, e1, e2, sy, sey := float64(len(x)), 0.0, 0.0, 0.0, 0.0
		for i := range x {
			e := math.Exp(-(x[i] - x0) / tau)
			e1, e2, sy, sey = e1+e, e2+float64(e*e), sy+y[i], sey+float64(e*y[i])
		}
		det := float64(n*e2) - float64(e1*e1)
		if !(det > 1e-12*n*e2) {
			return f
		}
		f.Final = (float64(e2*sy) - float64(e1*sey)) / det
		f.Amplitude = (float64(e1*sy) - float64(n*sey)) / det
	}
	f.SumSquares = 0
	for i := range x {
		r := y[i] - f.at(x[i]-x0)
		f.SumSquares += float64(r * r)
	}
	return f
}

func (f *Exponential) at(x float64) float64 { return f.Final - float64(f.Amplitude*math.Exp(-x/f.Tau)) }

// standardError is the standard error of the final value from the full Jacobian.
func (f *Exponential) standardError(x, y []float64, x0 float64, params int) float64 {
	var m [3][3]float64
	lag, prev := 0.0, 0.0
	for i := range x {
		t := x[i] - x0
		e := math.Exp(-t / f.Tau)
		j := [3]float64{1, -e, -f.Amplitude * e * t / (f.Tau * f.Tau)}
		if params == 2 {
			j = [3]float64{1 - e, j[2], 0}
		}
		for a := range params {
			for b := range params {
				m[a][b] += float64(j[a] * j[b])
			}
		}
		r := y[i] - f.at(t)
		if i > 0 {
			lag += float64(r * prev)
		}
		prev = r
	}
	inv, ok := firstOfInverse(m, params)
	if !ok {
		return math.Inf(1)
	}
	rho := 0.0
	if f.SumSquares > 0 {
		rho = min(max(lag/f.SumSquares, 0), 0.95)
	}
	dof := float64(len(x) - params)
	return math.Sqrt(f.SumSquares/dof*inv) * math.Sqrt((1+rho)/(1-rho))
}

// firstOfInverse is the first element of the inverse of a symmetric matrix.
func firstOfInverse(m [3][3]float64, n int) (float64, bool) {
	if n == 2 {
		det := float64(m[0][0]*m[1][1]) - float64(m[0][1]*m[1][0])
		return m[1][1] / det, det > 0
	}
	minor := float64(m[1][1]*m[2][2]) - float64(m[1][2]*m[2][1])
	det := float64(m[0][0]*minor) - float64(m[0][1]*(float64(m[1][0]*m[2][2])-float64(m[1][2]*m[2][0]))) +
		float64(m[0][2]*(float64(m[1][0]*m[2][1])-float64(m[1][1]*m[2][0])))
	return minor / det, det > 0
}
