package report

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	_ "gonum.org/v1/plot/vg/vgpdf" // pdf
	_ "gonum.org/v1/plot/vg/vgsvg" // svg
)

// drawChart makes the canvas, title and key, and lets body draw below them.
func drawChart(w io.Writer, format string, height vg.Length, title, words string, key []string, body func(pen)) error {
	c, err := canvas(height, format)
	if err != nil {
		return err
	}
	dc := pen{draw.New(c), format != "pdf"}
	dc.SetColor(color.White)
	dc.Fill(rectangle(dc.Rectangle))
	top := dc.Max.Y - 0.6*vg.Centimeter
	dc.FillText(dc.style(fontTitle, chartInk, true), vg.Point{X: dc.Min.X + 0.4*vg.Centimeter, Y: top}, title)
	x := dc.Min.X + 0.5*vg.Centimeter
	if len(key) > 1 || len(key) == 1 && key[0] != "" {
		for i, k := range key {
			glyph(dc, vg.Point{X: x, Y: top - 0.65*vg.Centimeter}, i, false)
			st := dc.style(fontBody, chartInk, false)
			dc.FillText(st, vg.Point{X: x + 0.25*vg.Centimeter, Y: top - 0.65*vg.Centimeter}, k)
			x += 0.9*vg.Centimeter + st.Width(k)
		}
	}
	dc.Canvas = draw.Crop(dc.Canvas, 0, 0, 0, -1.6*vg.Centimeter)
	body(dc)
	var out bytes.Buffer
	if _, err := c.WriteTo(&out); err != nil {
		return fmt.Errorf("chart: %w", err)
	}
	b := out.Bytes()
	if format == "svg" {
		b = bytes.Replace(b, []byte("<svg "), []byte(`<svg role="img" aria-label="`+html.EscapeString(words)+`" `), 1)
		b = bytes.ReplaceAll(b, []byte("font-family:Liberation Sans"), []byte("font-family:Liberation Sans,Arial,Helvetica,sans-serif"))
	}
	if _, err := w.Write(b); err != nil {
		return fmt.Errorf("write chart: %w", err)
	}
	return nil
}

// pngDPI makes a picture that stays sharp at twice an article's column.
const pngDPI = 220

func canvas(height vg.Length, format string) (vg.CanvasWriterTo, error) {
	if format == "png" {
		return vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(chartWidth, height), vgimg.UseDPI(pngDPI))}, nil
	}
	c, err := draw.NewFormattedCanvas(chartWidth, height, format)
	if err != nil {
		return nil, fmt.Errorf("chart: %w; formats are svg, png, pdf", err)
	}
	return c, nil
}

func rectangle(r vg.Rectangle) vg.Path {
	var p vg.Path
	p.Move(r.Min)
	p.Line(vg.Point{X: r.Max.X, Y: r.Min.Y})
	p.Line(r.Max)
	p.Line(vg.Point{X: r.Min.X, Y: r.Max.Y})
	p.Close()
	return p
}

// glyph draws a setup's sign; hollow marks what is no plain measurement of merit.
func glyph(c pen, at vg.Point, setup int, hollow bool) {
	const r = vg.Length(4)
	col := chartColours()[setup%len(chartColours())]
	var p vg.Path
	switch setup % 4 {
	case 0:
		p.Move(vg.Point{X: at.X + r, Y: at.Y})
		p.Arc(at, r, 0, 2*math.Pi)
	case 1:
		p = rectangle(vg.Rectangle{Min: vg.Point{X: at.X - r, Y: at.Y - r}, Max: vg.Point{X: at.X + r, Y: at.Y + r}})
	case 2:
		p.Move(vg.Point{X: at.X, Y: at.Y + 1.25*r})
		p.Line(vg.Point{X: at.X + 1.15*r, Y: at.Y - 0.85*r})
		p.Line(vg.Point{X: at.X - 1.15*r, Y: at.Y - 0.85*r})
	default:
		p.Move(vg.Point{X: at.X, Y: at.Y + 1.4*r})
		p.Line(vg.Point{X: at.X + 1.2*r, Y: at.Y})
		p.Line(vg.Point{X: at.X, Y: at.Y - 1.4*r})
		p.Line(vg.Point{X: at.X - 1.2*r, Y: at.Y})
	}
	p.Close()
	c.SetColor(col)
	if hollow {
		c.SetColor(color.White)
	}
	c.Fill(p)
	c.SetLineStyle(draw.LineStyle{Color: col, Width: 1.6})
	c.Stroke(p)
}

func axis(c pen, area vg.Rectangle, xOf func(float64) vg.Length, low, high float64, words string) {
	for _, t := range ticks(low, high) {
		x := xOf(t)
		line(c, chartLine, 0.6, nil, vg.Point{X: x, Y: area.Min.Y}, vg.Point{X: x, Y: area.Max.Y})
		st := c.style(fontBody, chartSoft, false)
		st.XAlign = draw.XCenter
		c.FillText(st, vg.Point{X: x, Y: area.Min.Y - 0.3*vg.Centimeter}, Fixed(t, tickDigits(high-low)))
	}
	line(c, chartInk, 0.8, nil, area.Min, vg.Point{X: area.Max.X, Y: area.Min.Y})
	st := c.style(fontBody, chartSoft, false)
	st.XAlign = draw.XCenter
	c.FillText(st, vg.Point{X: (area.Min.X + area.Max.X) / 2, Y: area.Min.Y - 0.8*vg.Centimeter}, words)
}

// ticks are five to ten round numbers from low to high.
func ticks(low, high float64) []float64 {
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

func tickDigits(span float64) int {
	if span < 4 {
		return 1
	}
	return 0
}

func line(c pen, col color.Color, width vg.Length, dashes []vg.Length, from, to vg.Point) {
	c.StrokeLine2(draw.LineStyle{Color: col, Width: width, Dashes: dashes}, from.X, from.Y, to.X, to.Y)
}
