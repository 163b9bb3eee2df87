package cli

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/term"

	"soakrig/client/internal/report"
	"soakrig/daemon/record"
)

// Terminal control that every terminal of the last decades knows.
const (
	screenOn   = "\x1b[?1049h\x1b[?25l" // alternate screen, no cursor
	screenOff  = "\x1b[?25h\x1b[?1049l"
	screenHome = "\x1b[H"
	clearLine  = "\x1b[K"
	clearBelow = "\x1b[J"
)

// watchScreen redraws one screen until ctx ends, then leaves the last state behind.
func (s *session) watchScreen(ctx context.Context, w *watch) error {
	fmt.Fprint(s.Stdout, screenOn)
	defer func() {
		fmt.Fprint(s.Stdout, screenOff)
		_ = s.lines(w, "text", atEnd)
	}()
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for {
		width, height := s.size()
		var b strings.Builder
		b.WriteString(screenHome)
		for _, l := range w.frame(width, height, paint(s.Getenv("NO_COLOR") == "")) {
			b.WriteString(l + clearLine + "\r\n")
		}
		b.WriteString(clearBelow)
		if _, err := fmt.Fprint(s.Stdout, b.String()); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// canRedraw tells whether the output is a terminal that a screen can be drawn on.
func (s *session) canRedraw() bool {
	f, ok := s.Stdout.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return false
	}
	if _, _, err := term.GetSize(int(f.Fd())); err != nil {
		return false
	}
	kind := s.Getenv("TERM")
	return kind != "" && kind != "dumb"
}

func (s *session) size() (width, height int) {
	type file interface{ Fd() uintptr }
	if f, ok := s.Stdout.(file); ok {
		if w, h, err := term.GetSize(int(f.Fd())); err == nil {
			return w, h
		}
	}
	return 80, 24
}

// painter marks text where colour is wanted; the text says the same without it.
type painter func(code, text string) string

func paint(wanted bool) painter {
	return func(code, text string) string {
		if !wanted || text == "" {
			return text
		}
		return "\x1b[" + code + "m" + text + "\x1b[0m"
	}
}

const (
	bold    = "1"
	warning = "1;33"
	danger  = "1;31"
)

// detail is how much of a rig the screen shows.
type detail bool

const (
	inFull  detail = true
	inShort detail = false // of the probes only those with a fault
)

// frame is the screen as lines that fit width and height.
func (w *watch) frame(width, height int, mark painter) []string {
	lines := w.lay(width, inFull, mark)
	if len(lines) >= height { // every rig in short rather than the first in full
		if short := w.lay(width, inShort, mark); len(w.states) > 1 || len(short) < height {
			lines = short
		}
	}
	if len(lines) >= height {
		lines = append(lines[:max(height-2, 0)], "... the window is too low for the rest")
	}
	return lines
}

// lay sets the rigs below one another.
func (w *watch) lay(width int, much detail, mark painter) []string {
	var lines []string
	for i, v := range w.states {
		if i > 0 {
			lines = append(lines, "")
		}
		v.mu.Lock()
		lines = append(lines, v.frame(width, much, mark)...)
		v.mu.Unlock()
	}
	return lines
}

// frame is one rig; v.mu is held.
func (v *rigView) frame(width int, much detail, mark painter) []string {
	head := func(s string) string { return mark(bold, fit(s, width)) }
	if v.problem != "" {
		return []string{head(v.name), mark(danger, fit("  "+v.problem, width))}
	}
	l := v.live
	if l == nil {
		text := "  no run is open"
		if v.ended != nil && v.ended.Result != nil {
			text = "  " + v.ended.Start.Run + " ended: " + report.Headline(v.ended.Result)
		}
		return append([]string{head(v.name), fit(text, width)}, v.probeLines(nil, width, much, mark)...)
	}
	lines := []string{head(fmt.Sprintf("%s  %s %s, run %s", v.name, l.Unit, l.Setup, l.Run)), fit("  "+phaseLine(l, width), width)}
	parts := peakParts(l)
	if text := settleLine(l); text != "" {
		parts = append(parts, text)
	}
	for _, text := range foldParts(parts, width-2) {
		lines = append(lines, fit("  "+text, width))
	}
	state := fmt.Sprintf("  %s; %d of %d probes good", verdictSoFar(l), l.ProbesGood, l.ProbesTotal)
	if v.lag > usualLag {
		state += fmt.Sprintf("; %d entries behind", v.lag)
	}
	code := bold
	if l.VerdictSoFar == record.VerdictFail || l.VerdictSoFar == record.VerdictVoid {
		code = danger
	}
	lines = append(lines, mark(code, fit(state, width)))
	lines = append(lines, v.probeLines(l, width, much, mark)...)
	for i := range l.Warnings {
		lines = append(lines, mark(warning, fit("  ! "+report.FindingText(&l.Warnings[i]), width)))
	}
	return lines
}

// fit cuts a line to the width of the screen.
func fit(s string, width int) string {
	if utf8.RuneCountInString(s) <= width {
		return s
	}
	r := []rune(s)
	return string(r[:max(width-1, 0)]) + "…"
}

func phaseLine(l *record.Live, width int) string {
	s := string(l.Phase)
	if l.PhaseLengthS != nil && *l.PhaseLengthS > 0 {
		s += " [" + bar(l.PhaseS / *l.PhaseLengthS, min(30, max(width-56, 8))) + "]"
	}
	s += " " + progressText(l)
	if l.RemainingS != nil {
		s += ", " + report.Length(float64(int(*l.RemainingS))) + " to the end"
	}
	return s
}

// bar fills a share of n places.
func bar(share float64, n int) string {
	full := min(max(int(share*float64(n)+0.5), 0), n)
	return strings.Repeat("#", full) + strings.Repeat(".", n-full)
}

// peakParts are the peak and what belongs to it.
func peakParts(l *record.Live) []string {
	var parts []string
	if l.PeakC != nil {
		u := 0.0
		if l.HotExpandedK != nil {
			u = *l.HotExpandedK
		}
		text := fmt.Sprintf("peak %s °C on %s", report.Measured(*l.PeakC, u), l.PeakChannel)
		if l.PeakAtS != nil {
			text += " at " + report.RunTime(*l.PeakAtS)
		}
		if l.LimitC != nil {
			text += fmt.Sprintf(" (limit %g)", *l.LimitC)
		}
		parts = append(parts, text)
	}
	if l.RiseK != nil {
		parts = append(parts, "rise "+report.Fixed(*l.RiseK, 1)+" K")
	}
	if l.AmbientC != nil {
		parts = append(parts, "room "+report.Fixed(*l.AmbientC, 1)+" °C")
	}
	if l.PowerW != nil {
		text := report.Fixed(*l.PowerW, 0) + " W"
		if l.EnergyJ != nil {
			text += ", " + report.Energy(*l.EnergyJ)
		}
		parts = append(parts, text)
	}
	return parts
}

// foldParts joins parts in as few lines of a width as they need.
func foldParts(parts []string, width int) []string {
	var lines []string
	for _, p := range parts {
		if n := len(lines); n > 0 && utf8.RuneCountInString(lines[n-1]+"; "+p) <= width {
			lines[n-1] += "; " + p
		} else {
			lines = append(lines, p)
		}
	}
	return lines
}

func settleLine(l *record.Live) string {
	if l.SlopeKPerH == nil {
		return ""
	}
	s := "slope " + report.Fixed(*l.SlopeKPerH, 1) + " K/h"
	if l.Tier != "" {
		s += ", " + l.Tier
	}
	if l.ToSteadyS != nil {
		s += ", about " + report.Length(float64(int(*l.ToSteadyS/60))*60) + " to steady"
	}
	return s
}

// probeLines is a line for each probe, then room and power.
func (v *rigView) probeLines(l *record.Live, width int, much detail, mark painter) []string {
	nameW, placeW := 0, 0
	for _, n := range v.order {
		nameW, placeW = max(nameW, utf8.RuneCountInString(n)), max(placeW, utf8.RuneCountInString(v.values[n].place))
	}
	top := 100.0
	if l != nil && l.LimitC != nil {
		top = *l.LimitC
	}
	var lines []string
	for _, n := range v.order {
		p, ok := v.values[n]
		if !ok || p.unit == "J" {
			continue
		}
		head := fmt.Sprintf("  %-*s  %-*s", nameW, n, placeW, p.place)
		switch {
		case much == inShort && !(p.last == nil && p.faulted):
			continue
		case p.last == nil && p.faulted:
			lines = append(lines, mark(danger, fit(head+"   fault", width)))
			continue
		case p.last == nil:
			lines = append(lines, fit(head+"   no value", width))
			continue
		}
		value := fmt.Sprintf("%8s %s", report.Fixed(*p.last, 1), report.UnitSign(p.unit))
		if room := width - utf8.RuneCountInString(head+value) - 4; p.role == record.RoleProbe && room > 10 {
			value += "  " + bar(*p.last/top, min(room, 40))
		}
		line := fit(head+value, width)
		if l != nil && n == l.HotChannel {
			line = mark(bold, line)
		}
		lines = append(lines, line)
	}
	return lines
}
