package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/term"

	"soakrig/daemon/record"
)

// progress shows what each rig is doing: redrawn in place on a terminal, a line now
// and then elsewhere. Its methods may be called concurrently.
type progress struct {
	w    io.Writer
	live bool // a terminal: redraw in place

	mu    sync.Mutex
	order []string
	lines map[string]string
	drawn int
	last  time.Time
}

func newProgress(w io.Writer, order []string) *progress {
	p := &progress{w: w, order: order, lines: map[string]string{}}
	if f, ok := w.(*os.File); ok {
		p.live = term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb"
	}
	return p
}

func (p *progress) set(rig string, j job, l *record.Live) {
	unit := j.unit
	if j.revision != "" {
		unit += " " + j.revision
	}
	text := fmt.Sprintf("%s  %-9s %-7s  %-8s %3.0f min", rig, unit, j.setup, l.Phase, l.ElapsedS/60)
	if l.HotC != nil {
		text += fmt.Sprintf("  hottest %5.1f °C on %s", *l.HotC, l.HotChannel)
	}
	if l.PowerW != nil {
		text += fmt.Sprintf("  %5.0f W", *l.PowerW)
	}
	if n := l.ProbesTotal - l.ProbesGood; n > 0 {
		text += fmt.Sprintf("  %d of %d probes missing", n, l.ProbesTotal)
	}
	p.show(rig, text)
}

func (p *progress) done(rig string) { p.show(rig, rig+"  run ended") }

func (p *progress) show(rig, text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.lines[rig] = text
	if !p.live {
		if time.Since(p.last) < 5*time.Second {
			return
		}
		p.last = time.Now()
		for _, r := range p.order {
			if p.lines[r] != "" {
				fmt.Fprintln(p.w, p.lines[r])
			}
		}
		return
	}
	if p.drawn > 0 {
		fmt.Fprintf(p.w, "\x1b[%dA", p.drawn)
	}
	p.drawn = 0
	for _, r := range p.order {
		if p.lines[r] != "" {
			fmt.Fprintf(p.w, "\r\x1b[K%s\n", p.lines[r])
			p.drawn++
		}
	}
}
