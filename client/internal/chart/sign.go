package chart

import (
	"image/color"
	"math"

	"gonum.org/v1/plot/vg"
)

// Colour is red, green, blue and opacity in one number, 0xRRGGBBAA.
type Colour uint32

// The charts' own look: dark ink on white.
const (
	Ink  Colour = 0x1d2530ff // what is to be read
	Soft Colour = 0x59626eff // what explains it
	Grid Colour = 0xd8d4c9ff
	Bad  Colour = 0xa3233aff // a limit
	Band Colour = 0xa3233a26 // the guard band around it
	Veil Colour = 0xffffffcc // keeps words legible over what lies below them
)

// RGBA implements color.Color.
func (c Colour) RGBA() (r, g, b, a uint32) { return c.nrgba().RGBA() }

func (c Colour) nrgba() color.NRGBA {
	return color.NRGBA{R: uint8(c >> 24), G: uint8(c >> 16), B: uint8(c >> 8), A: uint8(c)}
}

// Light is the colour with little opacity, for an area.
func (c Colour) Light() Colour { return c&^0xff | 0x50 }

// CurveColours is how many colours there are for curves.
const CurveColours = 5

// CurveColour is the colour of the nth curve or setup from 0: those of the page, which
// stay apart for colour-blind readers and in grey. What is more takes them again and is
// told apart by its shape and name.
func CurveColour(n int) Colour {
	all := [CurveColours]Colour{0x0b62b0ff, 0xd2560aff, 0x1b8a72ff, 0x6b1250ff, 0x23261cff}
	return all[n%CurveColours]
}

// Sign is the sign of a setup, from 0; hollow marks what is no plain measurement of
// merit.
type Sign struct {
	Setup  int
	Hollow bool
}

// Sign draws a sign.
func (p Pen) Sign(at vg.Point, s Sign) {
	const r = vg.Length(4)
	var path vg.Path
	switch s.Setup % 4 {
	case 0:
		path.Move(vg.Point{X: at.X + r, Y: at.Y})
		path.Arc(at, r, 0, 2*math.Pi)
	case 1:
		path = Rectangle(vg.Rectangle{Min: vg.Point{X: at.X - r, Y: at.Y - r}, Max: vg.Point{X: at.X + r, Y: at.Y + r}})
	case 2:
		path.Move(vg.Point{X: at.X, Y: at.Y + 1.25*r})
		path.Line(vg.Point{X: at.X + 1.15*r, Y: at.Y - 0.85*r})
		path.Line(vg.Point{X: at.X - 1.15*r, Y: at.Y - 0.85*r})
	default:
		path.Move(vg.Point{X: at.X, Y: at.Y + 1.4*r})
		path.Line(vg.Point{X: at.X + 1.2*r, Y: at.Y})
		path.Line(vg.Point{X: at.X, Y: at.Y - 1.4*r})
		path.Line(vg.Point{X: at.X - 1.2*r, Y: at.Y})
	}
	path.Close()
	colour := CurveColour(s.Setup)
	p.SetColor(colour)
	if s.Hollow {
		p.SetColor(color.White)
	}
	p.Fill(path)
	p.SetLineStyle(Solid(colour, 1.6))
	p.Stroke(path)
}
