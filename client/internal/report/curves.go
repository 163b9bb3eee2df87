package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"soakrig/client/internal/chart"
	"soakrig/client/internal/trace"
	"soakrig/daemon/record"
)

// curveLine is a curve made ready: time since load start in minutes.
type curveLine struct {
	name   string
	colour chart.Colour
	dashes []vg.Length
	parts  [][]curvePoint // a new part behind every gap
	last   vg.Point
}

// curvePoint is one step of a curve: its middle, and the lowest and highest reading.
type curvePoint struct {
	minutes, low, high vg.Length
}

func (p curvePoint) middle() vg.Point { return vg.Point{X: p.minutes, Y: (p.low + p.high) / 2} }

// simulatedTitle ends the title of a chart that shows no measurement.
const simulatedTitle = " – simulated, no measurement"

// CurvesChart writes the hot spots of several runs on one axis, load start at zero:
// a colour for each unit, a dash for each setup. format is svg, png or pdf.
func CurvesChart(runs []Run, w io.Writer, format string) error {
	var units, setups []string
	var lines []curveLine
	for _, run := range runs {
		r := run.Result
		if r.Peak == nil || r.Load == nil || r.Load.StartS == nil || run.Traces == nil {
			continue
		}
		i := slices.IndexFunc(run.Traces.Channels, func(t trace.Trace) bool { return t.Channel.Name == r.Peak.Channel })
		if i < 0 {
			continue
		}
		unit := unitName(r.Unit, r.Revision)
		if slices.ContainsFunc(runs, func(o Run) bool {
			return o.Result.Unit == r.Unit && o.Result.Revision == r.Revision && o.Result.Setup == r.Setup && o.Result.Rig != r.Rig
		}) {
			unit += " on " + r.Rig
		}
		l := curveLine{name: strings.TrimSpace(unit + " " + r.Setup), colour: chart.CurveColour(place(&units, unit))}
		l.dashes = [][]vg.Length{nil, {6, 3}, {1.5, 2.5}, {8, 3, 1.5, 3}}[place(&setups, r.Setup)%4]
		if r.Verdict == record.VerdictVoid {
			l.name += ", void"
		}
		if r.Limited {
			l.name += ", limited"
		}
		l.cut(run.Traces, i, *r.Load.StartS, endOf(r))
		if len(l.parts) > 0 {
			lines = append(lines, l)
		}
	}
	if len(lines) == 0 {
		return ErrNothingToDraw
	}
	title := "Hot spots, load start at zero"
	if slices.ContainsFunc(runs, func(r Run) bool { return r.Simulated }) {
		title += simulatedTitle
	}
	frame := chart.Frame{Height: 10.5 * vg.Centimeter, Title: title, Words: fmt.Sprintf("%s: %d curves", title, len(lines))}
	return frame.Write(w, format, func(c chart.Pen) { drawCurves(c, lines) })
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
func (l *curveLine) cut(t *trace.Set, channel int, startS, endS float64) {
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
		low, high, ok := t.Channels[channel].Span(from, from+per)
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

// curvesArea is where the curves stand: minutes since load start across, degC up.
type curvesArea struct {
	vg.Rectangle
	across, up chart.Scale
}

func (a *curvesArea) at(p vg.Point) vg.Point {
	return vg.Point{X: a.across.At(float64(p.X)), Y: a.up.At(float64(p.Y))}
}

// areaOf is what the names of the curves on the right leave of the canvas, and what it
// covers.
func areaOf(c chart.Pen, lines []curveLine) *curvesArea {
	lowX, highX, lowY, highY := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	right := vg.Length(0)
	st := c.Plain(chart.SmallSize, chart.Ink)
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
	r := vg.Rectangle{Min: vg.Point{X: c.Min.X + 1.5*vg.Centimeter, Y: c.Min.Y + 1.3*vg.Centimeter}, Max: vg.Point{X: c.Max.X - right - 1.1*vg.Centimeter, Y: c.Max.Y}}
	return &curvesArea{Rectangle: r, across: chart.Scale{Low: lowX, High: highX, From: r.Min.X, To: r.Max.X},
		up: chart.Scale{Low: lowY - pad, High: highY + pad, From: r.Min.Y, To: r.Max.Y}}
}

func drawCurves(c chart.Pen, lines []curveLine) {
	area := areaOf(c, lines)
	area.axes(c)
	for _, l := range lines {
		for _, part := range l.parts {
			l.stroke(c, area, part)
		}
	}
	area.endLabels(c, lines)
}

// stroke draws the middle, and lightly the band from lowest to highest: a dash stays
// even that way, and no reading is lost.
func (l *curveLine) stroke(c chart.Pen, area *curvesArea, part []curvePoint) {
	from := vg.Length(area.across.Low)
	part = slices.DeleteFunc(slices.Clone(part), func(p curvePoint) bool { return p.minutes < from })
	if len(part) == 0 {
		return
	}
	var middle, band []vg.Point
	for _, p := range part {
		middle, band = append(middle, area.at(p.middle())), append(band, area.at(vg.Point{X: p.minutes, Y: p.high}))
	}
	for _, p := range slices.Backward(part) {
		band = append(band, area.at(vg.Point{X: p.minutes, Y: p.low}))
	}
	c.FillPolygon(l.colour.Light(), band)
	c.StrokeLines(draw.LineStyle{Color: l.colour, Width: 1.3, Dashes: l.dashes}, middle)
}

func (a *curvesArea) axes(c chart.Pen) {
	st := c.Plain(chart.BodySize, chart.Soft)
	below, beside := st, st
	below.XAlign, beside.XAlign = draw.XCenter, draw.XRight
	for _, t := range chart.MinuteTicks(a.across.Low, a.across.High) {
		x := a.across.At(t)
		grid := chart.Solid(chart.Grid, 0.6)
		if t == 0 {
			grid = chart.Solid(chart.Soft, 1)
		}
		c.Line(grid, vg.Point{X: x, Y: a.Min.Y}, vg.Point{X: x, Y: a.Max.Y})
		c.FillText(below, vg.Point{X: x, Y: a.Min.Y - 0.3*vg.Centimeter}, Fixed(t, 0))
	}
	digits := chart.TickDigits(a.up.High - a.up.Low)
	for _, t := range a.up.Ticks() {
		y := a.up.At(t)
		c.Line(chart.Solid(chart.Grid, 0.6), vg.Point{X: a.Min.X, Y: y}, vg.Point{X: a.Max.X, Y: y})
		c.FillText(beside, vg.Point{X: a.Min.X - 0.15*vg.Centimeter, Y: y}, Fixed(t, digits))
	}
	c.Line(chart.Solid(chart.Ink, 0.8), a.Min, vg.Point{X: a.Max.X, Y: a.Min.Y})
	c.Line(chart.Solid(chart.Ink, 0.8), a.Min, vg.Point{X: a.Min.X, Y: a.Max.Y})
	c.FillText(below, vg.Point{X: (a.Min.X + a.Max.X) / 2, Y: a.Min.Y - 0.8*vg.Centimeter}, "minutes since load start")
	c.FillText(st, vg.Point{X: c.Min.X + 0.4*vg.Centimeter, Y: a.Max.Y + 0.3*vg.Centimeter}, "°C")
}

// endLabels names each curve at its end, moved apart where they would overlap.
func (a *curvesArea) endLabels(c chart.Pen, lines []curveLine) {
	order := make([]int, len(lines))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(lines[i].last.Y, lines[j].last.Y) })
	places := make([]float64, len(lines))
	for i, k := range order {
		places[i] = float64(a.at(lines[k].last).Y)
	}
	chart.Apart(places, 11, float64(a.Min.Y), float64(a.Max.Y))
	y := make([]vg.Length, len(lines))
	for i, k := range order {
		y[k] = vg.Length(places[i])
	}
	for i, l := range lines {
		c.Line(chart.Solid(l.colour, 0.7), a.at(l.last), vg.Point{X: a.Max.X + 8, Y: y[i]})
		c.Line(draw.LineStyle{Color: l.colour, Width: 1.6, Dashes: l.dashes}, vg.Point{X: a.Max.X + 8, Y: y[i]}, vg.Point{X: a.Max.X + 24, Y: y[i]})
		c.FillText(c.Plain(chart.SmallSize, chart.Ink), vg.Point{X: a.Max.X + 27, Y: y[i]}, l.name)
	}
}
