// Package interlock drives one output that site wiring may use to take the load or
// the power off the unit. It is a convenience, not a safety device: it fails towards
// off, but an independent thermal cut-out must not depend on it.
//
// The output is low at the start, when soakd stops, and whenever a condition asks
// for it; it is high only while scans arrive and nothing does. With a heartbeat it
// toggles instead of standing high, so that a retriggerable relay drops when soakd
// hangs; without one it falls when no sample has come for a while. A drop latches until
// the next run starts, over a restart of soakd too.
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
	Since     uint64                // first entry of the newest run: a drop since then still latches after a restart; zero: there has been no run
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

// silence is how long the output stays up without a sample.
const silence = 10 * time.Second

// lookEvery is how often a steady level is looked after.
const lookEvery = time.Second

type probe struct {
	above  int           // samples in a row above the bound
	lastNS int64         // monotonic time of the newest value, or of the first sample
	faults record.Faults // of the newest reading
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
	from := j.State().Head + 1
	if err := i.remember(ctx, j, from); err != nil {
		return err
	}
	if i.o.Heartbeat > 0 {
		go i.beat(ctx)
	} else {
		go i.look(ctx)
	}
	r := j.NewReader(from)
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

// remember looks whether the output was dropped since the newest run started, and
// latches it again.
func (i *Interlock) remember(ctx context.Context, j Journal, head uint64) error {
	if i.o.Since == 0 {
		return nil
	}
	r := j.NewReader(i.o.Since)
	defer r.Close()
	why := ""
	for r.Seq() < head {
		e, err := r.Next(ctx)
		var gap *journal.GapError
		switch {
		case errors.As(err, &gap):
			continue
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("interlock: look for an earlier drop: %w", err)
		}
		if ev, ok := e.Body.(*record.RunEvent); ok {
			switch ev.Event {
			case "started":
				why = ""
			case "interlock":
				why = ev.Text
			}
		}
	}
	if why != "" {
		i.Drop("before soakd started again: " + why)
	}
	return nil
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
	for k := range t.layout.Channels { // a probe that never comes is lost too
		if ch := &t.layout.Channels[k]; ch.Role == record.RoleProbe && i.probes[ch.Name] == nil {
			i.probes[ch.Name] = &probe{lastNS: at.BootNS}
		}
	}
	for k, v := range values {
		ch := &t.layout.Channels[t.layout.Sources[s.Source].Channels[k]]
		if ch.Role != record.RoleProbe {
			continue
		}
		p := i.probes[ch.Name]
		if p.faults = v.Faults; v.Faults != 0 {
			p.above = 0
			continue
		}
		p.lastNS = at.BootNS
		if i.o.DropAbove == nil || v.Value <= *i.o.DropAbove {
			p.above = 0
		} else if p.above++; p.above >= 2 {
			why = fmt.Sprintf("probe %s is at %.1f degC, above %g", ch.Name, v.Value, *i.o.DropAbove)
		}
	}
	if why == "" {
		why = i.lost(at.BootNS, t.layout)
	}
	if i.dropped != "" {
		i.set(gpio.Low) // once more, where it could not be driven
		return ""       // known
	}
	if why == "" && i.dropped == "" && i.o.Heartbeat == 0 {
		i.set(gpio.High)
	}
	return why
}

// lost is the probe that has given no value for too long, whether its source gives
// faults or nothing at all; i.mu is held.
func (i *Interlock) lost(nowNS int64, l *record.Layout) string {
	if i.o.LostProbe <= 0 {
		return ""
	}
	for k := range l.Channels {
		p := i.probes[l.Channels[k].Name]
		if p == nil || l.Channels[k].Role != record.RoleProbe {
			continue
		}
		if lost := time.Duration(nowNS - p.lastNS); lost >= i.o.LostProbe {
			fault := "no sample"
			if p.faults != 0 {
				fault = p.faults.String()
			}
			return fmt.Sprintf("probe %s has given no value for %v (%s)", l.Channels[k].Name, lost.Round(time.Second), fault)
		}
	}
	return ""
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

// look lets a steady level fall when samples no longer arrive; the next one raises it.
func (i *Interlock) look(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		i.mu.Lock()
		if i.newest > 0 && i.o.Now().BootNS-i.newest >= int64(silence) {
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
