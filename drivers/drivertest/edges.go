package drivertest

import (
	"fmt"
	"io/fs"
	"sync"
	"time"

	"soakrig/drivers/bus"
)

// EdgeLine is a GPIO input that keeps its edges. Its clock starts at 0 when it is
// added and runs with time.Now, so in a synctest bubble with the bubble's clock.
type EdgeLine struct {
	ports *Ports
	start time.Time

	mu      sync.Mutex // guards all below
	kept    []bus.Edge
	options bus.EdgeOptions
	closed  bool
}

// AddEdges adds a line on which nothing has happened yet.
func (p *Ports) AddEdges(name string) *EdgeLine {
	p.mu.Lock()
	defer p.mu.Unlock()
	l := &EdgeLine{ports: p, start: time.Now()}
	p.edges[name] = l
	return l
}

// Edges implements bus.EdgePorts.
func (p *Ports) Edges(name string, o bus.EdgeOptions) (bus.Edges, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	l := p.edges[name]
	if l == nil {
		return nil, fmt.Errorf("no such line: %w", fs.ErrNotExist)
	}
	p.opens++
	l.mu.Lock()
	defer l.mu.Unlock()
	l.options, l.closed = o, false
	return l, nil
}

// Put adds edges in the order of their times. One in the future is not read before.
func (l *EdgeLine) Put(edges ...bus.Edge) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.kept = append(l.kept, edges...)
}

// Options returns what the line was claimed with.
func (l *EdgeLine) Options() bus.EdgeOptions {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.options
}

// Read implements bus.Edges. It counts as a transfer: it can be made to fail.
func (l *EdgeLine) Read(dst []bus.Edge) (int, error) {
	if err := l.ports.begin(); err != nil {
		return 0, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return 0, bus.ErrClosed
	}
	now, n := time.Since(l.start), 0
	for n < len(dst) && n < len(l.kept) && l.kept[n].At <= now {
		dst[n] = l.kept[n]
		n++
	}
	l.kept = l.kept[n:]
	return n, nil
}

// Now implements bus.Edges.
func (l *EdgeLine) Now() time.Duration { return time.Since(l.start) }

// Close implements bus.Edges.
func (l *EdgeLine) Close() error {
	l.mu.Lock()
	done := l.closed
	l.closed = true
	l.mu.Unlock()
	if !done {
		l.ports.mu.Lock()
		l.ports.closes++
		l.ports.mu.Unlock()
	}
	return nil
}
