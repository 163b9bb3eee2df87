package chart

import (
	"bytes"
	"sort"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"pgregory.net/rapid"
)

func TestTicks(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		low := rapid.Float64Range(-1000, 1000).Draw(rt, "low")
		span := rapid.Float64Range(0.5, 1000).Draw(rt, "span")
		got := Ticks(low, low+span)
		if len(got) < 3 || len(got) > 11 || got[0] < low-1e-9 || got[len(got)-1] > low+span+1e-9 {
			rt.Fatalf("ticks from %v to %v: %v", low, low+span, got)
		}
	})
}

// TestApart: names keep their order and distance.
func TestApart(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		y := rapid.SliceOfN(rapid.Float64Range(-50, 550), 1, 12).Draw(rt, "y")
		sort.Float64s(y)
		Apart(y, 36, 0, 500)
		for i := range y {
			if i > 0 && y[i]-y[i-1] < 36-1e-9 || y[i] > 500+1e-9 {
				rt.Fatalf("%v", y)
			}
		}
	})
}

// TestMinuteTicks: steps of a clock, at most ten of them however long the run is.
func TestMinuteTicks(t *testing.T) {
	for _, c := range []struct {
		low, high, first, step float64
		n                      int
	}{{-5, 60, 0, 10, 7}, {-3.2, 4.1, -3, 1, 8}, {0, 9 * 60, 0, 60, 10}, {475, 1000, 480, 60, 9}, {0, 1440, 0, 240, 7}} {
		got := MinuteTicks(c.low, c.high)
		if len(got) != c.n || got[0] != c.first || got[1]-got[0] != c.step {
			t.Errorf("from %v to %v: %v, want %d from %v by %v", c.low, c.high, got, c.n, c.first, c.step)
		}
	}
}

// TestFrame: the frame holds title, key and the chart in words, in every format; what is
// drawn lies below title and key.
func TestFrame(t *testing.T) {
	f := Frame{Height: 5 * vg.Centimeter, Title: "Peak <held>", Words: `alder 80 "rated"`, Key: []string{"rated", "boosted"}}
	for format, begin := range map[string]string{"svg": "<?xml", "png": "\x89PNG", "pdf": "%PDF"} {
		var b bytes.Buffer
		err := f.Write(&b, format, func(p Pen) {
			if height := p.Max.Y - p.Min.Y; height != 3.4*vg.Centimeter {
				t.Errorf("%s: a height of %v is left, want 3.4 cm", format, height)
			}
			s := Scale{Low: 20, High: 120, From: p.Min.X, To: p.Max.X}
			p.Axis(p.Rectangle, s, func(v float64) string { return "at" }, "degC")
			p.Sign(vg.Point{X: s.At(80), Y: 20}, Sign{Setup: 1, Hollow: true})
		})
		if err != nil || !strings.HasPrefix(b.String(), begin) {
			t.Errorf("%s: %v, begins %.8q", format, err, b.String())
		}
		if format != "svg" {
			continue
		}
		for _, want := range []string{`role="img" aria-label="alder 80 &#34;rated&#34;"`, ">rated<", ">boosted<", ">degC<", "Peak", "Arial,Helvetica"} {
			if !strings.Contains(b.String(), want) {
				t.Errorf("the picture lacks %q", want)
			}
		}
	}
	if err := f.Write(new(bytes.Buffer), "gif", func(Pen) {}); err == nil || !strings.Contains(err.Error(), "svg, png, pdf") {
		t.Errorf("a gif: %v", err)
	}
}

// TestColours: the number of a colour is what is drawn.
func TestColours(t *testing.T) {
	for c, want := range map[Colour][4]uint32{Ink: {0x1d1d, 0x2525, 0x3030, 0xffff}, 0xffffff00: {0, 0, 0, 0}, 0xff000080: {0x8080, 0, 0, 0x8080}} {
		if r, g, b, a := c.RGBA(); [4]uint32{r, g, b, a} != want {
			t.Errorf("%08x: got %x %x %x %x, want %x", uint32(c), r, g, b, a, want)
		}
	}
	if got := CurveColour(6); got != CurveColour(1) || got.Light() != 0xd2560a50 {
		t.Errorf("the seventh curve: %08x, light %08x", uint32(got), uint32(got.Light()))
	}
}
