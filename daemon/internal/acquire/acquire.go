// Package acquire reads the sources: one goroutine per physical bus, absolute
// deadlines, a stamp on every sample, and the journal as the only way out. It
// stores codes and faults as drivers report them and computes no value. A slow or
// dead source delays only its own bus; what can't be read is stored as a fault.
package acquire

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sort"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"soakrig/daemon/internal/config"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Appender is the journal as acquisition sees it.
type Appender interface {
	Append(at record.Stamp, body record.Body) (seq uint64, err error)
}

// Options say what to read and where it goes. All but Calibrations and Log are
// required.
type Options struct {
	Config       *config.Config
	Drivers      []*drivers.Driver
	Host         *bus.Host
	Clock        rigtime.Ticker
	Journal      Appender
	Calibrations []record.Calibration // stored ones; the newest of a channel wins over rig.yaml
	Before       record.Stamp         // of the newest stored entry, to see a step of the clock since; zero: none
	Log          *slog.Logger
}

// Acquirer reads the sources of one rig. Run it once. The other methods may be
// called concurrently.
type Acquirer struct {
	opts    Options
	sources []*source

	scanned chan struct{} // closed once every source has been read
	unread  atomic.Int32  // sources not read yet
	scans   atomic.Uint64 // samples stored

	mu     sync.Mutex     // guards layout and calibrations
	layout *record.Layout // in force; replaced, never changed
	walled record.Stamp   // the newest that was looked at for a step of the wall clock
	cals   map[string]record.Calibration
}

// Waits between attempts to open a source again.
const (
	reopenFirst = 2 * time.Second
	reopenMost  = time.Minute
)

// New opens the devices. What a driver refuses, and Judge could not know before, is an
// error. A port that does not open is not: its
// channels carry bus faults, and it is tried again.
func New(ctx context.Context, opts Options) (*Acquirer, error) {
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	a := &Acquirer{opts: opts, walled: opts.Before, cals: map[string]record.Calibration{}, scanned: make(chan struct{})}
	a.unread.Store(int32(len(opts.Config.Sources)))
	for _, c := range opts.Calibrations {
		a.cals[c.Channel] = c
	}
	var problems config.Problems
	for i := range opts.Config.Sources {
		s := newSource(i, opts)
		a.sources = append(a.sources, s)
		if err := s.open(ctx); err != nil {
			problems = append(problems, s.refusals(err)...)
		}
	}
	if len(problems) > 0 {
		a.close()
		return nil, problems
	}
	a.relayout()
	return a, nil
}

// Layout is the layout in force. The caller does not change it.
func (a *Acquirer) Layout() *record.Layout {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.layout
}

// Calibrate puts a calibration in force for the samples that follow.
func (a *Acquirer) Calibrate(at record.Stamp, c record.Calibration) error {
	a.mu.Lock()
	a.cals[c.Channel] = c
	a.mu.Unlock()
	if _, err := a.opts.Journal.Append(at, &c); err != nil {
		return fmt.Errorf("store calibration of %s: %w", c.Channel, err)
	}
	return a.announce(at)
}

// announce stores the layout if it has changed.
func (a *Acquirer) announce(at record.Stamp) error {
	if !a.relayout() {
		return nil
	}
	if _, err := a.opts.Journal.Append(at, a.Layout()); err != nil {
		return fmt.Errorf("store layout: %w", err)
	}
	return nil
}

// relayout builds the layout anew and says whether it differs from the one in force.
func (a *Acquirer) relayout() (changed bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	l := buildLayout(a.opts.Config, a.sources, a.cals)
	if a.layout != nil && a.layout.ID == l.ID {
		return false
	}
	a.layout = l
	return true
}

// Sources is the health of every source, in the order of rig.yaml.
func (a *Acquirer) Sources() []Health {
	all := make([]Health, len(a.sources))
	for i, s := range a.sources {
		all[i] = s.health()
	}
	return all
}

// Newest is the stamp of the newest sample, or what Options.Before gave.
func (a *Acquirer) Newest() record.Stamp {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.walled
}

// Scanned is closed once every source has been read, well or not.
func (a *Acquirer) Scanned() <-chan struct{} { return a.scanned }

// Scans counts the samples stored. A watchdog is fed only while it grows.
func (a *Acquirer) Scans() uint64 { return a.scans.Load() }

// Run reads until ctx ends, then closes the devices. It returns nil after ctx, or
// the reason why nothing can be stored any more.
func (a *Acquirer) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer a.close()
	now := a.opts.Clock.Now()
	if _, err := a.opts.Journal.Append(now, a.Layout()); err != nil {
		return fmt.Errorf("store layout: %w", err)
	}
	groups := a.groups()
	held := make([]func(), 0, len(groups))
	for range groups { // so that none is late because another began first
		done, err := a.opts.Clock.Tick(ctx, now.BootNS)
		if err != nil {
			break // ctx ended
		}
		held = append(held, done)
	}
	if len(held) < len(groups) {
		for _, done := range held {
			done()
		}
		return nil
	}
	errs := make(chan error, len(groups))
	for i, g := range groups {
		go func() {
			err := g.run(ctx, held[i])
			if err != nil {
				cancel()
			}
			errs <- err
		}()
	}
	var all []error
	for range groups {
		if err := <-errs; err != nil {
			all = append(all, err)
		}
	}
	return errors.Join(all...)
}

// groups puts the sources that share a physical bus together.
func (a *Acquirer) groups() []*group {
	byKey := map[string]*group{}
	var keys []string
	for i, s := range a.sources {
		key := s.busKey()
		g := byKey[key]
		if g == nil {
			g = &group{a: a, key: key}
			byKey[key] = g
			keys = append(keys, key)
		}
		g.members = append(g.members, &member{source: s, index: uint16(i)})
	}
	sort.Strings(keys)
	all := make([]*group, len(keys))
	for i, key := range keys {
		all[i] = byKey[key]
	}
	return all
}

func (a *Acquirer) close() {
	for _, s := range a.sources {
		s.close()
	}
}

// group is the sources of one bus and the goroutine that reads them.
type group struct {
	a       *Acquirer
	key     string
	members []*member
}

type member struct {
	source *source
	index  uint16
	next   int64 // deadline, ns on the monotonic clock
}

// run reads each member at its deadlines. Deadlines lie on a grid that begins when
// the group does; one that was missed by more than half a period, or that comes less
// than half a period after the read before it began, is skipped and counted, so that
// reads never bunch up. It is called holding the clock; done lets go of it.
func (g *group) run(ctx context.Context, done func()) error {
	start := g.a.opts.Clock.Now().BootNS
	for _, m := range g.members {
		m.next = start
	}
	for {
		m := g.earliest()
		if err := g.a.opts.Clock.Retick(ctx, m.next); err != nil {
			return nil // ctx ended
		}
		began := g.a.opts.Clock.Now().BootNS
		err := g.read(ctx, m)
		m.advance(began, g.a.opts.Clock.Now().BootNS)
		if err != nil {
			done()
			return err
		}
	}
}

func (g *group) earliest() *member {
	best := g.members[0]
	for _, m := range g.members[1:] {
		if m.next < best.next {
			best = m
		}
	}
	return best
}

// advance sets the next deadline after a read.
func (m *member) advance(began, now int64) {
	every := m.source.every
	m.next += every
	if late := now - m.next; late > every/2 {
		skip := (late + every - 1) / every
		m.next += skip * every
		m.source.countLate(uint64(skip))
	}
	if m.next-began < every/2 { // the read was late itself, and the chip has nothing new so soon
		m.next += every
		m.source.countLate(1)
	}
}

// stepped is how wall time jumped against the monotonic clock since the last look, if
// by more than clockStep; nil: it did not.
func (a *Acquirer) stepped(at record.Stamp) *record.ClockStep {
	a.mu.Lock()
	defer a.mu.Unlock()
	before := a.walled
	if before == (record.Stamp{}) {
		a.walled = at
		return nil
	}
	if at.Boot == before.Boot && at.BootNS <= before.BootNS {
		return nil // of another bus, taken before the newest: it tells nothing new
	}
	a.walled = at
	step := (at.WallNS - at.BootNS) - (before.WallNS - before.BootNS)
	if at.Boot != before.Boot || step < clockStep && step > -clockStep {
		return nil
	}
	return &record.ClockStep{StepNS: step, Synced: at.Synced}
}

// clockStep is the least jump of wall time that is recorded; less is slewing.
const clockStep = int64(500 * time.Millisecond)

// read takes one sample and stores it.
func (g *group) read(ctx context.Context, m *member) error {
	s := m.source
	was := s.opened()
	change := s.read(ctx)
	at := g.a.opts.Clock.Now()
	if ctx.Err() != nil {
		return nil // a reading cut short by the stop says nothing about the probe
	}
	if step := g.a.stepped(at); step != nil {
		g.a.opts.Log.Warn("the clock has stepped", "by", time.Duration(step.StepNS), "synchronised", step.Synced)
		if _, err := g.a.opts.Journal.Append(at, step); err != nil {
			return fmt.Errorf("store clock step: %w", err)
		}
	}
	if was != s.opened() {
		if err := g.a.announce(at); err != nil {
			return err
		}
	}
	if change != nil {
		level := slog.LevelInfo
		if change.State == "failed" {
			level = slog.LevelWarn
		}
		g.a.opts.Log.Log(ctx, level, "source "+change.State, "source", change.Source, "text", change.Text)
		if _, err := g.a.opts.Journal.Append(at, change); err != nil {
			return fmt.Errorf("store source event: %w", err)
		}
	}
	s.sample.Layout = g.a.Layout().ID
	s.sample.Source = m.index
	if _, err := g.a.opts.Journal.Append(at, &s.sample); err != nil {
		return fmt.Errorf("store sample of %s: %w", s.cfg.Name, err)
	}
	g.a.scans.Add(1)
	if s.stamp(at) && g.a.unread.Add(-1) == 0 {
		close(g.a.scanned)
	}
	return nil
}

// busKeys joins the physical buses of a source; one that has none is its own.
func busKeys(c *config.Source) string {
	seen := map[string]bool{}
	var keys []string
	for _, in := range c.Inputs {
		if k := bus.Key(in.Port); k != "" && !seen[k] {
			seen[k] = true
			keys = append(keys, k)
		}
	}
	if len(keys) == 0 {
		return "source " + c.Name
	}
	sort.Strings(keys)
	return strings.Join(keys, "+")
}
