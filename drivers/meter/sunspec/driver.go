package sunspec

import (
	"context"
	"errors"
	"fmt"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/modbus"
)

// Driver reads SunSpec meters.
var Driver = drivers.Driver{
	Name: "sunspec",
	Info: drivers.Info{
		Summary: "wall-power meter with SunSpec models 201..204 or 211..214",
		Bus:     "Modbus TCP or serial line; reads holding registers only",
		Options: []drivers.Option{
			{Key: "unit", Scope: "source", Unit: "1..247", Default: "1", Help: "Modbus address; 1, 126 and 240 are usual"},
			{Key: "base", Scope: "source", Unit: "register", Default: "40000, 0, 50000 are tried", Help: "where the marker is"},
			{Key: "point", Scope: "input", Unit: "SunSpec name", Help: "W, TotWhImp, PhV, A, Hz, ..."},
			{Key: "sign", Scope: "input", Unit: "1, -1", Default: "1", Help: "-1 if the meter counts the other way round"},
			{Key: "framing", Scope: "source", Unit: "tcp, rtu", Default: "by the port", Help: "rtu with an address: a serial gateway that passes raw frames"},
			{Key: "baud", Scope: "source", Unit: "bit/s", Default: "9600", Help: "speed of the serial line"},
			{Key: "parity", Scope: "source", Unit: "N, E, O", Default: "N", Help: "as set on the meter"},
			{Key: "data_bits", Scope: "source", Unit: "8", Default: "8", Help: "RTU needs 8"},
			{Key: "stop_bits", Scope: "source", Unit: "1, 2", Default: "1", Help: "as set on the meter"},
			{Key: "timeout", Scope: "source", Unit: "duration", Default: "1s", Help: "how long the meter may think"},
			{Key: "gap", Scope: "source", Unit: "duration", Default: "100ms", Help: "pause after each answer on a serial line"},
			{Key: "quiet", Scope: "source", Unit: "duration", Default: "400ms", Help: "silence that must follow a failure on a serial line"},
			{Key: "echo", Scope: "source", Unit: "true, false", Default: "false", Help: "the line gives every request back"},
		},
		Detects: []string{"silence, broken frames, exceptions", "points and scale factors that are not implemented or out of range", "a model that moved or changed"},
		Misses: []string{
			"an energy that does not count: 0 means not accumulated",
			"a wrap of the 32-bit energy counters: their unit may change with the scale factor",
		},
		Accuracy: []string{"not part of the models: give the channel an accuracy from the meter's data sheet"},
		Caution: "Mains wiring kills: meters are installed, changed and tested only by licensed or competent persons under the " +
			"local code, dead and proved dead. soakd only reads the meter and protects nobody.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		return New(ctx, host, src)
	},
}

// Opts are the driver's options on a source.
type Opts struct {
	Unit        int  `yaml:"unit"`
	Base        *int `yaml:"base"`
	modbus.Link `yaml:",inline"`
}

// InputOpts are the driver's options on an input.
type InputOpts struct {
	Point string `yaml:"point"`
	Sign  int    `yaml:"sign"`
}

// New checks the options and returns the device; the first Read looks for the models.
func New(_ context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Unit: 1}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	refuse := func(i int, key, format string, args ...any) error {
		return &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	if o.Unit < 1 || o.Unit > 255 {
		return nil, refuse(-1, "unit", "%d: the meter's Modbus address, 1..247", o.Unit)
	}
	d := &Dev{unit: uint8(o.Unit), now: host.Now, bases: []int{40000, 0, 50000}}
	if o.Base != nil {
		if *o.Base < 0 || *o.Base > 65533 {
			return nil, refuse(-1, "base", "%d: a register address, 0..65533", *o.Base)
		}
		d.bases = []int{*o.Base}
	}
	d.integers, d.floats = layouts()
	port := src.Port
	for i, in := range src.Inputs {
		if in.Port != "" {
			port = in.Port
		}
		if port != src.Inputs[0].Port && i > 0 {
			return nil, refuse(i, "port", "the inputs of one source share one port; make a second source")
		}
		if err := d.add(i, in, refuse); err != nil {
			return nil, err
		}
	}
	o.Link.Source = src.Name
	master, err := o.Link.Open(host, port)
	var bad *modbus.LinkError
	if errors.As(err, &bad) {
		return nil, refuse(-1, bad.Key, "%s", bad.Text)
	}
	d.port, d.master = port, master
	return d, err
}

func (d *Dev) add(i int, in drivers.Input, refuse func(int, string, string, ...any) error) error {
	o := InputOpts{Sign: 1}
	if err := in.Options.Decode(&o); err != nil {
		return err
	}
	p, ok := d.integers.points[o.Point]
	if !ok {
		p, ok = d.floats.points[o.Point]
	}
	if !ok || p.kind == "sunssf" {
		return refuse(i, "point", "%q: use one of %s", o.Point, d.integers.names())
	}
	if o.Sign != 1 && o.Sign != -1 {
		return refuse(i, "sign", "%d: use 1 or -1", o.Sign)
	}
	q := quantityOf(p.unit)
	if in.Kind != 0 && q.Kind != drivers.Other && in.Kind != q.Kind {
		return refuse(i, "point", "%s is in %s, which is not what channel %s is said to measure; change the channel's kind or the point",
			o.Point, q.Unit, in.Channel)
	}
	d.points = append(d.points, o.Point)
	d.convs = append(d.convs, drivers.Converter{
		Model: "SunSpec meter", Law: drivers.LawFloat64, Kind: q.Kind, Unit: q.Unit, PerCode: float64(o.Sign) * q.Factor,
		Lines: []drivers.Line{{Name: "accuracy", In: drivers.OnValue, SharedBy: "converter", Source: "not part of the SunSpec models"}},
	})
	return nil
}
