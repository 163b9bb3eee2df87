package report

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"soakrig/daemon/record"
)

// drawing is a run's chart as a picture that needs no script: for paper, and for
// readers without JavaScript. It takes its colours from the page, tells curves apart by
// dashes and names too, and carries its content in words.
type drawing struct {
	b    strings.Builder
	r    *record.Result
	t    *Traces
	end  float64 // run time, s
	y    int     // top of the next panel
	side int     // where curves end and names begin
	hot  string
	seen []noticedData
}

// Sizes of a drawing, in units of its view box.
const (
	drawWide   = 2000 // all of it
	drawLeft   = 110  // room for numbers
	drawName   = 15   // of a letter of a name
	drawTall   = 500  // temperatures
	drawLow    = 140  // every other panel
	drawSteps  = 480  // most points of a curve
	drawApart  = 36   // between names
	drawStrip  = 64   // above the temperatures: marks
	drawFooter = 76   // below a panel: times
)

// drawDashes tell curves apart in grey.
func drawDashes() []string {
	return []string{"", "22 10", "6 10", "26 9 6 9", "40 14", "12 8", "26 9 6 9 6 9", "3 7", "46 10 12 10", "16 20"}
}

// drawRun makes the picture.
func drawRun(r *record.Result, t *Traces, noticed []noticedData) string {
	d := &drawing{r: r, t: t, end: t.FromS + float64(t.Steps)*t.StepS, seen: noticed}
	if r.Peak != nil {
		d.hot = r.Peak.Channel
	}
	longest := 8
	for i := range t.Channels {
		longest = max(longest, len([]rune(curveLabel(t.Channels[i].Channel.Name))))
	}
	d.side = drawWide - 160 - drawName*longest
	for _, p := range panels("", t) {
		d.panel(p)
	}
	words := html.EscapeString(ChartWords(r, t))
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" aria-label="%s" font-family="Liberation Sans, Arial, sans-serif" font-size="26" fill="none">%s</svg>`,
		drawWide, d.y, words, d.b.String())
}

// x and yOf place run time and value.
func (d *drawing) x(s float64) int {
	s = min(max(s, d.t.FromS), d.end)
	return drawLeft + int(math.Round((s-d.t.FromS)/(d.end-d.t.FromS)*float64(d.side-drawLeft)))
}

func yOf(v, low, high float64, top, height int) int {
	return top + int(math.Round((high-v)/(high-low)*float64(height)))
}

func (d *drawing) text(x, y int, anchor, fill, s string) {
	fmt.Fprintf(&d.b, `<text x="%d" y="%d" text-anchor="%s" fill="var(--%s)">%s</text>`, x, y, anchor, fill, html.EscapeString(s))
}

func (d *drawing) rule(x1, y1, x2, y2 int, colour string, width float64, dash string) {
	if dash != "" {
		dash = ` stroke-dasharray="` + dash + `"`
	}
	fmt.Fprintf(&d.b, `<path d="M%d %dL%d %d" stroke="var(--%s)" stroke-width="%g"%s/>`, x1, y1, x2, y2, colour, width, dash)
}

// panel draws all channels of one kind.
func (d *drawing) panel(p panelView) {
	temperature := p.Kind == string(record.Temperature)
	height, top := drawLow, d.y+46
	if temperature {
		height, top = drawTall, d.y+46+drawStrip
	}
	d.text(drawLeft, d.y+30, "start", "ink", p.Label)
	low, high := d.span(p.Kind)
	for _, ph := range d.r.Phases {
		if ph.Phase == record.PhaseLoad {
			fmt.Fprintf(&d.b, `<rect x="%d" y="%d" width="%d" height="%d" fill="var(--tint)"/>`, d.x(ph.StartS), top, d.x(ph.EndS)-d.x(ph.StartS), height)
		}
	}
	for _, v := range ticks(low, high) {
		if height == drawLow && len(ticks(low, high)) > 6 && math.Mod(math.Round(v/(ticks(low, high)[1]-ticks(low, high)[0])), 2) != 0 {
			continue // half of the numbers in a low panel
		}
		y := yOf(v, low, high, top, height)
		d.rule(drawLeft, y, d.side, y, "line", 2, "")
		d.text(drawLeft-12, y+9, "end", "soft", short(v, high-low))
	}
	for _, at := range d.times() {
		d.rule(d.x(at), top+height, d.x(at), top+height+10, "soft", 2, "")
		d.text(d.x(at), top+height+38, "middle", "soft", strings.TrimSuffix(When(d.r, at), ":00"))
	}
	for _, g := range d.r.Gaps {
		x, w := d.x(g.FromS), max(d.x(g.ToS)-d.x(g.FromS), 4)
		fmt.Fprintf(&d.b, `<rect x="%d" y="%d" width="%d" height="%d" stroke="var(--soft)" stroke-width="2" stroke-dasharray="4 4"/>`, x, top, w, height)
		d.rule(x, top+height, x+w, top, "soft", 2, "")
		d.rule(x, top, x+w, top+height, "soft", 2, "")
	}
	if temperature {
		d.limits(low, high, top, height)
	}
	d.marks(top, height, temperature)
	d.curves(p.Kind, low, high, top, height)
	d.rule(drawLeft, top+height, d.side, top+height, "ink", 2, "")
	if temperature {
		d.findings(top)
		if pk := d.r.Peak; pk != nil {
			fmt.Fprintf(&d.b, `<circle cx="%d" cy="%d" r="13" stroke="var(--ink)" stroke-width="3"/>`, d.x(pk.AtS), yOf(pk.HeldC, low, high, top, height))
		}
	}
	d.y = top + height + drawFooter
}

// times are round times of day where the start is known, else of the run.
func (d *drawing) times() []float64 {
	offset := 0.0
	if at, err := time.Parse(time.RFC3339Nano, d.r.Started); err == nil {
		offset = at.Sub(at.Truncate(24 * time.Hour)).Seconds()
	}
	var out []float64
	for _, m := range minuteTicks((d.t.FromS+offset)/60, (d.end+offset)/60) {
		out = append(out, m*60-offset)
	}
	return out
}

// span is what a panel covers: every reading, a limit that is near, zero for power.
func (d *drawing) span(kind string) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := range d.t.Channels {
		if string(d.t.Channels[i].Channel.Kind) != kind {
			continue
		}
		if a, z, ok := d.t.Channels[i].span(0, 2*d.t.Steps); ok {
			low, high = min(low, a), max(high, z)
		}
	}
	if low > high {
		return 0, 1
	}
	for _, l := range d.r.Limits {
		if kind == string(record.Temperature) && l.Quantity == "value" && l.Unit == "degC" && l.Bound > high && l.Bound-high < 0.5*(high-low)+5 {
			high = l.Bound
			if l.GuardBand != nil {
				high += *l.GuardBand
			}
		}
	}
	pad := max((high-low)*0.06, 0.5)
	if kind == string(record.Power) {
		return min(0, low), high + pad
	}
	return low - pad, high + pad
}

func (d *drawing) limits(low, high float64, top, height int) {
	for _, l := range d.r.Limits {
		if l.Quantity != "value" || l.Unit != "degC" || l.Bound < low || l.Bound > high {
			continue
		}
		y := yOf(l.Bound, low, high, top, height)
		if l.GuardBand != nil {
			a, z := yOf(min(l.Bound+*l.GuardBand, high), low, high, top, height), yOf(max(l.Bound-*l.GuardBand, low), low, high, top, height)
			fmt.Fprintf(&d.b, `<rect x="%d" y="%d" width="%d" height="%d" fill="var(--bad)" fill-opacity=".13"/>`, drawLeft, a, d.side-drawLeft, z-a)
		}
		d.rule(drawLeft, y, d.side, y, "bad", 3, "14 8")
		d.text(d.side+14, y+9, "start", "bad", "limit "+trimmed(l.Bound)+" "+UnitSign(l.Unit))
	}
}

// marks are lines with their text above the temperatures, in two rows where they are
// close.
func (d *drawing) marks(top, height int, named bool) {
	free := [2]int{-1, -1}
	for _, m := range d.r.Marks {
		x := d.x(m.AtS)
		d.rule(x, top, x, top+height, "soft", 2, "4 6")
		if !named {
			continue
		}
		s := m.Text
		if r := []rune(s); len(r) > 44 {
			s = string(r[:43]) + "…"
		}
		width := 14 * len([]rune(s))
		at, anchor := x, "start"
		if x+width > drawWide {
			at, anchor = x, "end"
		}
		from := at
		if anchor == "end" {
			from = at - width
		}
		for row := range free {
			if from > free[row] {
				d.text(at, top-10-row*30, anchor, "soft", s)
				free[row] = from + width
				break
			}
		}
	}
}

// findings are numbered as in the list of the page.
func (d *drawing) findings(top int) {
	last, row := -1000, 0
	for _, f := range d.seen {
		x, y := d.x(f.From), top+26
		if row++; x-last >= 46 {
			row = 0
		}
		last = x
		y += row % 4 * 42
		colour := "unknown"
		if f.Grave {
			colour = "bad"
		}
		if f.To > f.From {
			d.rule(x, y, d.x(f.To), y, colour, 4, "")
		}
		fmt.Fprintf(&d.b, `<circle cx="%d" cy="%d" r="19" fill="var(--sheet)" stroke="var(--%s)" stroke-width="4"/>`, x, y, colour)
		d.text(x, y+9, "middle", colour, strconv.Itoa(f.N))
	}
}

// curveName is where the name of a curve stands.
type curveName struct {
	text, colour, dash string
	width              float64
	x, y               int // end of the curve
}

// curveLabel is a channel's name, cut where it would take the room of the curves.
func curveLabel(name string) string {
	if r := []rune(name); len(r) > 26 {
		return string(r[:25]) + "…"
	}
	return name
}

// curves draws the channels of a kind and their names beside them.
func (d *drawing) curves(kind string, low, high float64, top, height int) {
	var names []curveName
	looks := looks(d.t, d.hot)
	for i := range d.t.Channels {
		c := &d.t.Channels[i]
		if string(c.Channel.Kind) != kind {
			continue
		}
		look := looks[i]
		d.curve(c, look, low, high, top, height)
		// The name points to the curve where the load ends: there probes are apart.
		at := d.end
		if d.r.Load != nil && d.r.Load.EndS != nil {
			at = *d.r.Load.EndS - 3*d.t.StepS
		}
		place := min(max(int(2*(at-d.t.FromS)/d.t.StepS), 0), 2*d.t.Steps)
		a, z, ok := c.span(place-40, place)
		for ; !ok && place > 0; place -= 40 { // it ended before: where it did
			a, z, ok = c.span(place-40, place)
			at = d.t.AtS(max(place-20, 0))
		}
		if !ok {
			continue
		}
		names = append(names, curveName{text: curveLabel(c.Channel.Name), colour: look.colour, dash: look.dash, width: look.width, x: d.x(at), y: yOf((a+z)/2, low, high, top, height)})
	}
	slices.SortStableFunc(names, func(a, b curveName) int { return a.y - b.y })
	at := make([]float64, len(names))
	for i := range names {
		at[i] = float64(names[i].y)
	}
	apart(at, drawApart, float64(top-10), float64(top+height+20))
	for i, n := range names {
		y := int(at[i])
		if len(names) > 1 {
			d.rule(n.x, n.y, d.side+70, y, n.colour, 1, "")
		}
		d.rule(d.side+70, y, d.side+140, y, n.colour, n.width, n.dash)
		d.text(d.side+150, y+9, "start", "ink", n.text)
	}
}

// curve draws the middle of lowest and highest, and where they are apart a bar from one
// to the other, so that dashes stay even and nothing is lost.
func (d *drawing) curve(c *Trace, look look, low, high float64, top, height int) {
	per := max(1, (d.t.Steps+drawSteps-1)/drawSteps)
	var line, bars strings.Builder
	var px, py int
	open := false
	for s := 0; s < d.t.Steps; s += per {
		a, z, ok := c.span(2*s, 2*(s+per))
		if ok {
			x := d.x(d.t.FromS + (float64(s)+float64(per)/2)*d.t.StepS)
			y, y1, y2 := yOf((a+z)/2, low, high, top, height), yOf(z, low, high, top, height), yOf(a, low, high, top, height)
			if open {
				fmt.Fprintf(&line, "l%d %d", x-px, y-py)
			} else {
				fmt.Fprintf(&line, "M%d %dl1 0", x-1, y)
			}
			if y2-y1 > 6 {
				fmt.Fprintf(&bars, "M%d %dV%d", x, y1, y2)
			}
			px, py, open = x, y, true
		}
		if slices.ContainsFunc(c.Values[2*s:min(2*(s+per), len(c.Values))], math.IsNaN) {
			open = false
		}
	}
	dash := ""
	if look.dash != "" {
		dash = ` stroke-dasharray="` + look.dash + `"`
	}
	fmt.Fprintf(&d.b, `<path d="%s" stroke="var(--%s)" stroke-width="%g" stroke-linejoin="round"%s/>`, line.String(), look.colour, look.width, dash)
	if bars.Len() > 0 {
		fmt.Fprintf(&d.b, `<path d="%s" stroke="var(--%s)" stroke-width="3" stroke-opacity=".55"/>`, bars.String(), look.colour)
	}
}

// look is how a channel is drawn.
type look struct {
	colour, dash string
	width        float64
}

// hues is how many colours of curves the page has; further probes take them again with
// another dash.
const hues = 5

// looks gives every channel a colour of the page and a dash; the hot spot is wide.
func looks(t *Traces, hot string) []look {
	out := make([]look, len(t.Channels))
	probes, others := 0, map[record.Kind]int{}
	for i := range t.Channels {
		c := &t.Channels[i].Channel
		l := look{width: 3}
		switch {
		case c.Role == record.RoleProbe:
			l.colour, l.dash = "s"+strconv.Itoa(probes%hues), drawDashes()[probes%len(drawDashes())]
			probes++
			if c.Name == hot {
				l.width, l.dash = 6, ""
			}
		case c.Kind == record.Temperature:
			l.colour, l.dash = "amb", drawDashes()[1+others[c.Kind]%3]
			others[c.Kind]++
		default:
			l.colour, l.dash = "s"+strconv.Itoa(others[c.Kind]%hues), drawDashes()[others[c.Kind]%len(drawDashes())]
			others[c.Kind]++
		}
		out[i] = l
	}
	return out
}

// apart moves ascending places so that they are at least gap from one another, inside
// low to high as far as that goes.
func apart(y []float64, gap, low, high float64) {
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

// short is a number on an axis in few places: 1.2 k, 3.4 M, 2.4 G.
func short(v, span float64) string {
	for _, s := range []struct {
		from float64
		sign string
	}{{1e9, " G"}, {1e6, " M"}, {1e5, " k"}} {
		if math.Abs(v) >= s.from {
			unit := s.from
			if s.sign == " k" {
				unit = 1e3
			}
			return strings.TrimSuffix(Fixed(v/unit, 1), ".0") + s.sign
		}
	}
	return Fixed(v, tickDigits(span))
}

// ChartWords is a run's chart in words.
func ChartWords(r *record.Result, t *Traces) string {
	parts := []string{fmt.Sprintf("Curves of %s over %s.", count(len(t.Channels), "channel"), Length(t.StepS*float64(t.Steps)))}
	for _, p := range r.Phases {
		if p.Phase == record.PhaseLoad {
			parts = append(parts, fmt.Sprintf("Load from %s to %s.", When(r, p.StartS), When(r, p.EndS)))
		}
	}
	if r.Peak != nil {
		parts = append(parts, fmt.Sprintf("Peak %s on %s at %s.", PeakText(r.Peak), r.Peak.Channel, When(r, r.Peak.AtS)))
	}
	var spans []string
	for i := range t.Channels {
		c := &t.Channels[i]
		low, high, ok := c.span(0, 2*t.Steps)
		if !ok {
			spans = append(spans, c.Channel.Name+" no value")
			continue
		}
		spans = append(spans, fmt.Sprintf("%s %s to %s", c.Channel.Name, Fixed(low, 1), withUnit(Fixed(high, 1), c.Channel.Unit)))
	}
	return strings.Join(parts, " ") + " Lowest to highest: " + strings.Join(spans, ", ") + "."
}
