package report

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"soakrig/client/internal/chart"
	"soakrig/daemon/analysis/compare"
	"soakrig/daemon/record"
)

// ErrNothingToDraw says that no row has the quantity of a chart.
var ErrNothingToDraw = errors.New("nothing to draw")

// dot is one row of a peaks chart.
type dot struct {
	row     *compare.Row
	unit    int // from the top
	setup   int
	value   float64
	u       float64 // expanded; zero: not stated
	verdict record.Verdict
}

// peaksChart draws dots with whiskers, one line for each unit.
type peaksChart struct {
	units, setups []string
	dots          []dot
	bound         *float64 // the limit that all rows share
	guard         float64  // of rows without an uncertainty
	unit          string
	measured      map[*compare.Row]float64 // beside a peak moved to the reference room: the peak itself
}

// quantity is a comparison by held, rise or reference, with its title and unit; nil:
// there is none.
func (c *Compared) quantity(name string) (src *compare.Comparison, title, unit string) {
	switch name {
	case compare.Rise:
		return c.Rise, "Rise of the hot spot above the room", "K"
	case compare.Reference:
		room := ""
		for i := range c.results {
			if p := c.results[i].Peak; p != nil && p.ReferenceAmbientC != nil {
				now := withUnit(trimmed(*p.ReferenceAmbientC), "degC")
				if room != "" && room != now {
					return nil, "", "" // they were moved to different rooms
				}
				room = now
			}
		}
		return c.Reference, "Peak moved to a room at " + room, "°C"
	}
	return c.Held, "Peak temperature held 10 s", "°C"
}

// PeaksChart writes the peaks (quantity held), rises (rise) or peaks moved to the
// reference room (reference, with the measured ones as ticks) of a comparison as dots
// with their expanded uncertainty, setups side by side, with the limit and its guard
// band. format is svg, png or pdf.
func PeaksChart(c *Compared, quantity string, w io.Writer, format string) error {
	src, title, unit := c.quantity(quantity)
	if src == nil {
		return ErrNothingToDraw
	}
	if c.Simulated {
		title += simulatedTitle
	}
	p := &peaksChart{unit: unit, measured: map[*compare.Row]float64{}}
	for i := range src.Rows {
		row := &src.Rows[i]
		if row.Value == nil {
			continue
		}
		d := dot{row: row, unit: place(&p.units, c.unitOf(row)), setup: place(&p.setups, row.Setup), value: *row.Value, verdict: row.Verdict}
		if row.Expanded != nil {
			d.u = *row.Expanded
		}
		p.dots = append(p.dots, d)
		if held := same(c.Held, row); quantity == compare.Reference && held != nil && held.Value != nil {
			p.measured[row] = *held.Value
		}
	}
	if len(p.dots) == 0 {
		return ErrNothingToDraw
	}
	slices.Sort(p.setups) // dots of setups keep their order whatever is coolest
	for i := range p.dots {
		p.dots[i].setup = slices.Index(p.setups, p.dots[i].row.Setup)
	}
	p.bound, p.guard = c.sharedLimit(quantity)
	height := vg.Length(3.2)*vg.Centimeter + vg.Length(len(p.units))*max(1.1, 0.62*vg.Length(len(p.setups)))*vg.Centimeter
	frame := chart.Frame{Height: height, Title: title, Words: p.describe(title), Key: p.setups}
	return frame.Write(w, format, p.draw)
}

func place(list *[]string, s string) int {
	i := slices.Index(*list, s)
	if i < 0 {
		i = len(*list)
		*list = append(*list, s)
	}
	return i
}

// sharedLimit is the bound that every result has for the quantity; nil: they differ
// or there is none.
func (c *Compared) sharedLimit(quantity string) (*float64, float64) {
	want := map[string]string{"held": "value", "rise": "rise"}[quantity]
	var bound *float64
	guard := 0.0
	for i := range c.results {
		var mine *float64
		for _, l := range c.results[i].Limits {
			if l.Quantity == want && l.Severity != "note" && (l.Unit == "degC" || l.Unit == "K") {
				b := l.Bound
				mine = &b
				if l.GuardBand != nil {
					guard = max(guard, *l.GuardBand)
				}
				break
			}
		}
		if mine == nil || bound != nil && *bound != *mine {
			return nil, 0
		}
		bound = mine
	}
	return bound, guard
}

// describe is the chart in words, for readers who do not see it.
func (p *peaksChart) describe(title string) string {
	var parts []string
	for _, d := range p.dots {
		text := fmt.Sprintf("%s %s %s %s", p.units[d.unit], d.row.Setup, rowValue(d.row), p.unit)
		if v, ok := p.measured[d.row]; ok {
			text += ", measured " + Fixed(v, 1)
		}
		if s := remark(&d); s != "" {
			text += " (" + s + ")"
		}
		parts = append(parts, text)
	}
	s := title + ". " + strings.Join(parts, "; ")
	if p.bound != nil {
		s += fmt.Sprintf(". Limit %g %s", *p.bound, p.unit)
	}
	return s
}

// remark is what a dot must not hide.
func remark(d *dot) string {
	var words []string
	if d.verdict == record.VerdictVoid {
		words = append(words, "void")
	}
	if d.row.Limited {
		words = append(words, "limited")
	}
	if d.row.LowerBound {
		words = append(words, "at least")
	}
	return strings.Join(words, ", ")
}

// peaksArea is where the dots of a chart stand.
type peaksArea struct {
	vg.Rectangle
	across chart.Scale
	rowH   vg.Length // of a unit
	step   vg.Length // between the setups of a unit
	setups int
}

// y is the height of a dot.
func (a *peaksArea) y(d *dot) vg.Length {
	return a.Max.Y - (vg.Length(d.unit)+0.5)*a.rowH + (vg.Length(a.setups-1)/2-vg.Length(d.setup))*a.step
}

// area is what the names of the units on the left and the words of the dots on the right
// leave of the canvas.
func (p *peaksChart) area(c chart.Pen, label text.Style) *peaksArea {
	left := vg.Length(0)
	for _, u := range p.units {
		left = max(left, label.Width(u))
	}
	left += 0.9 * vg.Centimeter
	a := &peaksArea{setups: len(p.setups), Rectangle: vg.Rectangle{Min: vg.Point{X: c.Min.X + left, Y: c.Min.Y + 1.2*vg.Centimeter},
		Max: vg.Point{X: c.Max.X - 3.1*vg.Centimeter, Y: c.Max.Y - 0.3*vg.Centimeter}}}
	low, high := p.span()
	a.across = chart.Scale{Low: low, High: high, From: a.Min.X, To: a.Max.X}
	a.rowH = (a.Max.Y - a.Min.Y) / vg.Length(len(p.units))
	a.step = a.rowH * 0.8 / vg.Length(max(len(p.setups), 1))
	return a
}

// draw draws the dots. The axis is drawn by hand: there is one, with nice ticks.
func (p *peaksChart) draw(c chart.Pen) {
	label := c.Bold(chart.BodySize, chart.Ink)
	label.XAlign = draw.XRight
	area := p.area(c, label)
	words := p.unit + "; whiskers: expanded uncertainty, k = 2"
	if len(p.measured) > 0 {
		words += "; tick: the peak as measured"
	}
	digits := chart.TickDigits(area.across.High - area.across.Low)
	c.Axis(area.Rectangle, area.across, func(v float64) string { return Fixed(v, digits) }, words)
	for i, u := range p.units {
		y := area.Max.Y - (vg.Length(i)+0.5)*area.rowH
		c.FillText(label, vg.Point{X: area.Min.X - 0.35*vg.Centimeter, Y: y}, u)
		if i > 0 {
			c.Line(chart.Solid(chart.Grid, 0.6), vg.Point{X: c.Min.X + 0.4*vg.Centimeter, Y: y + area.rowH/2}, vg.Point{X: area.Max.X, Y: y + area.rowH/2})
		}
	}
	if p.bound != nil {
		p.limit(c, area)
	}
	for i := range p.dots {
		p.dot(c, area, &p.dots[i])
	}
}

// span is what the axis covers: all whiskers, and the limit with its band.
func (p *peaksChart) span() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, d := range p.dots {
		low, high = min(low, d.value-d.u), max(high, d.value+d.u)
		if v, ok := p.measured[d.row]; ok {
			low, high = min(low, v), max(high, v)
		}
	}
	if p.bound != nil {
		low, high = min(low, *p.bound-p.guard), max(high, *p.bound+p.guard)
	}
	pad := max((high-low)*0.06, 1)
	return low - pad, high + pad
}

// limit draws the limit and, for each dot, its guard band: as wide as its own
// uncertainty to both sides.
func (p *peaksChart) limit(c chart.Pen, area *peaksArea) {
	for i := range p.dots {
		d := &p.dots[i]
		w := d.u
		if w == 0 {
			w = p.guard
		}
		y := area.y(d)
		c.SetColor(chart.Band)
		c.Fill(chart.Rectangle(vg.Rectangle{Min: vg.Point{X: area.across.At(*p.bound - w), Y: y - area.step/2},
			Max: vg.Point{X: area.across.At(*p.bound + w), Y: y + area.step/2}}))
	}
	x := area.across.At(*p.bound)
	c.Line(draw.LineStyle{Color: chart.Bad, Width: 1.4, Dashes: []vg.Length{5, 3}}, vg.Point{X: x, Y: area.Min.Y}, vg.Point{X: x, Y: area.Max.Y})
	st := c.Bold(chart.SmallSize, chart.Bad)
	st.XAlign = draw.XCenter
	c.FillText(st, vg.Point{X: x, Y: area.Max.Y + 0.22*vg.Centimeter}, fmt.Sprintf("limit %g %s, guard band tinted", *p.bound, p.unit))
}

// dot draws a row: whisker, the peak as it was measured, sign, words.
func (p *peaksChart) dot(c chart.Pen, area *peaksArea, d *dot) {
	x, y := area.across.At(d.value), area.y(d)
	void := d.verdict == record.VerdictVoid
	end := d.whisker(c, area)
	tick := chart.Solid(chart.Ink, 1.2)
	if v, ok := p.measured[d.row]; ok {
		at := area.across.At(v)
		c.Line(tick, vg.Point{X: at, Y: y - 7}, vg.Point{X: at, Y: y + 7})
	}
	c.Sign(vg.Point{X: x, Y: y}, chart.Sign{Setup: d.setup, Hollow: void || d.row.Limited})
	if void {
		c.Line(tick, vg.Point{X: x - 6, Y: y - 6}, vg.Point{X: x + 6, Y: y + 6})
		c.Line(tick, vg.Point{X: x - 6, Y: y + 6}, vg.Point{X: x + 6, Y: y - 6})
	}
	words := rowValue(d.row)
	if s := remark(d); s != "" {
		words += "  " + s
	}
	st := c.Plain(chart.SmallSize, chart.Ink)
	c.SetColor(chart.Veil)
	c.Fill(chart.Rectangle(vg.Rectangle{Min: vg.Point{X: end + 4, Y: y - 5.5}, Max: vg.Point{X: end + 8 + st.Width(words), Y: y + 5.5}}))
	c.FillText(st, vg.Point{X: end + 6, Y: y}, words)
}

// whisker draws the expanded uncertainty, dashed for a void row, and an arrow where the
// true value may be higher. It gives the place where it ends.
func (d *dot) whisker(c chart.Pen, area *peaksArea) (end vg.Length) {
	y := area.y(d)
	end = area.across.At(d.value)
	st := chart.Solid(chart.CurveColour(d.setup), 1.4)
	if d.u > 0 {
		from, to := area.across.At(d.value-d.u), area.across.At(d.value+d.u)
		end = to
		bar := st
		if d.verdict == record.VerdictVoid {
			bar.Dashes = []vg.Length{2, 2}
		}
		c.Line(bar, vg.Point{X: from, Y: y}, vg.Point{X: to, Y: y})
		c.Line(st, vg.Point{X: from, Y: y - 3}, vg.Point{X: from, Y: y + 3})
		if !d.row.LowerBound {
			c.Line(st, vg.Point{X: to, Y: y - 3}, vg.Point{X: to, Y: y + 3})
		}
	}
	if !d.row.LowerBound {
		return end
	}
	tip := vg.Point{X: end + 12, Y: y}
	c.Line(st, vg.Point{X: end, Y: y}, tip)
	c.Line(st, vg.Point{X: end + 7, Y: y + 4}, tip)
	c.Line(st, vg.Point{X: end + 7, Y: y - 4}, tip)
	return end + 14
}
