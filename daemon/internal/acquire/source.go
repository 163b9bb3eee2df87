package acquire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"soakrig/daemon/internal/config"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Health is the state of a source.
type Health struct {
	Source   string
	State    string // opened, failed, recovered or closed
	Text     string // why, when failed
	Last     record.Stamp
	HasLast  bool // there has been a sample
	Reads    uint64
	Failures uint64 // samples without a single value
	Late     uint64 // deadlines that were skipped
}

// source is one configured driver instance. read is called by one goroutine; health
// and the counters may be read by others.
type source struct {
	config *config.Config
	index  int // of cfg in config.Sources
	cfg    *config.Source
	driver *drivers.Driver
	known  []*drivers.Driver
	in     drivers.Source
	named  map[string]*config.Channel // what rig.yaml says of its channels
	host   *bus.Host
	clock  rigtime.Ticker
	recall Recaller // nil: nothing is remembered
	every  int64    // ns

	readings []drivers.Reading
	sample   record.Sample
	openErr  error
	retryAt  int64         // monotonic ns of the next attempt to open
	retry    time.Duration // wait after the next failure

	bound   context.Context // of reads, with its deadline; see bounded
	boundAt time.Time       // the deadline
	unbind  context.CancelFunc

	mu     sync.Mutex // guards dev and the health below
	dev    drivers.Device
	state  Health
	closed bool
}

func newSource(i int, opts Options) *source {
	c := &opts.Config.Sources[i]
	s := &source{
		config: opts.Config, index: i, cfg: c, known: opts.Drivers, named: opts.Config.Channels, host: opts.Host, clock: opts.Clock, every: int64(c.Every), retry: reopenFirst,
		readings: make([]drivers.Reading, len(c.Inputs)),
		sample:   record.Sample{Raw: make([]record.Raw, len(c.Inputs))},
		state:    Health{Source: c.Name, State: "closed"},
	}
	s.recall, _ = opts.Journal.(Recaller)
	for _, d := range opts.Drivers {
		if d.Name == c.Driver {
			s.driver = d
		}
	}
	s.in = drivers.Source{Name: c.Name, Every: c.Every, MainsHz: int(opts.Config.Mains), Port: c.Port, Options: c.Rest}
	for _, in := range c.Inputs {
		ch := opts.Config.Channels[in.Channel]
		if ch == nil {
			ch = &config.Channel{} // of a file that is still being judged
		}
		s.in.Inputs = append(s.in.Inputs, drivers.Input{
			Channel: in.Channel, Port: in.Port, Select: in.Select,
			Couple: couple(ch), Kind: driverKind(ch.Kind), Options: in.Rest,
		})
	}
	return s
}

func (s *source) busKey() string { return busKeys(s.cfg) }

// open opens the device; the reason why it can't be is kept.
func (s *source) open(ctx context.Context) error {
	if s.driver == nil {
		return fmt.Errorf("source %s: no driver %q in this build", s.cfg.Name, s.cfg.Driver)
	}
	dev, err := s.openDevice(ctx, s.named)
	s.openErr = err
	if err != nil {
		s.retryAt = s.clock.Now().BootNS + int64(s.retry)
		s.retry = min(2*s.retry, reopenMost)
		return fmt.Errorf("source %s: %w", s.cfg.Name, err)
	}
	s.retry = reopenFirst
	s.resume(ctx, dev)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		dev.Close()
		return bus.ErrClosed
	}
	s.dev = dev
	return nil
}

// refusals are what a driver refused, each at its place in the file; nil: err is about
// something else.
func (s *source) refusals(err error) config.Problems {
	var refused *drivers.OptionError
	if errors.As(err, &refused) {
		return config.Problems{s.refusal(refused)}
	}
	var problems config.Problems
	if errors.As(err, &problems) { // each names its place already
		for i := range problems {
			problems[i].Text += s.elsewhere(problems[i])
		}
	}
	return problems
}

// elsewhere names the drivers that have an option which this one refused.
func (s *source) elsewhere(p strictyaml.Problem) string {
	if !strings.HasPrefix(p.Text, "unknown key") {
		return ""
	}
	key := p.Key[strings.LastIndexByte(p.Key, '.')+1:]
	var names []string
	for _, d := range s.known {
		if d.Name != s.cfg.Driver && slices.ContainsFunc(d.Info.Options, func(o drivers.Option) bool { return o.Key == key }) {
			names = append(names, d.Name)
		}
	}
	if len(names) == 0 {
		return ""
	}
	slices.Sort(names)
	return fmt.Sprintf("; %s can't do that, %s can", s.cfg.Driver, strings.Join(names, ", "))
}

func (s *source) device() drivers.Device {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.dev
}

func (s *source) opened() bool { return s.device() != nil }

// converters are what the codes mean; nil while the source is not open.
func (s *source) converters() []drivers.Converter {
	if dev := s.device(); dev != nil {
		return dev.Converters()
	}
	return nil
}

// read fills s.sample. It returns an event when the source's state has changed.
func (s *source) read(ctx context.Context) *record.SourceEvent {
	dev := s.device()
	if dev == nil && s.clock.Now().BootNS >= s.retryAt {
		if err := s.open(ctx); err == nil {
			dev = s.device()
		}
	}
	var err error
	if dev != nil {
		err = dev.Read(s.bounded(ctx), s.readings)
	} else {
		err = s.openErr
		for i := range s.readings {
			s.readings[i] = drivers.Reading{Faults: drivers.BusError, Cause: err}
		}
	}
	good := false
	for i := range s.readings {
		r := &s.readings[i]
		s.sample.Raw[i] = record.Raw{
			Faults: record.Faults(r.Faults), Has: record.Fields(r.Has),
			Code: r.Code, Cold: r.Cold, Chip: r.Chip, AgeUS: ageUS(r.Age),
		}
		good = good || r.Faults == 0
		if r.Faults != 0 && err == nil {
			err = r.Cause
		}
	}
	return s.note(good, dev != nil, err)
}

// readTimeout bounds one read in real time: hardware that takes longer than a
// period and two seconds is hung, whatever the period is.
func readTimeout(every int64) time.Duration { return time.Duration(every) + 2*time.Second }

// shareBound is how long reads share a deadline, which therefore comes by so much
// earlier for some of them: a context of its own for every read would be most of what
// acquisition allocates.
const shareBound = time.Second

// bounded is ctx with the deadline of a read that begins now.
func (s *source) bounded(ctx context.Context) context.Context {
	now := time.Now()
	whole := readTimeout(s.every)
	if s.bound == nil || s.bound.Err() != nil || s.boundAt.Sub(now) <= whole-shareBound {
		if s.unbind != nil {
			s.unbind()
		}
		s.boundAt = now.Add(whole)
		s.bound, s.unbind = context.WithDeadline(ctx, s.boundAt)
	}
	return s.bound
}

func ageUS(age time.Duration) int32 {
	return int32(min(max(age.Microseconds(), 0), 1<<31-1))
}

// note keeps the health after a read and turns a change of state into an event.
func (s *source) note(good, open bool, err error) *record.SourceEvent {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state.Reads++
	was, now := s.state.State, "failed"
	if good {
		now = "opened"
		if was == "failed" || was == "recovered" {
			now = "recovered"
		}
	} else {
		s.state.Failures++
	}
	s.state.State = now
	s.state.Text = ""
	if !good && err != nil {
		s.state.Text = err.Error()
	} else if !good && open {
		s.state.Text = "no input gives a value"
	}
	if was == now {
		return nil
	}
	return &record.SourceEvent{Source: s.cfg.Name, State: now, Text: s.state.Text}
}

// stamp keeps when the newest sample was stored and says whether it is the first.
func (s *source) stamp(at record.Stamp) (first bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	first = !s.state.HasLast
	s.state.Last, s.state.HasLast = at, true
	return first
}

func (s *source) countLate(n uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state.Late += n
}

func (s *source) health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.state
}

func (s *source) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	s.state.State = "closed"
	if s.dev != nil {
		s.dev.Close()
		s.dev = nil
	}
}
