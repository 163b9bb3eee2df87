// Package chart is the ground that charts are drawn on: a canvas as SVG, PNG or PDF with
// its title and key, the colours and letters of all charts, lines, signs, an axis and
// its numbers. It knows no run and no result, and words nothing: what stands in a chart
// comes from who draws it.
package chart

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	_ "gonum.org/v1/plot/vg/vgpdf" // pdf
	_ "gonum.org/v1/plot/vg/vgsvg" // svg
)

// Frame is what stands around a chart.
type Frame struct {
	Height vg.Length
	Title  string
	Words  string   // the chart in words, for readers who do not see it
	Key    []string // what each sign stands for, in their order; none, or one empty: no key
}

const width = 17 * vg.Centimeter // an article's column

// pngDPI makes a picture that stays sharp at twice an article's column.
const pngDPI = 220

// Write draws the frame, lets body draw below title and key, and writes the picture.
// format is svg, png or pdf.
func (f Frame) Write(w io.Writer, format string, body func(Pen)) error {
	c, err := canvas(f.Height, format)
	if err != nil {
		return err
	}
	// gonum's PDF canvas can't find its own bold fonts.
	p := Pen{Canvas: draw.New(c), hasBold: format != "pdf"}
	p.SetColor(color.White)
	p.Fill(Rectangle(p.Rectangle))
	f.head(p)
	p.Canvas = draw.Crop(p.Canvas, 0, 0, 0, -1.6*vg.Centimeter)
	body(p)
	var out bytes.Buffer
	if _, err := c.WriteTo(&out); err != nil {
		return fmt.Errorf("chart: %w", err)
	}
	b := out.Bytes()
	if format == "svg" {
		b = bytes.Replace(b, []byte("<svg "), []byte(`<svg role="img" aria-label="`+html.EscapeString(f.Words)+`" `), 1)
		b = bytes.ReplaceAll(b, []byte("font-family:Liberation Sans"), []byte("font-family:Liberation Sans,Arial,Helvetica,sans-serif"))
	}
	if _, err := w.Write(b); err != nil {
		return fmt.Errorf("write chart: %w", err)
	}
	return nil
}

// head draws title and key.
func (f Frame) head(p Pen) {
	top := p.Max.Y - 0.6*vg.Centimeter
	p.FillText(p.Bold(titleSize, Ink), vg.Point{X: p.Min.X + 0.4*vg.Centimeter, Y: top}, f.Title)
	if len(f.Key) == 0 || len(f.Key) == 1 && f.Key[0] == "" {
		return
	}
	at := vg.Point{X: p.Min.X + 0.5*vg.Centimeter, Y: top - 0.65*vg.Centimeter}
	for i, word := range f.Key {
		p.Sign(at, Sign{Setup: i})
		st := p.Plain(BodySize, Ink)
		p.FillText(st, vg.Point{X: at.X + 0.25*vg.Centimeter, Y: at.Y}, word)
		at.X += 0.9*vg.Centimeter + st.Width(word)
	}
}

func canvas(height vg.Length, format string) (vg.CanvasWriterTo, error) {
	if format == "png" {
		return vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(pngDPI))}, nil
	}
	c, err := draw.NewFormattedCanvas(width, height, format)
	if err != nil {
		return nil, fmt.Errorf("chart: %w; formats are svg, png, pdf", err)
	}
	return c, nil
}

// Sizes of letters.
const (
	titleSize = vg.Length(12)
	BodySize  = vg.Length(9)
	SmallSize = vg.Length(8)
)

// Pen draws on a canvas. It is for one goroutine.
type Pen struct {
	draw.Canvas
	hasBold bool
}

// Plain is a style of text, level with the middle of its figures.
func (p Pen) Plain(size vg.Length, c color.Color) text.Style {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	return text.Style{Color: c, Font: f, Handler: plot.DefaultTextHandler, YAlign: draw.YCenter}
}

// Bold is the style in bold, plain where the canvas has no bold letters.
func (p Pen) Bold(size vg.Length, c color.Color) text.Style {
	st := p.Plain(size, c)
	if p.hasBold {
		st.Font.Weight = 3 // font.WeightBold of x/image
	}
	return st
}

// FillText writes text whose figures are level with the place; gonum centres the whole
// font, with what hangs below the line.
func (p Pen) FillText(st text.Style, at vg.Point, s string) {
	at.Y += 0.12 * st.Font.Size
	p.Canvas.FillText(st, at, s)
}

// Solid is an unbroken line.
func Solid(c color.Color, width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: width}
}

// Line draws a straight line.
func (p Pen) Line(st draw.LineStyle, from, to vg.Point) {
	p.StrokeLine2(st, from.X, from.Y, to.X, to.Y)
}

// Rectangle is the outline of r.
func Rectangle(r vg.Rectangle) vg.Path {
	var p vg.Path
	p.Move(r.Min)
	p.Line(vg.Point{X: r.Max.X, Y: r.Min.Y})
	p.Line(r.Max)
	p.Line(vg.Point{X: r.Min.X, Y: r.Max.Y})
	p.Close()
	return p
}
