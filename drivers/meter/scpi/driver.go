package scpi

import (
	"context"
	"fmt"
	"math"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
	"soakrig/drivers/bus/scpi"
)

// Driver reads SCPI instruments.
var Driver = drivers.Driver{
	Name: "scpi",
	Info: drivers.Info{
		Summary: "power analyser or multimeter that answers SCPI queries",
		Bus:     "TCP, usually port 5025, or a serial line",
		Options: []drivers.Option{
			{Key: "query", Scope: "input", Unit: "SCPI query", Help: "for instance FETC:POW?; inputs with the same query share an answer"},
			{Key: "item", Scope: "input", Unit: "1, 2, ...", Default: "1", Help: "which value of an answer with commas"},
			{Key: "items", Scope: "input", Unit: "1, 2, ...", Default: "any", Help: "how many values the answer must have"},
			{Key: "unit", Scope: "input", Unit: "W, kW, Wh, V, A, Hz, ...", Help: "what the instrument counts this value in"},
			{Key: "scale", Scope: "input", Unit: "factor", Default: "1", Help: "for instance the ratio of a current clamp; negative if it is the wrong way round"},
			{Key: "range", Scope: "input", Unit: "[lowest, highest]", Default: "any", Help: "in unit; what lies outside is a fault; required for power"},
			{Key: "identity", Scope: "source", Unit: "text", Default: "any", Help: "part of the answer to *IDN? that check compares"},
			{Key: "end", Scope: "source", Unit: "lf, crlf", Default: "lf", Help: "what ends a query"},
			{Key: "timeout", Scope: "source", Unit: "duration", Default: "2s", Help: "for one query; a new measurement can take long"},
			{Key: "baud", Scope: "source", Unit: "bit/s", Default: "9600", Help: "speed of a serial line"},
			{Key: "parity", Scope: "source", Unit: "N, E, O", Default: "N", Help: "of a serial line"},
			{Key: "data_bits", Scope: "source", Unit: "7, 8", Default: "8", Help: "of a serial line"},
			{Key: "stop_bits", Scope: "source", Unit: "1, 2", Default: "1", Help: "of a serial line"},
		},
		Detects:  []string{"silence, cut, late and doubled answers", "9.9E37, 9.91E37, NAN and INF", "values outside the range"},
		Misses:   []string{"a display that stands still: equal answers twice are normal", "a query that asks for another quantity than unit says"},
		Accuracy: []string{"of the instrument's range in use: give the channel an accuracy from its data sheet"},
		Caution:  "Analysers in mains circuits are connected by competent persons only, inside their measurement category. soakd only asks the instrument and protects nobody.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		return New(ctx, host, src)
	},
}

// Opts are the driver's options on a source.
type Opts struct {
	Identity string        `yaml:"identity"`
	End      string        `yaml:"end"`
	Timeout  time.Duration `yaml:"timeout"`
	Baud     int           `yaml:"baud"`
	Parity   string        `yaml:"parity"`
	DataBits int           `yaml:"data_bits"`
	StopBits int           `yaml:"stop_bits"`
}

// InputOpts are the driver's options on an input.
type InputOpts struct {
	Query string    `yaml:"query"`
	Item  int       `yaml:"item"`
	Items int       `yaml:"items"`
	Unit  *string   `yaml:"unit"`
	Scale float64   `yaml:"scale"`
	Range []float64 `yaml:"range"`
}

// servicePort is where most instruments listen.
const servicePort = 5025

func refuse(i int, key, format string, args ...any) error {
	return &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
}

// New checks the options and returns the device; the first Read connects.
func New(_ context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Timeout: 2 * time.Second, Baud: 9600, End: "lf"}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	ends := map[string]string{"lf": "\n", "crlf": "\r\n"}
	switch {
	case ends[o.End] == "":
		return nil, refuse(-1, "end", "%q: use lf or crlf", o.End)
	case o.Timeout <= 0 || o.Timeout > time.Minute:
		return nil, refuse(-1, "timeout", "%v: use something up to 1m", o.Timeout)
	case o.Baud <= 0:
		return nil, refuse(-1, "baud", "%d: use the speed set on the instrument, for instance 9600", o.Baud)
	case o.Parity != "" && o.Parity != "N" && o.Parity != "E" && o.Parity != "O":
		return nil, refuse(-1, "parity", "%q: use N, E or O", o.Parity)
	case o.DataBits != 0 && o.DataBits != 7 && o.DataBits != 8:
		return nil, refuse(-1, "data_bits", "%d: use 7 or 8", o.DataBits)
	case o.StopBits < 0 || o.StopBits > 2:
		return nil, refuse(-1, "stop_bits", "%d: use 1 or 2", o.StopBits)
	}
	d := &Dev{now: host.Now, identity: o.Identity}
	port := src.Port
	for i, in := range src.Inputs {
		if in.Port != "" {
			port = in.Port
		}
		if i > 0 && port != src.Inputs[0].Port {
			return nil, refuse(i, "port", "the inputs of one source share one instrument; make a second source")
		}
		if err := d.add(i, in); err != nil {
			return nil, err
		}
	}
	mode := bus.SerialMode{Baud: o.Baud, Parity: o.Parity, DataBits: o.DataBits, StopBits: o.StopBits}
	stream, err := line.Open(host, port, mode, servicePort, o.Timeout)
	if err != nil {
		return nil, refuse(-1, "port", "%v", err)
	}
	// Over the network every source has a connection of its own.
	use := bus.LineUse{Source: src.Name, Protocol: "SCPI", Together: !line.IsSerial(port)}
	if err := stream.Reserve(host, use); err != nil {
		return nil, refuse(-1, "port", "%v", err)
	}
	d.port = port
	d.client = scpi.New(port, stream, scpi.Options{Timeout: o.Timeout, End: ends[o.End], Serial: line.IsSerial(port)})
	return d, nil
}

// add settles one input.
func (d *Dev) add(i int, in drivers.Input) error {
	o := InputOpts{Item: 1, Scale: 1}
	if err := in.Options.Decode(&o); err != nil {
		return err
	}
	if o.Query == "" {
		return refuse(i, "query", "required, for instance FETC:POW? (see the instrument's programming guide)")
	}
	if err := scpi.CheckQuery(o.Query); err != nil {
		return refuse(i, "query", "%v", err)
	}
	if o.Unit == nil {
		return refuse(i, "unit", "required: what the instrument counts this value in, for instance W")
	}
	q := drivers.QuantityOf(*o.Unit)
	v := value{item: o.Item, items: o.Items, unit: q.Unit, said: *o.Unit}
	v.lo, v.hi = possible(q.Kind)
	switch {
	case o.Items < 0 || o.Items > 1000 || o.Items > 0 && o.Items < o.Item:
		return refuse(i, "items", "%d: how many values the answer has, at least item %d", o.Items, o.Item)
	case o.Item < 1 || o.Item > 1000:
		return refuse(i, "item", "%d: the values of an answer count from 1", o.Item)
	case o.Scale == 0 || math.IsNaN(o.Scale) || math.IsInf(o.Scale, 0):
		return refuse(i, "scale", "%v: a number that is not 0", o.Scale)
	case len(o.Range) == 2 && o.Range[0] < o.Range[1]:
		v.lo, v.hi = o.Range[0]*q.Factor, o.Range[1]*q.Factor
	case len(o.Range) != 0:
		return refuse(i, "range", "%v: the lowest and the highest possible value", o.Range)
	case q.Kind == drivers.Power:
		return refuse(i, "range", "required for power, so that a wrong item or unit shows: [lowest, highest] in %s", *o.Unit)
	case in.Kind != 0 && q.Kind != drivers.Other && in.Kind != q.Kind:
		return refuse(i, "unit", "%s is not what channel %s is said to measure; change the channel's kind or the query", *o.Unit, in.Channel)
	}
	v.perCode = o.Scale * q.Factor
	d.place(i, o.Query, v)
	d.convs = append(d.convs, drivers.Converter{
		Model: "SCPI instrument", Law: drivers.LawFloat64, Kind: q.Kind, Unit: q.Unit, PerCode: v.perCode,
		Lines: []drivers.Line{{Name: "accuracy", In: drivers.OnValue, SharedBy: "converter", Source: "not known: the instrument's data sheet says it for the range in use"}},
	})
	return nil
}

// possible is the range of a quantity for which none is given: beyond it nothing is
// measured on a bench, and instruments have signs for "no value" of their own there.
func possible(k drivers.Kind) (lo, hi float64) {
	switch k {
	case drivers.Voltage, drivers.Current:
		return -1e6, 1e6
	case drivers.Frequency:
		return 0, 1e9
	case drivers.Energy:
		return -1e18, 1e18
	}
	return math.Inf(-1), math.Inf(1)
}

// place files an input under its query.
func (d *Dev) place(i int, query string, v value) {
	v.input = i
	for k := range d.queries {
		if d.queries[k].text == query {
			d.queries[k].values = append(d.queries[k].values, v)
			return
		}
	}
	d.queries = append(d.queries, question{text: query, values: []value{v}})
}
