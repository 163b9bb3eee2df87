package report

import (
	"errors"
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"soakrig/daemon/analysis"
	"soakrig/daemon/record"
)

// ErrNothingToDraw says that no row has the quantity of a chart.
var ErrNothingToDraw = errors.New("nothing to draw")

// The charts' own look: dark ink on white, colours that stay apart for colour-blind
// readers and in grey, and a different shape for each setup.
var (
	chartInk  = color.NRGBA{0x1d, 0x25, 0x30, 0xff}
	chartSoft = color.NRGBA{0x59, 0x62, 0x6e, 0xff}
	chartLine = color.NRGBA{0xd8, 0xd4, 0xc9, 0xff}
	chartBad  = color.NRGBA{0xa3, 0x23, 0x3a, 0xff}
	chartBand = color.NRGBA{0xa3, 0x23, 0x3a, 0x26}
)

// chartColours are those of the page's curves; what is more takes them again and is
// told apart by its name.
func chartColours() []color.NRGBA {
	return []color.NRGBA{
		{0x0b, 0x62, 0xb0, 0xff}, {0xd2, 0x56, 0x0a, 0xff}, {0x1b, 0x8a, 0x72, 0xff}, {0x6b, 0x12, 0x50, 0xff}, {0x23, 0x26, 0x1c, 0xff},
	}
}

const (
	chartWidth = 17 * vg.Centimeter // an article's column
	fontBody   = vg.Length(9)
	fontTitle  = vg.Length(12)
	fontSmall  = vg.Length(8)
)

// pen draws. gonum's PDF canvas can't find its own bold fonts, so bold is off there.
type pen struct {
	draw.Canvas
	bold bool
}

func (p pen) style(size vg.Length, c color.Color, bold bool) text.Style {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	if bold && p.bold {
		f.Weight = 3 // font.WeightBold of x/image
	}
	return text.Style{Color: c, Font: f, Handler: plot.DefaultTextHandler, YAlign: draw.YCenter}
}

// FillText writes text whose figures are level with the place; gonum centres the whole
// font, with what hangs below the line.
func (p pen) FillText(st text.Style, at vg.Point, s string) {
	at.Y += 0.12 * st.Font.Size
	p.Canvas.FillText(st, at, s)
}

// dot is one row of a peaks chart.
type dot struct {
	row     *analysis.ComparedRow
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
	measured      map[*analysis.ComparedRow]float64 // beside a peak moved to the reference room: the peak itself
}

// quantity is a comparison by held, rise or reference, with its title and unit; nil:
// there is none.
func (c *Compared) quantity(name string) (src *analysis.Comparison, title, unit string) {
	switch name {
	case analysis.CompareRise:
		return c.Rise, "Rise of the hot spot above the room", "K"
	case analysis.CompareReference:
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
	p := &peaksChart{unit: unit, measured: map[*analysis.ComparedRow]float64{}}
	for i := range src.Rows {
		row := &src.Rows[i]
		if row.Value == nil {
			continue
		}
		d := dot{row: row, unit: place(&p.units, rowName(row)), setup: place(&p.setups, row.Setup), value: *row.Value, verdict: row.Verdict}
		if row.Expanded != nil {
			d.u = *row.Expanded
		}
		p.dots = append(p.dots, d)
		if held := same(c.Held, row); quantity == analysis.CompareReference && held != nil && held.Value != nil {
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
	return drawChart(w, format, height, title, p.describe(title), p.setups, p.draw)
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

// draw draws the dots. Axes are drawn by hand: there is one, with nice ticks.
func (p *peaksChart) draw(c pen) {
	label := c.style(fontBody, chartInk, true)
	left := vg.Length(0)
	for _, u := range p.units {
		left = max(left, label.Width(u))
	}
	left += 0.9 * vg.Centimeter
	area := vg.Rectangle{Min: vg.Point{X: c.Min.X + left, Y: c.Min.Y + 1.2*vg.Centimeter}, Max: vg.Point{X: c.Max.X - 3.1*vg.Centimeter, Y: c.Max.Y - 0.3*vg.Centimeter}}
	low, high := p.span()
	xOf := func(v float64) vg.Length { return area.Min.X + vg.Length((v-low)/(high-low))*(area.Max.X-area.Min.X) }
	rowH := (area.Max.Y - area.Min.Y) / vg.Length(len(p.units))
	words := p.unit + "; whiskers: expanded uncertainty, k = 2"
	if len(p.measured) > 0 {
		words += "; tick: the peak as measured"
	}
	axis(c, area, xOf, low, high, words)
	for i, u := range p.units {
		y := area.Max.Y - (vg.Length(i)+0.5)*rowH
		st := label
		st.XAlign = draw.XRight
		c.FillText(st, vg.Point{X: area.Min.X - 0.35*vg.Centimeter, Y: y}, u)
		if i > 0 {
			line(c, chartLine, 0.6, nil, vg.Point{X: c.Min.X + 0.4*vg.Centimeter, Y: y + rowH/2}, vg.Point{X: area.Max.X, Y: y + rowH/2})
		}
	}
	step := rowH * 0.8 / vg.Length(max(len(p.setups), 1))
	yOf := func(d *dot) vg.Length {
		return area.Max.Y - (vg.Length(d.unit)+0.5)*rowH + (vg.Length(len(p.setups)-1)/2-vg.Length(d.setup))*step
	}
	if p.bound != nil {
		p.limit(c, area, xOf, yOf, step)
	}
	for i := range p.dots {
		p.dot(c, &p.dots[i], xOf, yOf(&p.dots[i]))
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
func (p *peaksChart) limit(c pen, area vg.Rectangle, xOf func(float64) vg.Length, yOf func(*dot) vg.Length, step vg.Length) {
	for i := range p.dots {
		d := &p.dots[i]
		w := d.u
		if w == 0 {
			w = p.guard
		}
		y := yOf(d)
		c.SetColor(chartBand)
		c.Fill(rectangle(vg.Rectangle{Min: vg.Point{X: xOf(*p.bound - w), Y: y - step/2}, Max: vg.Point{X: xOf(*p.bound + w), Y: y + step/2}}))
	}
	x := xOf(*p.bound)
	line(c, chartBad, 1.4, []vg.Length{5, 3}, vg.Point{X: x, Y: area.Min.Y}, vg.Point{X: x, Y: area.Max.Y})
	st := c.style(fontSmall, chartBad, true)
	st.XAlign = draw.XCenter
	c.FillText(st, vg.Point{X: x, Y: area.Max.Y + 0.22*vg.Centimeter}, fmt.Sprintf("limit %g %s, guard band tinted", *p.bound, p.unit))
}

func (p *peaksChart) dot(c pen, d *dot, xOf func(float64) vg.Length, y vg.Length) {
	x := xOf(d.value)
	col := chartColours()[d.setup%len(chartColours())]
	void := d.verdict == record.VerdictVoid
	ls := []vg.Length(nil)
	if void {
		ls = []vg.Length{2, 2}
	}
	end := x
	if d.u > 0 {
		a, z := xOf(d.value-d.u), xOf(d.value+d.u)
		end = z
		line(c, col, 1.4, ls, vg.Point{X: a, Y: y}, vg.Point{X: z, Y: y})
		line(c, col, 1.4, nil, vg.Point{X: a, Y: y - 3}, vg.Point{X: a, Y: y + 3})
		if !d.row.LowerBound {
			line(c, col, 1.4, nil, vg.Point{X: z, Y: y - 3}, vg.Point{X: z, Y: y + 3})
		}
	}
	if d.row.LowerBound { // an arrow: the true value may be higher
		line(c, col, 1.4, nil, vg.Point{X: end, Y: y}, vg.Point{X: end + 12, Y: y})
		line(c, col, 1.4, nil, vg.Point{X: end + 7, Y: y + 4}, vg.Point{X: end + 12, Y: y})
		line(c, col, 1.4, nil, vg.Point{X: end + 7, Y: y - 4}, vg.Point{X: end + 12, Y: y})
		end += 14
	}
	if v, ok := p.measured[d.row]; ok {
		line(c, chartInk, 1.2, nil, vg.Point{X: xOf(v), Y: y - 7}, vg.Point{X: xOf(v), Y: y + 7})
	}
	glyph(c, vg.Point{X: x, Y: y}, d.setup, void || d.row.Limited)
	if void {
		line(c, chartInk, 1.2, nil, vg.Point{X: x - 6, Y: y - 6}, vg.Point{X: x + 6, Y: y + 6})
		line(c, chartInk, 1.2, nil, vg.Point{X: x - 6, Y: y + 6}, vg.Point{X: x + 6, Y: y - 6})
	}
	words := rowValue(d.row)
	if s := remark(d); s != "" {
		words += "  " + s
	}
	st := c.style(fontSmall, chartInk, false)
	c.SetColor(color.NRGBA{0xff, 0xff, 0xff, 0xcc}) // legible over the limit and its band
	c.Fill(rectangle(vg.Rectangle{Min: vg.Point{X: end + 4, Y: y - 5.5}, Max: vg.Point{X: end + 8 + st.Width(words), Y: y + 5.5}}))
	c.FillText(st, vg.Point{X: end + 6, Y: y}, words)
}
