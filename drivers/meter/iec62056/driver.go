package iec62056

import (
	"context"
	"fmt"
	"math"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// Driver reads meters by IEC 62056-21.
var Driver = drivers.Driver{
	Name: "iec62056",
	Info: drivers.Info{
		Summary: "billing meter with an optical head or wire, IEC 62056-21 mode C or D",
		Bus:     "serial line 7E1 (or a transparent gateway); reads the data block only",
		Fastest: 5 * time.Second,
		Options: []drivers.Option{
			{Key: "mode", Scope: "source", Unit: "c, d", Default: "c", Help: "c: the meter is asked; d: it talks by itself"},
			{Key: "address", Scope: "source", Unit: "text", Default: "none", Help: "of the meter, where several share a line"},
			{Key: "baud", Scope: "source", Unit: "bit/s", Default: "9600 (mode d: 2400)", Help: "mode c: the highest speed to agree on (300 if the meter stays slow); mode d: the line's"},
			{Key: "wake", Scope: "source", Unit: "true, false", Default: "false", Help: "battery meters only: each wake-up costs battery life"},
			{Key: "timeout", Scope: "source", Unit: "duration", Default: "1m", Help: "of a whole readout"},
			{Key: "obis", Scope: "input", Unit: "OBIS address", Help: "1-0:1.8.0 or 1.8.0 import energy, 16.7.0 sum of power, 32.7.0 voltage, ..."},
			{Key: "unit", Scope: "input", Unit: "kWh, kW, W, V, A, Hz", Help: "what the meter shows; taken where its line has none"},
			{Key: "range", Scope: "input", Unit: "[lowest, highest]", Default: "any", Help: "in unit; what lies outside is a fault; required for power"},
		},
		Detects: []string{"silence, cut readouts, wrong block check, parity", "a line or unit that is missing", "values outside the range"},
		Misses:  []string{"how old the meter's own value is", "resolution: 0.1 kWh in an hour is 100 W"},
		Accuracy: []string{
			"the meter's class: give the channel an accuracy",
		},
		Caution: "Meters are installed and opened only by licensed or competent persons under the local code. soakd only reads the head and protects nobody.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		return New(ctx, host, src)
	},
}

// Opts are the driver's options on a source.
type Opts struct {
	Mode    string        `yaml:"mode"`
	Address string        `yaml:"address"`
	Baud    int           `yaml:"baud"`
	Wake    bool          `yaml:"wake"`
	Timeout time.Duration `yaml:"timeout"`
}

// InputOpts are the driver's options on an input.
type InputOpts struct {
	OBIS  string    `yaml:"obis"`
	Unit  *string   `yaml:"unit"`
	Range []float64 `yaml:"range"`
}

// servicePort is the default of an address without one; gateways differ.
const servicePort = 2001

func refuse(i int, key, format string, args ...any) error {
	return &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
}

// New checks the options and returns the device; the first Read opens the line.
func New(_ context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Mode: "c", Timeout: time.Minute}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	if o.Baud == 0 {
		o.Baud = map[string]int{"c": 9600, "d": 2400}[o.Mode]
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	d := &Dev{now: host.Now}
	port := src.Port
	for i, in := range src.Inputs {
		if in.Port != "" {
			port = in.Port
		}
		if i > 0 && port != src.Inputs[0].Port {
			return nil, refuse(i, "port", "the inputs of one source share one meter; make a second source")
		}
		if err := d.add(i, in); err != nil {
			return nil, err
		}
	}
	mode := signOnMode()
	if o.Mode == "d" {
		mode.Baud = o.Baud
	}
	stream, err := line.Open(host, port, mode, servicePort, o.Timeout)
	if err != nil {
		return nil, refuse(-1, "port", "%v", err)
	}
	if err := stream.Reserve(host, bus.LineUse{Source: src.Name, Protocol: "IEC 62056-21"}); err != nil {
		return nil, refuse(-1, "port", "%v", err)
	}
	d.port = port
	d.session = session{
		line: stream, serial: line.IsSerial(port), address: o.Address, maxBaud: o.Baud,
		wake: o.Wake, timeout: o.Timeout, push: o.Mode == "d", speed: mode.Baud,
	}
	return d, nil
}

func (o Opts) check() error {
	switch {
	case o.Mode != "c" && o.Mode != "d":
		return refuse(-1, "mode", "%q: use c or d", o.Mode)
	case o.Baud < 300 || o.Baud > 115200:
		return refuse(-1, "baud", "%d: between 300 and 115200", o.Baud)
	case o.Timeout < time.Second || o.Timeout > 5*time.Minute:
		return refuse(-1, "timeout", "%v: between 1s and 5m", o.Timeout)
	case len(o.Address) > 32:
		return refuse(-1, "address", "%q: at most 32 characters", o.Address)
	}
	for _, r := range o.Address {
		if (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z') && r != ' ' {
			return refuse(-1, "address", "%q: digits, letters and blanks only", o.Address)
		}
	}
	return nil
}

// add settles one input.
func (d *Dev) add(i int, in drivers.Input) error {
	var o InputOpts
	if err := in.Options.Decode(&o); err != nil {
		return err
	}
	switch {
	case o.OBIS == "":
		return refuse(i, "obis", "required, for instance 1-0:1.8.0 (import energy); soakd check prints what the meter has")
	case o.Unit == nil:
		return refuse(i, "unit", "required: what the meter shows this value in, for instance kWh")
	}
	q := drivers.QuantityOf(*o.Unit)
	w := wanted{address: o.OBIS, unit: *o.Unit, quantity: q, lo: math.Inf(-1), hi: math.Inf(1)}
	switch {
	case len(o.Range) == 2 && o.Range[0] < o.Range[1]:
		w.lo, w.hi = o.Range[0]*q.Factor, o.Range[1]*q.Factor
	case len(o.Range) != 0:
		return refuse(i, "range", "%v: the lowest and the highest possible value", o.Range)
	case q.Kind == drivers.Power:
		return refuse(i, "range", "required for power: [lowest, highest] in %s", *o.Unit)
	}
	if in.Kind != 0 && q.Kind != drivers.Other && in.Kind != q.Kind {
		return refuse(i, "unit", "%s is not what channel %s is said to measure; change the channel's kind or the address", *o.Unit, in.Channel)
	}
	d.wanted = append(d.wanted, w)
	d.convs = append(d.convs, drivers.Converter{
		Model: "IEC 62056-21 meter", Law: drivers.LawFloat64, Kind: q.Kind, Unit: q.Unit, PerCode: 1,
		Lines: []drivers.Line{{Name: "accuracy", In: drivers.OnValue, SharedBy: "converter", Source: "not in the readout: the meter's class is on its label"}},
	})
	return nil
}
