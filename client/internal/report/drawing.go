package report

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"soakrig/client/internal/chart"
	"soakrig/client/internal/trace"
	"soakrig/daemon/record"
)

// drawing is a run's chart as a picture that needs no script: for paper, and for
// readers without JavaScript. It takes its colours from the page, tells curves apart by
// dashes and names too, and carries its content in words.
type drawing struct {
	b    strings.Builder
	r    *record.Result
	t    *trace.Set
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
func drawRun(r *record.Result, t *trace.Set, noticed []noticedData) string {
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
	words := html.EscapeString(chartWords(r, t))
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" aria-label="%s" font-family="Liberation Sans, Arial, sans-serif" font-size="26" fill="none">%s</svg>`,
		drawWide, d.y, words, d.b.String())
}

// panel is where the channels of one kind stand, and the values that it covers.
type panel struct {
	low, high   float64
	top, height int
}

// y places a value.
func (p *panel) y(v float64) int {
	return p.top + int(math.Round((p.high-v)/(p.high-p.low)*float64(p.height)))
}

func (p *panel) bottom() int { return p.top + p.height }

// x places a run time.
func (d *drawing) x(s float64) int {
	s = min(max(s, d.t.FromS), d.end)
	return drawLeft + int(math.Round((s-d.t.FromS)/(d.end-d.t.FromS)*float64(d.side-drawLeft)))
}

func (d *drawing) text(x, y int, anchor, fill, s string) {
	fmt.Fprintf(&d.b, `<text x="%d" y="%d" text-anchor="%s" fill="var(--%s)">%s</text>`, x, y, anchor, fill, html.EscapeString(s))
}

func (d *drawing) rule(x1, y1, x2, y2 int, l look) {
	fmt.Fprintf(&d.b, `<path d="M%d %dL%d %d" stroke="var(--%s)" stroke-width="%g"%s/>`, x1, y1, x2, y2, l.colour, l.width, l.dashes())
}

// panel draws all channels of one kind.
func (d *drawing) panel(v panelView) {
	temperature := v.Kind == string(record.Temperature)
	p := panel{top: d.y + 46, height: drawLow}
	if temperature {
		p.top, p.height = d.y+46+drawStrip, drawTall
	}
	p.low, p.high = d.span(v.Kind)
	d.text(drawLeft, d.y+30, "start", "ink", v.Label)
	d.ground(&p)
	if temperature {
		d.limits(&p)
	}
	d.marks(&p, temperature)
	d.curves(v.Kind, &p)
	d.rule(drawLeft, p.bottom(), d.side, p.bottom(), look{colour: "ink", width: 2})
	if temperature {
		d.findings(&p)
		if pk := d.r.Peak; pk != nil {
			fmt.Fprintf(&d.b, `<circle cx="%d" cy="%d" r="13" stroke="var(--ink)" stroke-width="3"/>`, d.x(pk.AtS), p.y(pk.HeldC))
		}
	}
	d.y = p.bottom() + drawFooter
}

// ground draws what curves stand on: the load's time, numbers and times, gaps.
func (d *drawing) ground(p *panel) {
	for _, ph := range d.r.Phases {
		if ph.Phase == record.PhaseLoad {
			fmt.Fprintf(&d.b, `<rect x="%d" y="%d" width="%d" height="%d" fill="var(--tint)"/>`, d.x(ph.StartS), p.top, d.x(ph.EndS)-d.x(ph.StartS), p.height)
		}
	}
	ticks := chart.Ticks(p.low, p.high)
	for _, v := range ticks {
		if p.height == drawLow && len(ticks) > 6 && math.Mod(math.Round(v/(ticks[1]-ticks[0])), 2) != 0 {
			continue // half of the numbers in a low panel
		}
		y := p.y(v)
		d.rule(drawLeft, y, d.side, y, look{colour: "line", width: 2})
		d.text(drawLeft-12, y+9, "end", "soft", short(v, p.high-p.low))
	}
	soft := look{colour: "soft", width: 2}
	for _, at := range d.times() {
		d.rule(d.x(at), p.bottom(), d.x(at), p.bottom()+10, soft)
		d.text(d.x(at), p.bottom()+38, "middle", "soft", strings.TrimSuffix(clockTime(d.r, at), ":00"))
	}
	for _, g := range d.r.Gaps {
		x, w := d.x(g.FromS), max(d.x(g.ToS)-d.x(g.FromS), 4)
		fmt.Fprintf(&d.b, `<rect x="%d" y="%d" width="%d" height="%d" stroke="var(--soft)" stroke-width="2" stroke-dasharray="4 4"/>`, x, p.top, w, p.height)
		d.rule(x, p.bottom(), x+w, p.top, soft)
		d.rule(x, p.top, x+w, p.bottom(), soft)
	}
}

// times are round times of day where the start is known, else of the run.
func (d *drawing) times() []float64 {
	offset := 0.0
	if at, err := time.Parse(time.RFC3339Nano, d.r.Started); err == nil {
		offset = at.Sub(at.Truncate(24 * time.Hour)).Seconds()
	}
	var out []float64
	for _, m := range chart.MinuteTicks((d.t.FromS+offset)/60, (d.end+offset)/60) {
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
		if a, z, ok := d.t.Channels[i].Span(0, 2*d.t.Steps); ok {
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

func (d *drawing) limits(p *panel) {
	for _, l := range d.r.Limits {
		if l.Quantity != "value" || l.Unit != "degC" || l.Bound < p.low || l.Bound > p.high {
			continue
		}
		if l.GuardBand != nil {
			from, to := p.y(min(l.Bound+*l.GuardBand, p.high)), p.y(max(l.Bound-*l.GuardBand, p.low))
			fmt.Fprintf(&d.b, `<rect x="%d" y="%d" width="%d" height="%d" fill="var(--bad)" fill-opacity=".13"/>`, drawLeft, from, d.side-drawLeft, to-from)
		}
		y := p.y(l.Bound)
		d.rule(drawLeft, y, d.side, y, look{colour: "bad", width: 3, dash: "14 8"})
		d.text(d.side+14, y+9, "start", "bad", "limit "+trimmed(l.Bound)+" "+UnitSign(l.Unit))
	}
}

// marks are lines, named in two rows above the temperatures.
func (d *drawing) marks(p *panel, named bool) {
	free := [2]int{-1, -1} // where each row of names has room
	for _, m := range d.r.Marks {
		d.rule(d.x(m.AtS), p.top, d.x(m.AtS), p.bottom(), look{colour: "soft", width: 2, dash: "4 6"})
		if named {
			d.markName(p, &m, &free)
		}
	}
}

// markName writes a mark's text into the first row that has room; what has room in none
// is told by the page's list alone.
func (d *drawing) markName(p *panel, m *record.MarkResult, free *[2]int) {
	s := m.Text
	if r := []rune(s); len(r) > 44 {
		s = string(r[:43]) + "…"
	}
	x, width := d.x(m.AtS), 14*len([]rune(s))
	from, anchor := x, "start"
	if x+width > drawWide {
		from, anchor = x-width, "end"
	}
	for row := range free {
		if from > free[row] {
			d.text(x, p.top-10-row*30, anchor, "soft", s)
			free[row] = from + width
			return
		}
	}
}

// findings are numbered as in the list of the page.
func (d *drawing) findings(p *panel) {
	last, row := -1000, 0
	for _, f := range d.seen {
		x, y := d.x(f.From), p.top+26
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
			d.rule(x, y, d.x(f.To), y, look{colour: colour, width: 4})
		}
		fmt.Fprintf(&d.b, `<circle cx="%d" cy="%d" r="19" fill="var(--sheet)" stroke="var(--%s)" stroke-width="4"/>`, x, y, colour)
		d.text(x, y+9, "middle", colour, strconv.Itoa(f.N))
	}
}

// curveName is where the name of a curve stands.
type curveName struct {
	text string
	look look
	x, y int // end of the curve
}

// curveLabel is a channel's name, cut where it would take the room of the curves.
func curveLabel(name string) string {
	if r := []rune(name); len(r) > 26 {
		return string(r[:25]) + "…"
	}
	return name
}

// curves draws the channels of a kind and their names beside them.
func (d *drawing) curves(kind string, p *panel) {
	var names []curveName
	looks := looks(d.t, d.hot)
	for i := range d.t.Channels {
		c := &d.t.Channels[i]
		if string(c.Channel.Kind) != kind {
			continue
		}
		d.curve(c, looks[i], p)
		if at, v, ok := d.nameAt(c); ok {
			names = append(names, curveName{text: curveLabel(c.Channel.Name), look: looks[i], x: d.x(at), y: p.y(v)})
		}
	}
	slices.SortStableFunc(names, func(a, b curveName) int { return a.y - b.y })
	at := make([]float64, len(names))
	for i := range names {
		at[i] = float64(names[i].y)
	}
	chart.Apart(at, drawApart, float64(p.top-10), float64(p.bottom()+20))
	for i, n := range names {
		y := int(at[i])
		if len(names) > 1 {
			d.rule(n.x, n.y, d.side+70, y, look{colour: n.look.colour, width: 1})
		}
		d.rule(d.side+70, y, d.side+140, y, n.look)
		d.text(d.side+150, y+9, "start", "ink", n.text)
	}
}

// nameAt is where the name of a curve points to: the end of the load, where probes are
// apart, or where the curve ended before. It has no such place without any value.
func (d *drawing) nameAt(c *trace.Trace) (atS, v float64, ok bool) {
	atS = d.end
	if d.r.Load != nil && d.r.Load.EndS != nil {
		atS = *d.r.Load.EndS - 3*d.t.StepS
	}
	place := min(max(int(2*(atS-d.t.FromS)/d.t.StepS), 0), 2*d.t.Steps)
	low, high, ok := c.Span(place-40, place)
	for ; !ok && place > 0; place -= 40 {
		low, high, ok = c.Span(place-40, place)
		atS = d.t.AtS(max(place-20, 0))
	}
	return atS, (low + high) / 2, ok
}

// curve draws the middle of lowest and highest, and where they are apart a bar from one
// to the other, so that dashes stay even and nothing is lost.
func (d *drawing) curve(c *trace.Trace, l look, p *panel) {
	per := max(1, (d.t.Steps+drawSteps-1)/drawSteps)
	var line, bars strings.Builder
	var px, py int
	open := false
	for s := 0; s < d.t.Steps; s += per {
		low, high, ok := c.Span(2*s, 2*(s+per))
		if ok {
			x := d.x(d.t.FromS + (float64(s)+float64(per)/2)*d.t.StepS)
			y, y1, y2 := p.y((low+high)/2), p.y(high), p.y(low)
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
	fmt.Fprintf(&d.b, `<path d="%s" stroke="var(--%s)" stroke-width="%g" stroke-linejoin="round"%s/>`, line.String(), l.colour, l.width, l.dashes())
	if bars.Len() > 0 {
		fmt.Fprintf(&d.b, `<path d="%s" stroke="var(--%s)" stroke-width="3" stroke-opacity=".55"/>`, bars.String(), l.colour)
	}
}

// look is how a line is drawn.
type look struct {
	colour string // of the page
	dash   string // empty: unbroken
	width  float64
}

func (l look) dashes() string {
	if l.dash == "" {
		return ""
	}
	return ` stroke-dasharray="` + l.dash + `"`
}

// looks gives every channel a colour of the page and a dash; the hot spot is wide. Probes
// beyond the colours take them again with another dash.
func looks(t *trace.Set, hot string) []look {
	out := make([]look, len(t.Channels))
	probes, others := 0, map[record.Kind]int{}
	for i := range t.Channels {
		c := &t.Channels[i].Channel
		l := look{width: 3}
		switch {
		case c.Role == record.RoleProbe:
			l.colour, l.dash = "s"+strconv.Itoa(probes%chart.CurveColours), drawDashes()[probes%len(drawDashes())]
			probes++
			if c.Name == hot {
				l.width, l.dash = 6, ""
			}
		case c.Kind == record.Temperature:
			l.colour, l.dash = "amb", drawDashes()[1+others[c.Kind]%3]
			others[c.Kind]++
		default:
			l.colour, l.dash = "s"+strconv.Itoa(others[c.Kind]%chart.CurveColours), drawDashes()[others[c.Kind]%len(drawDashes())]
			others[c.Kind]++
		}
		out[i] = l
	}
	return out
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
	return Fixed(v, chart.TickDigits(span))
}

// chartWords is a run's chart in words.
func chartWords(r *record.Result, t *trace.Set) string {
	parts := []string{fmt.Sprintf("Curves of %s over %s.", count(len(t.Channels), "channel"), Length(t.StepS*float64(t.Steps)))}
	for _, p := range r.Phases {
		if p.Phase == record.PhaseLoad {
			parts = append(parts, fmt.Sprintf("Load from %s to %s.", clockTime(r, p.StartS), clockTime(r, p.EndS)))
		}
	}
	if r.Peak != nil {
		parts = append(parts, fmt.Sprintf("Peak %s on %s at %s.", peakText(r.Peak), r.Peak.Channel, clockTime(r, r.Peak.AtS)))
	}
	var spans []string
	for i := range t.Channels {
		c := &t.Channels[i]
		low, high, ok := c.Span(0, 2*t.Steps)
		if !ok {
			spans = append(spans, c.Channel.Name+" no value")
			continue
		}
		spans = append(spans, fmt.Sprintf("%s %s to %s", c.Channel.Name, Fixed(low, 1), withUnit(Fixed(high, 1), c.Channel.Unit)))
	}
	return strings.Join(parts, " ") + " Lowest to highest: " + strings.Join(spans, ", ") + "."
}
