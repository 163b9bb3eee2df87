package bl0942

import (
	"context"
	"fmt"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// Constants of the chip (data sheet V1.04 as public drivers quote it, from memory): its
// reference, and codes per mV at the inputs with the current gain of 16.
const (
	vref         = 1.218
	currentGain  = 305978.0
	voltageGain  = 73989.0
	powerGain    = 3537.0
	pulseSeconds = 1638.4 * 256 // one CF pulse lasts this divided by WATT
)

// Driver reads the BL0942.
var Driver = drivers.Driver{
	Name: "bl0942",
	Info: drivers.Info{
		Summary: "BL0942 single-phase metering chip: voltage, current, power, energy, frequency",
		Bus:     "UART 8N1, 4800 to 38400 bit/s, isolated from the mains",
		Fastest: 400 * time.Millisecond,
		Options: []drivers.Option{
			{Key: "field", Scope: "input", Unit: "power, energy, voltage, current, frequency", Help: "what the channel gets"},
			{Key: "shunt", Scope: "source", Unit: "mOhm", Default: "1", Help: "of the board's shunt"},
			{Key: "divider", Scope: "source", Unit: "ratio", Default: "3824.53 (5 x 390 kOhm to 510 Ohm)", Help: "mains voltage over voltage at the chip"},
			{Key: "baud", Scope: "source", Unit: "bit/s", Default: "4800", Help: "set by the chip's pins"},
		},
		Detects:  []string{"silence, wrong checksum, an answer that is shifted", "a frequency or voltage that no mains has"},
		Misses:   []string{"a chip that is powered by the measured mains is silent without it", "the counter falls to 0 on a brown-out"},
		Accuracy: []string{"set by the shunt, the divider and the board's calibration: give the channel an accuracy from a comparison"},
		Caution: "The chip and its board sit at mains potential. Connect them only through a rated isolation, never a debug lead, ground clip or " +
			"USB cable while live; licensed or competent persons only. soakd only reads the chip and protects nobody.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		return New(ctx, host, src)
	},
}

// Opts are the driver's options on a source.
type Opts struct {
	Shunt   float64 `yaml:"shunt"`
	Divider float64 `yaml:"divider"`
	Baud    int     `yaml:"baud"`
}

// InputOpts are the driver's options on an input.
type InputOpts struct {
	Field string `yaml:"field"`
}

func refuse(i int, key, format string, args ...any) error {
	return &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
}

// New checks the options and returns the device; the first Read opens the line.
func New(_ context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Shunt: 1, Divider: (5*390e3 + 510) / 510, Baud: 4800}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	switch {
	case !(o.Shunt > 0 && o.Shunt < 1e4):
		return nil, refuse(-1, "shunt", "%v: in mOhm, above 0", o.Shunt)
	case !(o.Divider >= 1 && o.Divider < 1e6):
		return nil, refuse(-1, "divider", "%v: mains voltage over voltage at the chip, for instance 3824.53", o.Divider)
	case o.Baud < 4800 || o.Baud > 38400:
		return nil, refuse(-1, "baud", "%d: 4800 to 38400, as the chip's pins say", o.Baud)
	}
	d := &Dev{now: host.Now}
	port := src.Port
	for i, in := range src.Inputs {
		if in.Port != "" {
			port = in.Port
		}
		if i > 0 && port != src.Inputs[0].Port {
			return nil, refuse(i, "port", "the inputs of one source share one chip; make a second source")
		}
		if err := d.add(i, in, o); err != nil {
			return nil, err
		}
	}
	stream, err := line.Open(host, port, bus.SerialMode{Baud: o.Baud}, 2001, time.Second)
	if err != nil {
		return nil, refuse(-1, "port", "%v", err)
	}
	if err := stream.Reserve(host, bus.LineUse{Source: src.Name, Protocol: "BL0942"}); err != nil {
		return nil, refuse(-1, "port", "%v", err)
	}
	d.port, d.line = port, stream
	d.wait = answerTime + time.Duration(frameSize*10)*time.Second/time.Duration(o.Baud)
	return d, nil
}

// add settles one input.
func (d *Dev) add(i int, in drivers.Input, o Opts) error {
	var own InputOpts
	if err := in.Options.Decode(&own); err != nil {
		return err
	}
	volts := vref / voltageGain * o.Divider / 1000
	amps := vref / currentGain / o.Shunt
	watts := vref * vref / powerGain * o.Divider / 1000 / o.Shunt
	var f field
	c := drivers.Converter{Model: "BL0942", Law: drivers.LawLinear, Lines: []drivers.Line{{
		Name: "accuracy", In: drivers.OnValue, SharedBy: "converter", Source: "not stated: set by the board's shunt, divider and calibration",
	}}}
	switch own.Field {
	case "voltage":
		c.Kind, c.Unit, c.PerCode = drivers.Voltage, "V", volts
		f = field{get: func(x frame) int64 { return x.voltage }, hi: 500}
	case "current":
		c.Kind, c.Unit, c.PerCode = drivers.Current, "A", amps
		f = field{get: func(x frame) int64 { return x.current }, hi: 1000}
	case "power":
		c.Kind, c.Unit, c.PerCode = drivers.Power, "W", watts
		f = field{get: func(x frame) int64 { return x.watts }, lo: -1e5, hi: 1e5}
	case "energy":
		c.Kind, c.Unit, c.PerCode = drivers.Energy, "J", watts*pulseSeconds
		c.Modulus = c.PerCode * (1 << 24)
		f = field{get: func(x frame) int64 { return x.pulses }, hi: c.Modulus}
	case "frequency":
		// The code is a period, which no linear law turns into a frequency: see Dev.take.
		c.Law, c.Kind, c.Unit, c.PerCode = drivers.LawFloat64, drivers.Frequency, "Hz", 1
		f = field{get: func(x frame) int64 { return x.period }, lo: 40, hi: 70, period: true}
	default:
		return refuse(i, "field", "%q: use power, energy, voltage, current or frequency", own.Field)
	}
	if in.Kind != 0 && in.Kind != c.Kind {
		return refuse(i, "field", "%s is in %s, which is not what channel %s is said to measure", own.Field, c.Unit, in.Channel)
	}
	f.name = own.Field
	d.fields = append(d.fields, f)
	d.convs = append(d.convs, c)
	return nil
}
