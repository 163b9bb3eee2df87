// Package interlock drives one output that site wiring may use to take the load or
// the power off the unit. It is a convenience, not a safety device: it fails towards
// off, but an independent thermal cut-out must not depend on it.
//
// The output is low at the start, when soakd stops, and whenever a condition asks
// for it; it is high only while scans arrive and nothing does. With a heartbeat it
// toggles instead of standing high, so that a retriggerable relay drops when soakd
// hangs. A drop latches until the next run starts.
package interlock

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// Pin is the output.
type Pin interface{ Out(gpio.Level) error }

// Journal is where the interlock reads and says what it did.
type Journal interface {
	Append(record.Stamp, record.Body) (uint64, error)
	NewReader(from uint64) *journal.Reader
	State() journal.State
}

// Options say when to drop.
type Options struct {
	Pin       Pin
	DropAbove *float64      // degC: any probe above it, twice in a row; nil: never
	LostProbe time.Duration // a probe without a value for this long; zero: never
	Heartbeat time.Duration // period of the toggling; zero: a steady level
	Now       func() record.Stamp
	Layout    func() *record.Layout // in force when Run begins
	Log       *slog.Logger
}

// Interlock drives the output. Its methods may be called concurrently.
type Interlock struct {
	o Options

	mu      sync.Mutex // guards all below and the pin
	level   gpio.Level
	dropped string // why it is latched off; empty: it is not
	newest  int64  // monotonic time of the newest sample; zero: there has been none
	probes  map[string]*probe
}

// silence is how long the heartbeat goes on without a sample.
const silence = 10 * time.Second

type probe struct {
	above  int   // samples in a row above the bound
	lastNS int64 // monotonic time of the newest value, or of the first sample
}

// New drives the output low; Run lets it rise.
func New(o Options) (*Interlock, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	i := &Interlock{o: o, probes: map[string]*probe{}}
	if err := o.Pin.Out(gpio.Low); err != nil {
		return nil, fmt.Errorf("interlock: drive the output low: %w", err)
	}
	return i, nil
}

// Run follows the journal until ctx ends, then drives the output low.
func (i *Interlock) Run(ctx context.Context, j Journal) error {
	defer i.off()
	if i.o.Heartbeat > 0 {
		go i.beat(ctx)
	}
	r := j.NewReader(j.State().Head + 1)
	defer r.Close()
	tables := map[uint32]*table{}
	i.entry(record.Entry{Body: i.o.Layout()}, tables)
	for {
		e, err := r.Next(ctx)
		var gap *journal.GapError
		switch {
		case errors.As(err, &gap):
			continue
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("interlock: %w", err)
		}
		if why := i.entry(e, tables); why != "" {
			i.Drop(why)
			if _, err := j.Append(e.At, &record.RunEvent{Event: "interlock", Text: why}); err != nil {
				i.o.Log.Error("interlock: can't store the drop", "error", err)
			}
		}
	}
}

type table struct {
	layout *record.Layout
	conv   *convert.Table
	values []convert.Value
}

// entry takes one journal entry in and returns a reason to drop, once.
func (i *Interlock) entry(e record.Entry, tables map[uint32]*table) (why string) {
	switch b := e.Body.(type) {
	case *record.Layout:
		l := *b
		conv, err := convert.New(&l)
		if err != nil {
			return "layout can't be read: " + err.Error()
		}
		tables[l.ID] = &table{layout: &l, conv: conv, values: make([]convert.Value, len(l.Channels))}
	case *record.RunEvent:
		if b.Event == "started" {
			i.reset()
		}
	case *record.Sample:
		if t := tables[b.Layout]; t != nil {
			return i.sample(e.At, b, t)
		}
	}
	return ""
}

func (i *Interlock) sample(at record.Stamp, s *record.Sample, t *table) (why string) {
	values := t.values[:len(s.Raw)]
	if err := t.conv.Convert(s, values); err != nil {
		return "sample can't be converted: " + err.Error()
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	i.newest = at.BootNS
	for k, v := range values {
		ch := &t.layout.Channels[t.layout.Sources[s.Source].Channels[k]]
		if ch.Role != record.RoleProbe {
			continue
		}
		p := i.probes[ch.Name]
		if p == nil {
			p = &probe{lastNS: at.BootNS}
			i.probes[ch.Name] = p
		}
		if v.Faults != 0 {
			p.above = 0
			if lost := time.Duration(at.BootNS - p.lastNS); i.o.LostProbe > 0 && lost >= i.o.LostProbe {
				why = fmt.Sprintf("probe %s has given no value for %v (%v)", ch.Name, lost.Round(time.Second), v.Faults)
			}
			continue
		}
		p.lastNS = at.BootNS
		if i.o.DropAbove == nil || v.Value <= *i.o.DropAbove {
			p.above = 0
		} else if p.above++; p.above >= 2 {
			why = fmt.Sprintf("probe %s is at %.1f degC, above %g", ch.Name, v.Value, *i.o.DropAbove)
		}
	}
	if why != "" && i.dropped != "" {
		return "" // known
	}
	if why == "" && i.dropped == "" && i.o.Heartbeat == 0 {
		i.set(gpio.High)
	}
	return why
}

// Drop drives the output low until the next run starts.
func (i *Interlock) Drop(why string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.dropped == "" {
		i.dropped = why
		i.o.Log.Warn("interlock dropped; it is a convenience, not a safety device", "why", why)
	}
	i.set(gpio.Low)
}

// Dropped is why the output is latched off; empty: it is not.
func (i *Interlock) Dropped() string {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.dropped
}

// reset ends the latch: a run starts.
func (i *Interlock) reset() {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.dropped = ""
	clear(i.probes)
}

// off drives the output low for good.
func (i *Interlock) off() {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.dropped = "soakd has stopped"
	i.set(gpio.Low)
}

// beat toggles the output while samples arrive.
func (i *Interlock) beat(ctx context.Context) {
	tick := time.NewTicker(i.o.Heartbeat / 2)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		i.mu.Lock()
		switch {
		case ctx.Err() != nil:
		case i.dropped == "" && i.newest > 0 && i.o.Now().BootNS-i.newest < int64(silence):
			i.set(!i.level)
		default:
			i.set(gpio.Low)
		}
		i.mu.Unlock()
	}
}

// set drives the pin; i.mu is held. A pin that can't be driven is said, once per try:
// there is nothing else to do, and site wiring must not depend on this output.
func (i *Interlock) set(l gpio.Level) {
	if l == i.level {
		return
	}
	if err := i.o.Pin.Out(l); err != nil {
		i.o.Log.Error("interlock: the output can't be driven", "level", l, "error", err)
		return
	}
	i.level = l
}
