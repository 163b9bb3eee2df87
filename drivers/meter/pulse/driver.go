package pulse

import (
	"context"
	"fmt"
	"math"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Driver reads pulse outputs.
var Driver = drivers.Driver{
	Name: "pulse",
	Info: drivers.Info{
		Summary: "meter with a pulse output (S0): power and energy",
		Bus:     "a GPIO line that keeps its edges, with the kernel's time stamps",
		Options: []drivers.Option{
			{Key: "pulses_per_kwh", Scope: "source", Unit: "1/kWh", Help: "the meter's constant, printed on it: 1000, 2000, 800, ..."},
			{Key: "field", Scope: "input", Unit: "power, energy", Help: "what the channel gets"},
			{Key: "active", Scope: "source", Unit: "low, high", Default: "low", Help: "the line's level while the output is on"},
			{Key: "bias", Scope: "source", Unit: "pull-up, pull-down, none", Default: "as the line is", Help: "the board's own resistor; a class A output needs about 10 mA from outside"},
			{Key: "debounce", Scope: "source", Unit: "duration", Default: "10ms", Help: "above 5 ms and below 30 ms"},
			{Key: "both_edges", Scope: "source", Unit: "true, false", Default: "false", Help: "some meters signal on both edges"},
			{Key: "max_power", Scope: "source", Unit: "W", Default: "what 60 ms between pulses mean", Help: "more is a fault"},
			{Key: "stale_after", Scope: "source", Unit: "duration", Default: "5m", Help: "without a pulse, and at least three intervals: no power any more"},
		},
		Detects: []string{"bounce, glitches, pulses that follow too fast", "edges that the kernel could not keep", "no pulse for long"},
		Misses: []string{
			"a wire that is off looks like no power until it is stale",
			"one interval is the resolution: 1000/kWh at 60 W give one value a minute",
			"pulses that come while soakd does not run: the total goes on from the last one stored",
		},
		Accuracy: []string{"energy: the meter's class and one pulse; power: the class, since intervals are exact to a millisecond"},
		Caution: "Pulse outputs are safe to touch only if the meter says so; keep their wires apart from mains wires. Fixed meters are " +
			"installed and opened only by licensed or competent persons under the local code.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		return New(ctx, host, src)
	},
}

// Opts are the driver's options on a source.
type Opts struct {
	PulsesPerKWh float64       `yaml:"pulses_per_kwh"`
	Active       string        `yaml:"active"`
	Bias         string        `yaml:"bias"`
	Debounce     time.Duration `yaml:"debounce"`
	BothEdges    bool          `yaml:"both_edges"`
	MaxPower     float64       `yaml:"max_power"`
	StaleAfter   time.Duration `yaml:"stale_after"`
}

// InputOpts are the driver's options on an input.
type InputOpts struct {
	Field string `yaml:"field"`
}

func refuse(i int, key, format string, args ...any) error {
	return &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
}

// New claims the line. Counting begins at once.
func New(_ context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Active: "low", Debounce: 10 * time.Millisecond, StaleAfter: 5 * time.Minute}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	d := &Dev{joules: 3.6e6 / o.PulsesPerKWh, maxWatts: o.MaxPower, stale: o.StaleAfter}
	d.train = train{debounce: o.Debounce, activeHi: o.Active == "high", both: o.BothEdges}
	if d.maxWatts == 0 {
		d.maxWatts = d.joules / minPeriod.Seconds()
	}
	port := src.Port
	for i, in := range src.Inputs {
		if in.Port != "" {
			port = in.Port
		}
		if i > 0 && port != src.Inputs[0].Port {
			return nil, refuse(i, "port", "one source reads one line; make a second source")
		}
		if err := d.add(i, in); err != nil {
			return nil, err
		}
	}
	if port == "" {
		return nil, refuse(-1, "port", "required: the name of a GPIO line, for instance GPIO23")
	}
	d.port = port
	var err error
	d.edges, err = host.Edges(port, bus.EdgeOptions{Debounce: o.Debounce, Bias: o.Bias})
	return d, err
}

func (o Opts) check() error {
	switch {
	case !(o.PulsesPerKWh > 0) || math.IsInf(o.PulsesPerKWh, 0):
		return refuse(-1, "pulses_per_kwh", "%v: the constant printed on the meter, for instance 1000", o.PulsesPerKWh)
	case o.Active != "low" && o.Active != "high":
		return refuse(-1, "active", "%q: use low or high", o.Active)
	case o.Bias != "" && o.Bias != "pull-up" && o.Bias != "pull-down" && o.Bias != "none":
		return refuse(-1, "bias", "%q: use pull-up, pull-down or none", o.Bias)
	case o.Debounce < 0 || o.Debounce >= 30*time.Millisecond:
		return refuse(-1, "debounce", "%v: a pulse lasts at least 30 ms and bounces up to 5 ms; use 10ms", o.Debounce)
	case o.MaxPower < 0 || math.IsNaN(o.MaxPower):
		return refuse(-1, "max_power", "%v: in W, above 0", o.MaxPower)
	case o.StaleAfter <= 0:
		return refuse(-1, "stale_after", "%v: above 0, for instance 5m", o.StaleAfter)
	}
	return nil
}

// add settles one input.
func (d *Dev) add(i int, in drivers.Input) error {
	var o InputOpts
	if err := in.Options.Decode(&o); err != nil {
		return err
	}
	const class = "not stated: give the channel the meter's class as its accuracy"
	c := drivers.Converter{Model: "pulse output", Lines: []drivers.Line{{Name: "accuracy", In: drivers.OnValue, SharedBy: "converter", Source: class}}}
	switch o.Field {
	case "power":
		c.Law, c.Kind, c.Unit, c.PerCode = drivers.LawFloat64, drivers.Power, "W", 1
		d.fields = append(d.fields, power)
	case "energy":
		c.Law, c.Kind, c.Unit, c.PerCode, c.CountedHere = drivers.LawLinear, drivers.Energy, "J", d.joules, true
		c.Lines = append(c.Lines, drivers.Line{Name: "one pulse", Half: d.joules, In: drivers.OnValue, Source: "the meter's constant"})
		d.fields = append(d.fields, energy)
	default:
		return refuse(i, "field", "%q: use power or energy", o.Field)
	}
	if in.Kind != 0 && in.Kind != c.Kind {
		return refuse(i, "field", "%s is in %s, which is not what channel %s is said to measure", o.Field, c.Unit, in.Channel)
	}
	d.convs = append(d.convs, c)
	return nil
}
