package metrics

import (
	"fmt"
	"slices"

	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

// state is what the page shows, made from journal entries alone.
type state struct {
	f        *families
	layout   *record.Layout // in force; nil: none seen
	tables   map[uint32]*table
	channels []*channel // of layout, in its order
	byName   map[string]*channel

	run    *record.RunStart // the open run; nil: none
	runAt  record.Stamp     // when it began
	limits []record.Limit   // of the configuration
	band   *record.Band

	last       record.Stamp // of the newest sample
	hasLast    bool
	samples    uint64
	clockSteps uint64
	ended      map[record.Verdict]uint64
	lastRun    *ended // the newest run that has ended; nil: none known
}

// ended is what the page keeps of a run that has ended.
type ended struct {
	at      record.Stamp
	verdict record.Verdict
	limited bool
	peakC   *float64
}

// table is a compiled layout.
type table struct {
	layout *record.Layout
	conv   *convert.Table
	values []convert.Value
}

// tablesKept bounds the layouts that are kept compiled. A sample of an older one is
// compiled for again when its layout comes by.
const tablesKept = 16

func newState(f *families) *state {
	return &state{f: f, tables: map[uint32]*table{}, byName: map[string]*channel{}, ended: map[record.Verdict]uint64{}}
}

// entry takes in one journal entry. count is false for the past of an open run that
// is followed again after a restart.
func (s *state) entry(e record.Entry, count bool, current func() *record.Layout) error {
	switch b := e.Body.(type) {
	case *record.Sample:
		return s.sample(e.At, b, count, current)
	case *record.Layout:
		return s.relayout(cloneLayout(b))
	case *record.ClockStep:
		if count {
			s.clockSteps++
		}
	case *record.RunEvent:
		s.runEvent(e.At, b)
	case *record.RunResult:
		if count {
			s.ended[b.Result.Verdict]++
		}
		s.setLastRun(e.At, &b.Result)
	}
	return nil
}

func (s *state) sample(at record.Stamp, b *record.Sample, count bool, current func() *record.Layout) error {
	t := s.tables[b.Layout]
	if t == nil {
		l := current()
		if l == nil || l.ID != b.Layout {
			return nil // its layout is no longer in force
		}
		if err := s.relayout(cloneLayout(l)); err != nil {
			return err
		}
		t = s.tables[b.Layout]
	}
	if int(b.Source) >= len(t.layout.Sources) || len(b.Raw) > len(t.values) {
		return fmt.Errorf("sample of source %d does not fit layout %d", b.Source, b.Layout)
	}
	values := t.values[:len(b.Raw)]
	if err := t.conv.Convert(b, values); err != nil {
		return err
	}
	if count {
		s.samples++
	}
	s.last, s.hasLast = at, true
	for i, v := range values {
		name := t.layout.Channels[t.layout.Sources[b.Source].Channels[i]].Name
		if c := s.byName[name]; c != nil {
			c.take(arrival{v, at.Boot, at.BootNS - int64(b.Raw[i].AgeUS)*1000, s.run != nil, count}, s.ambient)
		}
	}
	return nil
}

// ambient is the newest room temperature.
func (s *state) ambient() (float64, bool) {
	for _, c := range s.channels {
		if c.Role == record.RoleAmbient && c.Kind == record.Temperature && c.isGood {
			return c.good.value, true
		}
	}
	return 0, false
}

// relayout puts a layout in force. Channels that are in it no more leave the page.
func (s *state) relayout(l *record.Layout) error {
	if s.layout != nil && s.layout.ID == l.ID {
		return nil
	}
	if s.tables[l.ID] == nil {
		conv, err := convert.New(l)
		if err != nil {
			return fmt.Errorf("layout %d: %w", l.ID, err)
		}
		widest := 0
		for _, src := range l.Sources {
			widest = max(widest, len(src.Channels))
		}
		if len(s.tables) >= tablesKept {
			clear(s.tables)
		}
		s.tables[l.ID] = &table{layout: l, conv: conv, values: make([]convert.Value, widest)}
	}
	s.layout = l
	old := s.byName
	s.channels, s.byName = make([]*channel, len(l.Channels)), map[string]*channel{}
	for i := range l.Channels {
		c := s.newChannel(&l.Channels[i])
		if o := old[c.Name]; o != nil && o.Kind == c.Kind {
			c.inherit(o)
		}
		s.channels[i], s.byName[c.Name] = c, c
	}
	for _, src := range l.Sources {
		for _, i := range src.Channels {
			c := s.channels[i]
			c.source, c.everyNS = src.Name, src.EveryNS
			c.infoLabels = s.f.channelInfo.pairs(calibrationID(c), c.Name, c.Converter.Model, c.Couple, string(c.Kind), c.Place, string(c.Role), c.source, c.Unit)
		}
	}
	s.bind(old)
	return nil
}

func (s *state) newChannel(ch *record.Channel) *channel {
	c := &channel{Channel: *ch, labels: s.f.channelUp.pairs(ch.Name, string(ch.Role))}
	for _, word := range record.FaultWords() {
		c.faultPairs = append(c.faultPairs, s.f.channelFault.pairs(ch.Name, word, string(ch.Role)))
	}
	if q := s.f.byKind[ch.Kind]; q != nil && q.max60 != nil {
		c.window = &window{}
	}
	c.infoLabels = s.f.channelInfo.pairs(calibrationID(c), c.Name, c.Converter.Model, c.Couple, string(c.Kind), c.Place, string(c.Role), "", c.Unit)
	return c
}

func calibrationID(c *channel) string {
	if c.Calibration == nil {
		return ""
	}
	return c.Calibration.ID
}

// inForce are the limits of the open run, or those of the configuration.
func (s *state) inForce() ([]record.Limit, *record.Band) {
	if s.run != nil {
		return s.run.Plan.Limits, s.run.Plan.AmbientBandC
	}
	return s.limits, s.band
}

// bind applies the limits in force to the channels. What a limit of the same name
// counted on old's channel goes on being counted.
func (s *state) bind(old map[string]*channel) {
	limits, _ := s.inForce()
	for _, c := range s.channels {
		var was []*bound
		if o := old[c.Name]; o != nil && o.Kind == c.Kind {
			was = o.bounds
		}
		c.bounds = nil
		for _, l := range limits {
			if !applies(l, c) || s.f.limitOf(l, c) == nil || slices.ContainsFunc(c.bounds, func(b *bound) bool { return b.Name == l.Name }) {
				continue
			}
			side := "above"
			if l.Below {
				side = "below"
			}
			b := &bound{Limit: l, timed: l.Quantity == "value" || l.Quantity == "rise" || l.Quantity == ""}
			b.labels = s.f.riseLimit.pairs(c.Name, l.Name, string(c.Role), l.Severity, side)
			b.counts = s.f.overLimit.pairs(c.Name, l.Name, string(c.Role))
			for _, w := range was {
				if w.Name == l.Name && w.Quantity == l.Quantity {
					b.overNS = w.overNS
				}
			}
			if c.isGood {
				b.over = b.beyond(c.good.value, s.ambient)
			}
			c.bounds = append(c.bounds, b)
		}
	}
}

// applies tells whether a limit is about a channel.
func applies(l record.Limit, c *channel) bool {
	if l.Channel != "" {
		return l.Channel == c.Name
	}
	return l.Role == c.Role && c.Kind != record.Energy
}

// limitOf is the family that shows a limit on a channel; nil: none does.
func (f *families) limitOf(l record.Limit, c *channel) *family {
	switch {
	case l.Quantity == "value" || l.Quantity == "":
		if q := f.byKind[c.Kind]; q != nil {
			return q.limit
		}
	case c.Kind != record.Temperature:
	case l.Quantity == "rise":
		return f.riseLimit
	case l.Quantity == "slope":
		return f.slopeLimit
	case l.Quantity == "difference":
		return f.differenceLimit
	}
	return nil
}

// setLimits takes the limits of the configuration.
func (s *state) setLimits(limits []record.Limit, band *record.Band) {
	s.limits, s.band = limits, band
	if s.run == nil {
		s.bind(s.byName)
	}
}

// runEvent follows the life of a run.
func (s *state) runEvent(at record.Stamp, b *record.RunEvent) {
	switch {
	case b.Event == "started" && b.Start != nil:
		start := *b.Start
		s.run, s.runAt = &start, at
	case b.Event == "ended" && s.run != nil && s.run.Run == b.Run:
		s.run = nil
	default:
		return
	}
	for _, c := range s.channels {
		c.hasMax = false
	}
	s.bind(s.byName)
}

// setLastRun keeps what the newest run that has ended came to.
func (s *state) setLastRun(at record.Stamp, r *record.Result) {
	s.lastRun = &ended{at: at, verdict: r.Verdict, limited: r.Limited}
	if r.Peak != nil {
		peakC := r.Peak.HeldC
		s.lastRun.peakC = &peakC
	}
}

func cloneLayout(l *record.Layout) *record.Layout {
	c := *l
	c.Sources, c.Channels = slices.Clone(l.Sources), slices.Clone(l.Channels)
	for i := range c.Sources {
		c.Sources[i].Channels = slices.Clone(c.Sources[i].Channels)
	}
	return &c
}
