package report

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"sort"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"soakrig/daemon/record"
)

// Curve is one run in a chart of curves: its hot spot.
type Curve struct {
	Result *record.Result
	Traces *Traces
}

// curveLine is a curve made ready: time since load start in minutes.
type curveLine struct {
	name   string
	colour color.NRGBA
	dashes []vg.Length
	parts  [][]curvePoint // a new part behind every gap
	last   vg.Point
}

// curvePoint is one step of a curve: its middle, and the lowest and highest reading.
type curvePoint struct {
	minutes, low, high vg.Length
}

func (p curvePoint) middle() vg.Point { return vg.Point{X: p.minutes, Y: (p.low + p.high) / 2} }

// CurvesChart writes the hot spots of several runs on one axis, load start at zero:
// a colour for each unit, a dash for each setup. format is svg, png or pdf.
func CurvesChart(curves []Curve, w io.Writer, format string) error {
	var units, setups []string
	var lines []curveLine
	for _, c := range curves {
		r := c.Result
		if r.Peak == nil || r.Load == nil || r.Load.StartS == nil || c.Traces == nil {
			continue
		}
		i := slices.IndexFunc(c.Traces.Channels, func(t Trace) bool { return t.Channel.Name == r.Peak.Channel })
		if i < 0 {
			continue
		}
		unit := r.Unit
		if r.Revision != "" {
			unit += " rev. " + r.Revision
		}
		l := curveLine{name: strings.TrimSpace(unit + " " + r.Setup), colour: chartColours()[place(&units, unit)%len(chartColours())]}
		l.dashes = [][]vg.Length{nil, {6, 3}, {1.5, 2.5}, {8, 3, 1.5, 3}}[place(&setups, r.Setup)%4]
		if r.Verdict == record.VerdictVoid {
			l.name += ", void"
		}
		if r.Limited {
			l.name += ", limited"
		}
		l.cut(c.Traces, i, *r.Load.StartS, endOf(r))
		if len(l.parts) > 0 {
			lines = append(lines, l)
		}
	}
	if len(lines) == 0 {
		return ErrNothingToDraw
	}
	const title = "Hot spots, load start at zero"
	words := fmt.Sprintf("%s: %d curves", title, len(lines))
	return drawChart(w, format, 10.5*vg.Centimeter, title, words, nil, func(c pen) { drawCurves(c, lines) })
}

// curveSteps is how many points a printed curve has at most.
const curveSteps = 600

// endOf is where a curve ends: with the load as planned, so that a lost load shows.
func endOf(r *record.Result) float64 {
	end := math.Inf(1)
	if r.Load.EndS != nil {
		end = *r.Load.EndS
		if p := r.Load.PlannedS; p != nil {
			end = max(end, *r.Load.StartS+*p)
		}
	}
	return end
}

// cut takes a channel's curve from a trace, thinned to lowest and highest.
func (l *curveLine) cut(t *Traces, channel int, startS, endS float64) {
	v := t.Channels[channel].Values
	per := 2 * max(1, (len(v)/2+curveSteps-1)/curveSteps)
	var part []curvePoint
	end := func() {
		if len(part) > 0 {
			l.parts = append(l.parts, part)
		}
		part = nil
	}
	// The last step ends before the load does, so that no curve ends in its fall.
	for from := 0; from < len(v) && t.AtS(min(from+per, len(v)-1)) <= endS; from += per {
		low, high, ok := t.Channels[channel].span(from, from+per)
		gap := slices.ContainsFunc(v[from:min(from+per, len(v))], math.IsNaN)
		if ok {
			at := vg.Length((t.AtS(min(from+per/2, len(v)-1)) - startS) / 60)
			part = append(part, curvePoint{at, vg.Length(low), vg.Length(high)})
			l.last = part[len(part)-1].middle()
		}
		if gap {
			end()
		}
	}
	end()
}

func drawCurves(c pen, lines []curveLine) {
	lowX, highX, lowY, highY := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	right := vg.Length(0)
	st := c.style(fontSmall, chartInk, false)
	for _, l := range lines {
		right = max(right, st.Width(l.name))
		for _, p := range l.parts {
			for _, q := range p {
				lowX, highX = min(lowX, float64(q.minutes)), max(highX, float64(q.minutes))
				lowY, highY = min(lowY, float64(q.low)), max(highY, float64(q.high))
			}
		}
	}
	right *= 1.2 // who opens the picture may have a wider font
	lowX = max(lowX, -5)
	if whole := math.Ceil(highX); whole-highX < 0.5 { // the load's planned end, where the last step is a little before it
		highX = whole
	}
	pad := max((highY-lowY)*0.05, 0.5)
	lowY, highY = lowY-pad, highY+pad
	area := vg.Rectangle{Min: vg.Point{X: c.Min.X + 1.5*vg.Centimeter, Y: c.Min.Y + 1.3*vg.Centimeter},
		Max: vg.Point{X: c.Max.X - right - 1.1*vg.Centimeter, Y: c.Max.Y}}
	to := func(p vg.Point) vg.Point {
		return vg.Point{X: area.Min.X + (p.X-vg.Length(lowX))/vg.Length(highX-lowX)*(area.Max.X-area.Min.X),
			Y: area.Min.Y + (p.Y-vg.Length(lowY))/vg.Length(highY-lowY)*(area.Max.Y-area.Min.Y)}
	}
	curveAxes(c, area, to, lowX, highX, lowY, highY)
	for _, l := range lines {
		for _, part := range l.parts {
			l.stroke(c, part, to, vg.Length(lowX))
		}
	}
	endLabels(c, area, to, lines)
}

// stroke draws the middle, and lightly the band from lowest to highest: a dash stays
// even that way, and no reading is lost.
func (l *curveLine) stroke(c pen, part []curvePoint, to func(vg.Point) vg.Point, from vg.Length) {
	part = slices.DeleteFunc(slices.Clone(part), func(p curvePoint) bool { return p.minutes < from })
	if len(part) == 0 {
		return
	}
	var middle, band []vg.Point
	for _, p := range part {
		middle, band = append(middle, to(p.middle())), append(band, to(vg.Point{X: p.minutes, Y: p.high}))
	}
	for _, p := range slices.Backward(part) {
		band = append(band, to(vg.Point{X: p.minutes, Y: p.low}))
	}
	light := l.colour
	light.A = 0x50
	c.FillPolygon(light, band)
	c.StrokeLines(draw.LineStyle{Color: l.colour, Width: 1.3, Dashes: l.dashes}, middle)
}

func curveAxes(c pen, area vg.Rectangle, to func(vg.Point) vg.Point, lowX, highX, lowY, highY float64) {
	st := c.style(fontBody, chartSoft, false)
	for _, t := range minuteTicks(lowX, highX) {
		at := to(vg.Point{X: vg.Length(t), Y: 0}).X
		col, width := chartLine, vg.Length(0.6)
		if t == 0 {
			col, width = chartSoft, 1
		}
		line(c, col, width, nil, vg.Point{X: at, Y: area.Min.Y}, vg.Point{X: at, Y: area.Max.Y})
		s := st
		s.XAlign = draw.XCenter
		c.FillText(s, vg.Point{X: at, Y: area.Min.Y - 0.3*vg.Centimeter}, Fixed(t, 0))
	}
	for _, t := range ticks(lowY, highY) {
		at := to(vg.Point{X: 0, Y: vg.Length(t)}).Y
		line(c, chartLine, 0.6, nil, vg.Point{X: area.Min.X, Y: at}, vg.Point{X: area.Max.X, Y: at})
		s := st
		s.XAlign = draw.XRight
		c.FillText(s, vg.Point{X: area.Min.X - 0.15*vg.Centimeter, Y: at}, Fixed(t, tickDigits(highY-lowY)))
	}
	line(c, chartInk, 0.8, nil, area.Min, vg.Point{X: area.Max.X, Y: area.Min.Y})
	line(c, chartInk, 0.8, nil, area.Min, vg.Point{X: area.Min.X, Y: area.Max.Y})
	s := st
	s.XAlign = draw.XCenter
	c.FillText(s, vg.Point{X: (area.Min.X + area.Max.X) / 2, Y: area.Min.Y - 0.8*vg.Centimeter}, "minutes since load start")
	c.FillText(st, vg.Point{X: c.Min.X + 0.4*vg.Centimeter, Y: area.Max.Y + 0.3*vg.Centimeter}, "°C")
}

// minuteTicks are steps that clocks have.
func minuteTicks(low, high float64) []float64 {
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

// endLabels names each curve at its end, moved apart where they would overlap.
func endLabels(c pen, area vg.Rectangle, to func(vg.Point) vg.Point, lines []curveLine) {
	order := make([]int, len(lines))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return lines[order[a]].last.Y < lines[order[b]].last.Y })
	places := make([]float64, len(lines))
	for i, k := range order {
		places[i] = float64(to(lines[k].last).Y)
	}
	apart(places, 11, float64(area.Min.Y), float64(area.Max.Y))
	y := make([]vg.Length, len(lines))
	for i, k := range order {
		y[k] = vg.Length(places[i])
	}
	for i, l := range lines {
		end := to(l.last)
		line(c, l.colour, 0.7, nil, end, vg.Point{X: area.Max.X + 8, Y: y[i]})
		c.StrokeLine2(draw.LineStyle{Color: l.colour, Width: 1.6, Dashes: l.dashes}, area.Max.X+8, y[i], area.Max.X+24, y[i])
		c.FillText(c.style(fontSmall, chartInk, false), vg.Point{X: area.Max.X + 27, Y: y[i]}, l.name)
	}
}
