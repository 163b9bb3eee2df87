package modbusmap

import (
	"context"
	"errors"
	"fmt"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
	"soakrig/drivers/bus/modbus"
)

// Driver reads meters by a register map.
var Driver = drivers.Driver{
	Name: "modbusmap",
	Info: drivers.Info{
		Summary: "wall-power meter on Modbus TCP or RTU, described by a register map",
		Bus:     "serial line or TCP; reads registers only (functions 3 and 4)",
		Options: []drivers.Option{
			{Key: "map", Scope: "source", Unit: "builtin:ID or a file", Help: "register map; an input may name its own"},
			{Key: "unit", Scope: "source", Unit: "1..247", Default: "the map's", Help: "Modbus address (248 for some single modules); an input may name its own"},
			{Key: "field", Scope: "input", Unit: "a name in the map", Help: "the quantity, for instance active_power"},
			{Key: "framing", Scope: "source", Unit: "tcp, rtu", Default: "by the port", Help: "rtu with an address: a serial gateway that passes raw frames"},
			{Key: "baud", Scope: "source", Unit: "bit/s", Default: "the map's", Help: "speed of the serial line"},
			{Key: "parity", Scope: "source", Unit: "N, E, O", Default: "N", Help: "as set on the meter"},
			{Key: "data_bits", Scope: "source", Unit: "8", Default: "8", Help: "RTU needs 8"},
			{Key: "stop_bits", Scope: "source", Unit: "1, 2", Default: "1", Help: "as set on the meter"},
			{Key: "timeout", Scope: "source", Unit: "duration", Default: "1s", Help: "how long the meter may think"},
			{Key: "gap", Scope: "source", Unit: "duration", Default: "100ms", Help: "pause before each request on a serial line"},
			{Key: "quiet", Scope: "source", Unit: "duration", Default: "400ms", Help: "silence that must follow a failure on a serial line"},
			{Key: "echo", Scope: "source", Unit: "true, false", Default: "false", Help: "the line gives every request back"},
		},
		Detects: []string{
			"silence, half frames, wrong CRC, wrong unit, late answers, echo, exceptions",
			"not a number, sentinels, values outside the map's range",
		},
		Misses: []string{
			"a wrong map or word order whose numbers stay in range: compare with the display",
			"a module that is powered by the measured mains is silent when the mains is off",
		},
		Accuracy: []string{"from the map's accuracy text, or the channel's"},
		Caution:  caution,
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		return New(ctx, host, src)
	},
}

// caution informs; it instructs nobody to wire anything.
const caution = "Mains wiring kills. Fixed meters and current transformers are installed, changed and tested only by " +
	"licensed or competent persons under the local code, dead and proved dead. Metering boards without a certified " +
	"isolation are at mains potential: connect a computer only through rated isolation (isolated RS-485, network). " +
	"Never open a current transformer's secondary under current. soakd only reads the meter and protects nobody: " +
	"an unattended load needs its own thermal cut-out and smoke detection."

// Opts are the driver's options on a source.
type Opts struct {
	Map         string `yaml:"map"`
	Unit        *int   `yaml:"unit"`
	modbus.Link `yaml:",inline"`
}

// InputOpts are the driver's options on an input.
type InputOpts struct {
	Field string `yaml:"field"`
	Map   string `yaml:"map"`
	Unit  *int   `yaml:"unit"`
}

// New checks the options and the maps and returns the device; the line is opened by
// the first Read.
func New(_ context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	var o Opts
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	d := &Dev{host: host, now: host.Now}
	maps := map[string]*Map{}
	for i, in := range src.Inputs {
		if in.Port != "" && in.Port != src.Inputs[0].Port {
			return nil, &drivers.OptionError{Input: i, Key: "port", Text: fmt.Sprintf(
				"%s and %s: the inputs of one source share one port; make a second source", src.Inputs[0].Port, in.Port)}
		}
		if err := d.add(i, in, o, maps); err != nil {
			return nil, err
		}
	}
	for _, u := range d.units {
		u.blocks, u.places = u.regs.plan(u.unit, u.fields)
	}
	port := src.Inputs[0].Port
	if port == "" {
		port = src.Port
	}
	d.port = port
	o.Link.Source = src.Name
	link := delivered(o.Link, d.units[0].regs.Link)
	d.again = func() (modbus.Master, error) { return link.Open(host, port) }
	master, err := d.again()
	var bad *modbus.LinkError
	if errors.As(err, &bad) {
		return nil, &drivers.OptionError{Input: -1, Key: bad.Key, Text: bad.Text}
	}
	d.master = master
	return d, err
}

// delivered fills in how the meter's line is set when nobody changed it.
func delivered(l modbus.Link, m MapLink) modbus.Link {
	if l.Baud == 0 {
		l.Baud = m.Baud
	}
	if l.Parity == "" {
		l.Parity = m.Parity
	}
	if l.StopBits == 0 {
		l.StopBits = m.Stop
	}
	if l.Gap == 0 {
		l.Gap = m.Gap
	}
	return l
}

// add settles one input: its map, its unit and its field.
func (d *Dev) add(i int, in drivers.Input, o Opts, maps map[string]*Map) error {
	own := InputOpts{Map: o.Map, Unit: o.Unit}
	if err := in.Options.Decode(&own); err != nil {
		return err
	}
	refuse := func(key, text string) error { return &drivers.OptionError{Input: i, Key: key, Text: text} }
	if own.Map == "" {
		return refuse("map", fmt.Sprintf("required: builtin:ID or a file; built-in are %v", Builtin()))
	}
	m := maps[own.Map]
	if m == nil {
		var err error
		if m, err = LoadMap(own.Map); err != nil {
			return refuse("map", err.Error())
		}
		maps[own.Map] = m
	}
	unit := m.Link.Unit
	if own.Unit != nil {
		unit = *own.Unit
	}
	if unit < 1 && (own.Unit == nil || line.IsSerial(in.Port)) || unit < 0 || unit > 255 {
		return refuse("unit", fmt.Sprintf("%d: the meter's Modbus address, 1..247, as its display or label says", unit))
	}
	if own.Field == "" {
		return refuse("field", fmt.Sprintf("required; map %s has %v", own.Map, m.names()))
	}
	f, err := m.resolve(own.Field)
	if err != nil {
		return refuse("field", err.Error())
	}
	if in.Kind != 0 && in.Kind != f.conv.Kind && f.conv.Kind != drivers.Other {
		return refuse("field", fmt.Sprintf("%s is in %s, which is not what channel %s is said to measure; change the channel's kind or the field",
			own.Field, f.conv.Unit, in.Channel))
	}
	u := d.unitFor(m, uint8(unit))
	u.inputs = append(u.inputs, i)
	u.fields = append(u.fields, f)
	d.convs = append(d.convs, f.conv)
	return nil
}

func (d *Dev) unitFor(m *Map, unit uint8) *meter {
	for _, u := range d.units {
		if u.regs == m && u.unit == unit {
			return u
		}
	}
	u := &meter{regs: m, unit: unit}
	d.units = append(d.units, u)
	return u
}
