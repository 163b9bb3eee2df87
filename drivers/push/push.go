// Package push is the driver of channels that a script or an agent on the unit feeds:
// its clock, its own sensors, anything that has no bus on the rig. Who feeds is outside;
// a Feed hands the values over inside the program.
//
// A value has the age it came with and grows older; past max_age the channel is stale.
// It never sticks: a pusher that died leaves an absent value, not its last one.
package push

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// ErrNotOpen says that no open source has the channel.
var ErrNotOpen = errors.New("no open source of the driver push has this channel")

// Feed hands pushed values to the devices of one rig. Its methods may be called
// concurrently. The zero value is ready.
type Feed struct {
	mu       sync.Mutex // guards channels and their values
	channels map[string]*latest
}

// latest is what was pushed last for one channel.
type latest struct {
	now   func() time.Time // of the rig
	seen  bool
	none  bool // the pusher knows that there is no value
	value float64
	at    time.Time
}

// Push takes a value in the channel's unit, which was that old when it was sent; nil
// says that the pusher knows there is none. An older value than the last one is
// ignored. It refuses channels that no open source has, and what is no number.
func (f *Feed) Push(ctx context.Context, channel string, value *float64, age time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if age < 0 {
		return fmt.Errorf("channel %s: an age of %v: a value can't come from the future", channel, age)
	}
	if value != nil && (math.IsNaN(*value) || math.IsInf(*value, 0)) {
		return fmt.Errorf("channel %s: %v is no value; leave it out if there is none", channel, *value)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	l := f.channels[channel]
	if l == nil {
		return fmt.Errorf("channel %s: %w", channel, ErrNotOpen)
	}
	at := l.now().Add(-age)
	if l.seen && at.Before(l.at) {
		return nil
	}
	l.seen, l.at, l.none, l.value = true, at, value == nil, 0
	if value != nil {
		l.value = *value
	}
	return nil
}

// open makes a channel known; it starts without a value.
func (f *Feed) open(channel string, now func() time.Time) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.channels == nil {
		f.channels = map[string]*latest{}
	}
	if f.channels[channel] != nil {
		return fmt.Errorf("channel %s is fed by another source already", channel)
	}
	f.channels[channel] = &latest{now: now}
	return nil
}

func (f *Feed) close(channel string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.channels, channel)
}

// get returns a copy of what was pushed last.
func (f *Feed) get(channel string) latest {
	f.mu.Lock()
	defer f.mu.Unlock()
	if l := f.channels[channel]; l != nil {
		return *l
	}
	return latest{}
}

type feedKey struct{}

// WithFeed returns a context that carries the feed to Driver.Open.
func WithFeed(ctx context.Context, f *Feed) context.Context {
	return context.WithValue(ctx, feedKey{}, f)
}

// Driver serves pushed channels. Its Open needs a context made by WithFeed.
var Driver = drivers.Driver{
	Name: "push",
	Info: drivers.Info{
		Summary: "channels that a script or an agent on the unit feeds over gRPC",
		Bus:     "none: SampleService.Push",
		Options: []drivers.Option{
			{Key: "max_age", Scope: "source", Unit: "duration", Default: "three periods", Help: "an older value is stale"},
			{Key: "unit", Scope: "input", Unit: "word", Default: "that of the channel's kind", Help: "of the values; required when the kind is other"},
			{Key: "range", Scope: "input", Unit: "[lowest, highest]", Default: "any", Help: "what lies outside is a fault"},
		},
		Detects:  []string{"nothing pushed yet, values that grew old, a pusher that says it has none", "values outside the range"},
		Misses:   []string{"a pusher that repeats a frozen sensor with fresh ages"},
		Accuracy: []string{"the pusher's: give the channel an accuracy; a processor's own sensor is often off by 5 K and more (common practice)"},
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		return New(ctx, host, src)
	},
}

// Opts are the driver's options on a source.
type Opts struct {
	MaxAge time.Duration `yaml:"max_age"`
}

// InputOpts are the driver's options on an input.
type InputOpts struct {
	Unit  string    `yaml:"unit"`
	Range []float64 `yaml:"range"`
}

// Dev is the pushed channels of one source.
type Dev struct {
	feed   *Feed
	now    func() time.Time // of the rig
	maxAge time.Duration
	inputs []input
	convs  []drivers.Converter

	once   sync.Once
	closed chan struct{}
}

type input struct {
	channel string
	lo, hi  float64
}

var _ drivers.Device = (*Dev)(nil)

func refuse(i int, key, format string, args ...any) error {
	return &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
}

// New checks the options and makes the channels known to the feed in ctx.
func New(ctx context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{MaxAge: 3 * src.Every}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	if o.MaxAge <= 0 || o.MaxAge > time.Hour {
		return nil, refuse(-1, "max_age", "%v: above 0 and at most 1h", o.MaxAge)
	}
	feed, _ := ctx.Value(feedKey{}).(*Feed)
	if feed == nil {
		feed = &Feed{} // a check of the configuration: nothing can be pushed
	}
	d := &Dev{feed: feed, now: host.Now, maxAge: o.MaxAge, closed: make(chan struct{})}
	for i, in := range src.Inputs {
		if err := d.add(i, in); err != nil {
			return nil, errors.Join(err, d.Close())
		}
	}
	return d, nil
}

func (d *Dev) add(i int, in drivers.Input) error {
	var o InputOpts
	if err := in.Options.Decode(&o); err != nil {
		return err
	}
	kind, unit := in.Kind, unitOf(in.Kind)
	if o.Unit != "" {
		if unit != "" && o.Unit != unit {
			return refuse(i, "unit", "%s: channel %s is in %s; leave the key out or change the channel's kind", o.Unit, in.Channel, unit)
		}
		if unit = o.Unit; kind == 0 {
			kind = drivers.Other
			if q := drivers.QuantityOf(unit); q.Factor == 1 && q.Unit == unit {
				kind = q.Kind
			}
			if unit == "degC" {
				kind = drivers.Temperature
			}
		}
	}
	if unit == "" {
		return refuse(i, "unit", "required: give channel %s a kind, or say the unit of its values here", in.Channel)
	}
	p := input{channel: in.Channel, lo: math.Inf(-1), hi: math.Inf(1)}
	switch {
	case len(o.Range) == 2 && o.Range[0] < o.Range[1]:
		p.lo, p.hi = o.Range[0], o.Range[1]
	case len(o.Range) != 0:
		return refuse(i, "range", "%v: the lowest and the highest possible value in %s", o.Range, unit)
	}
	if err := d.feed.open(in.Channel, d.now); err != nil {
		return err
	}
	d.inputs = append(d.inputs, p)
	d.convs = append(d.convs, drivers.Converter{
		Model: "pushed", Law: drivers.LawFloat64, Kind: kind, Unit: unit, PerCode: 1,
		Lines: []drivers.Line{{Name: "accuracy", In: drivers.OnValue, Source: "not known: the pusher's"}},
	})
	return nil
}

// unitOf is the unit in which values of a kind are pushed; empty for other and unknown.
func unitOf(kind drivers.Kind) string {
	switch kind {
	case drivers.Temperature:
		return "degC"
	case drivers.Power:
		return "W"
	case drivers.Energy:
		return "J"
	case drivers.Voltage:
		return "V"
	case drivers.Current:
		return "A"
	case drivers.Frequency:
		return "Hz"
	}
	return ""
}

// Converters says what the codes mean, one per input.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Read takes what was pushed last for each channel, if it is young enough. It never
// waits.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	err, fault := ctx.Err(), drivers.Timeout
	select {
	case <-d.closed:
		fault = drivers.BusError
		err = fmt.Errorf("pushed channels: %w", bus.ErrClosed)
	default:
	}
	now := d.now()
	for i := range out {
		out[i] = drivers.Reading{}
		if err != nil {
			out[i].Fail(fault, err)
			continue
		}
		d.take(now, d.inputs[i], &out[i])
	}
	return err
}

func (d *Dev) take(now time.Time, in input, r *drivers.Reading) {
	l := d.feed.get(in.channel)
	age := max(now.Sub(l.at), 0)
	switch {
	case !l.seen:
		r.Fail(drivers.Stale, errNothing)
		return
	case age > d.maxAge:
		r.Fail(drivers.Stale, fmt.Errorf("channel %s: the last push is %v old, more than %v", in.channel, age.Round(time.Millisecond), d.maxAge))
		return
	case l.none:
		r.Fail(drivers.DeviceError, fmt.Errorf("channel %s: its pusher says that it has no value", in.channel))
		return
	}
	r.Set(int64(math.Float64bits(l.value)), age)
	if l.value < in.lo || l.value > in.hi {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: %g is outside %g..%g", in.channel, l.value, in.lo, in.hi))
	}
}

// errNothing is the cause while a channel waits for its first value.
var errNothing = errors.New("nothing was pushed yet")

// Close makes the feed forget the channels.
func (d *Dev) Close() error {
	d.once.Do(func() {
		close(d.closed)
		for _, in := range d.inputs {
			d.feed.close(in.channel)
		}
	})
	return nil
}
