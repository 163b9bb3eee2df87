package chart

import (
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Scale places the values Low to High along From to To.
type Scale struct {
	Low, High float64
	From, To  vg.Length
}

// At is the place of a value.
func (s Scale) At(v float64) vg.Length {
	return s.From + vg.Length((v-s.Low)/(s.High-s.Low))*(s.To-s.From)
}

// Ticks are five to ten round numbers of the scale.
func (s Scale) Ticks() []float64 { return Ticks(s.Low, s.High) }

// Axis draws a horizontal axis below an area, with lines through it; label words a
// number, and words say what the numbers are.
func (p Pen) Axis(area vg.Rectangle, s Scale, label func(float64) string, words string) {
	st := p.Plain(BodySize, Soft)
	st.XAlign = draw.XCenter
	for _, t := range s.Ticks() {
		x := s.At(t)
		p.Line(Solid(Grid, 0.6), vg.Point{X: x, Y: area.Min.Y}, vg.Point{X: x, Y: area.Max.Y})
		p.FillText(st, vg.Point{X: x, Y: area.Min.Y - 0.3*vg.Centimeter}, label(t))
	}
	p.Line(Solid(Ink, 0.8), area.Min, vg.Point{X: area.Max.X, Y: area.Min.Y})
	p.FillText(st, vg.Point{X: (area.Min.X + area.Max.X) / 2, Y: area.Min.Y - 0.8*vg.Centimeter}, words)
}

// Ticks are five to ten round numbers from low to high.
func Ticks(low, high float64) []float64 {
	step := math.Pow10(int(math.Floor(math.Log10((high - low) / 5))))
	for _, m := range []float64{1, 2, 5, 10} {
		if (high-low)/(step*m) <= 10 {
			step *= m
			break
		}
	}
	var out []float64
	for i := math.Ceil(low / step); i*step <= high; i++ {
		out = append(out, i*step)
	}
	return out
}

// TickDigits is how many decimals the ticks of a span need.
func TickDigits(span float64) int {
	if span < 4 {
		return 1
	}
	return 0
}

// MinuteTicks are minutes from low to high, in steps that clocks have.
func MinuteTicks(low, high float64) []float64 {
	step := 1.0
	for _, s := range []float64{1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1440} {
		step = s
		if (high-low)/step <= 10 {
			break
		}
	}
	var out []float64
	for t := math.Ceil(low/step) * step; t <= high; t += step {
		out = append(out, t)
	}
	return out
}

// Apart moves ascending places so that they are at least gap from one another, inside
// low to high as far as that goes.
func Apart(y []float64, gap, low, high float64) {
	floor := low
	for i := range y {
		y[i] = max(y[i], floor)
		floor = y[i] + gap
	}
	ceiling := high
	for i := len(y) - 1; i >= 0; i-- {
		y[i] = min(y[i], ceiling)
		ceiling = y[i] - gap
	}
}
