package report

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"soakrig/client/internal/chart"
)

// themes are the page's colours as its style sheet has them: light, dark and print.
func themes(t *testing.T) map[string]map[string]string {
	t.Helper()
	colour := regexp.MustCompile(`--([a-z0-9]+):(#[0-9a-f]{3,6})`)
	read := func(css string) map[string]string {
		out := map[string]string{}
		for _, m := range colour.FindAllStringSubmatch(css, -1) {
			if len(m[2]) == 4 {
				m[2] = "#" + strings.Repeat(m[2][1:2], 2) + strings.Repeat(m[2][2:3], 2) + strings.Repeat(m[2][3:4], 2)
			}
			out[m[1]] = m[2]
		}
		return out
	}
	darkAt, printAt := strings.Index(pageCSS, "@media (prefers-color-scheme:dark)"), strings.Index(pageCSS, "@media print")
	bodyAt := strings.Index(pageCSS, "*{box-sizing")
	all := map[string]map[string]string{"light": read(pageCSS[:darkAt]), "dark": read(pageCSS[darkAt:bodyAt]), "print": read(pageCSS[printAt:])}
	for name, th := range all {
		if len(th) < 16 {
			t.Fatalf("%s: only the colours %v were found", name, th)
		}
	}
	return all
}

// linear is a colour in linear light.
func linear(t *testing.T, hex string) [3]float64 {
	t.Helper()
	var out [3]float64
	for i := range 3 {
		n, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		if err != nil {
			t.Fatalf("colour %q: %v", hex, err)
		}
		c := float64(n) / 255
		if out[i] = c / 12.92; c > 0.04045 {
			out[i] = math.Pow((c+0.055)/1.055, 2.4)
		}
	}
	return out
}

// contrast is the ratio of WCAG 2.
func contrast(t *testing.T, a, b string) float64 {
	lum := func(c [3]float64) float64 { return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2] }
	x, y := lum(linear(t, a)), lum(linear(t, b))
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// TestContrast: text has 4.5 to 1 against what it stands on, curves and signs 3 to 1:
// WCAG 2.1, level AA, criteria 1.4.3 and 1.4.11.
func TestContrast(t *testing.T) {
	for name, th := range themes(t) {
		check := func(least float64, ground string, of ...string) {
			for _, c := range of {
				if got := contrast(t, th[c], th[ground]); got < least {
					t.Errorf("%s: --%s %s on --%s %s has %.2f to 1, want %g", name, c, th[c], ground, th[ground], got, least)
				}
			}
		}
		for _, ground := range []string{"paper", "sheet"} {
			check(4.5, ground, "ink", "soft", "good", "note", "bad", "unknown")
		}
		check(4.5, "tint", "ink", "soft")
		for _, ground := range []string{"sheet", "tint"} {
			check(3, ground, "s0", "s1", "s2", "s3", "s4", "amb", "bad")
		}
		if name != "print" { // there the line has no ground
			check(4.5, "note", "paper") // the line that says that all is simulated
		}
	}
	for i := range chart.CurveColours {
		hex := fmt.Sprintf("#%06x", uint32(chart.CurveColour(i)>>8))
		if want := themes(t)["light"][fmt.Sprint("s", i)]; hex != want {
			t.Errorf("chart colour %d is %s, the page's is %s", i, hex, want)
		}
		if got := contrast(t, hex, "#ffffff"); got < 3 {
			t.Errorf("chart colour %d %s on white has %.2f to 1", i, hex, got)
		}
	}
	if more := fmt.Sprint("s", chart.CurveColours); themes(t)["light"][more] != "" {
		t.Errorf("the page has --%s, a colour more than the charts", more)
	}
}

// Sight without one kind of cone: Machado, Oliveira and Fernandes 2009, severity 1, on
// linear RGB (matrices from memory).
func sights() map[string][3][3]float64 {
	return map[string][3][3]float64{
		"usual":        {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
		"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
		"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
		"tritanopia":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
	}
}

// cielab is a colour of linear RGB (sRGB primaries, D65) in CIE 1976 L*a*b*.
func cielab(c [3]float64) [3]float64 {
	f := func(v float64) float64 {
		if v > 216.0/24389 {
			return math.Cbrt(v)
		}
		return (24389.0/27*v + 16) / 116
	}
	x := f((0.4124*c[0] + 0.3576*c[1] + 0.1805*c[2]) / 0.9505)
	y := f(0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2])
	z := f((0.0193*c[0] + 0.1192*c[1] + 0.9505*c[2]) / 1.089)
	return [3]float64{116*y - 16, 500 * (x - y), 200 * (y - z)}
}

// TestCurvesForEverySight: any two colours of curves stay at least 12 apart in L*a*b*
// (a just noticeable difference is about 2.3) with every kind of colour blindness.
func TestCurvesForEverySight(t *testing.T) {
	for name, th := range themes(t) {
		for sight, m := range sights() {
			var seen [chart.CurveColours][3]float64
			for i := range seen {
				c := linear(t, th[fmt.Sprint("s", i)])
				for row := range 3 {
					seen[i][row] = min(max(m[row][0]*c[0]+m[row][1]*c[1]+m[row][2]*c[2], 0), 1)
				}
			}
			for i := range seen {
				for j := range i {
					a, b := cielab(seen[i]), cielab(seen[j])
					if d := math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2])); d < 12 {
						t.Errorf("%s, %s: --s%d and --s%d are %.1f apart", name, sight, j, i, d)
					}
				}
			}
		}
	}
}
