package ltc2983

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/its90"
)

// Opts are the keys of the source.
type Opts struct {
	// Sensors of cold junctions, the same for every chip of the source.
	Sensors []Sensor `yaml:"sensors"`
	// OpenTestUA is the current of the open-circuit test in uA: 10 (default), 100, 500,
	// 1000; 0: no test.
	OpenTestUA         int `yaml:"open_test_ua"`
	drivers.StepOption `yaml:",inline"`
}

// InputOpts are the keys of one input.
type InputOpts struct {
	// Pin is the chip's input CH1 to CH20; a thermocouple's plus, or one of Sensors.
	Pin int `yaml:"pin"`
	// Cold is the pin of the thermocouple's junction sensor; required, except when the
	// source has just one.
	Cold int `yaml:"cold"`
	// SingleEnded: minus lies on the COM pin; otherwise on the pin below.
	SingleEnded        bool `yaml:"single_ended"`
	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "ltc2983",
	Info: drivers.Info{
		Summary: "LTC2983 converter with up to 20 inputs: thermocouples B E J K N R S T, and diodes or resistance thermometers as cold junctions",
		Bus:     "SPI mode 0, at most 2 MHz, with the mains notch of mains:, both 50 and 60 Hz without it; chip select of the port or a GPIO pin (select:); inputs of one chip name the same port and pin",
		Options: append([]drivers.Option{
			{Key: "sensors", Scope: "source", Unit: "list of maps", Default: "", Help: "the sensors of the cold junctions, each with pin (1 to 20), kind (diode pt10 pt50 pt100 pt200 pt500 pt1000 ni120) and accuracy_c (degC); a diode with ideality, and if need be current_ua, cycles (2 3), average, single_ended; another with current_ua (uA), sense_pin and sense_ohms (ohm), and if need be wires (2 3 4), shared, curve (european american japanese its-90)"},
			{Key: "open_test_ua", Scope: "source", Unit: "uA: 0 10 100 500 1000", Default: "10", Help: "current of the open-circuit test before each conversion; the input's filter must settle within 50 ms; 0: no test"},
			{Key: "pin", Scope: "input", Unit: "1 to 20", Default: "", Help: "the chip's input: a thermocouple's plus lead, or the pin of one of sensors, which then is a channel too"},
			{Key: "cold", Scope: "input", Unit: "1 to 20", Default: "the only sensor", Help: "pin of the sensor at the thermocouple's terminals"},
			{Key: "single_ended", Scope: "input", Unit: "true false", Default: "false", Help: "the minus lead is on COM; otherwise on the pin below"},
		}, drivers.StepOption{}.Options()...),
		Fastest:  longest,
		Detects:  []string{"no chip (zeros or ones)", "lost settings (brown-out)", "a start that the chip did not take, a reset in mid-conversion", "open circuit, with the open-circuit test", "probe or cold junction out of range, also where the chip only suspects it", "a result that is not marked valid", "steps faster than any copper mass"},
		Misses:   []string{"short between the two leads (reads the cold junction)", "reversed leads", "a single channel assignment that changed by itself (the chip may not give it back)", "a sense resistor or a diode with other figures than configured"},
		Accuracy: []string{"0.1 degC class for the probe side (" + sheet + ", p1)", "cold junction: the sensor's own accuracy, given as accuracy_c"},
		Caution:  "inputs must stay within the supply: insulate the junction.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		dev, err := New(ctx, host, src)
		if err != nil {
			return nil, err
		}
		return dev, nil
	},
}

const accuracyKey = "accuracy_c in the configuration"

// Dev is an open source of one or more chips.
type Dev struct {
	parts  []*part
	convs  []drivers.Converter
	closed atomic.Bool
}

var (
	_ drivers.Device = (*Dev)(nil)
	_ drivers.Prober = (*Dev)(nil)
)

// New checks src, opens its chips and configures those that answer.
func New(ctx context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{OpenTestUA: 10, StepOption: drivers.DefaultStep()}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	d := &Dev{convs: make([]drivers.Converter, len(src.Inputs))}
	at := map[string]*part{}
	for i, raw := range src.Inputs {
		where := strings.TrimSpace(bus.Canonical(raw.Port) + " " + strings.ToUpper(raw.Select))
		p := at[where]
		if p == nil {
			p = &part{host: host, place: where, global: notches[src.MainsHz]}
			at[where] = p
			d.parts = append(d.parts, p)
		}
		conv, err := o.attach(p, i, raw)
		if err != nil {
			return nil, err
		}
		d.convs[i] = conv
	}
	var need time.Duration
	for _, p := range d.parts {
		p.order()
		need += time.Duration(len(p.inputs)) * longest
	}
	if src.Every < need {
		return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v is shorter than the conversions of one reading, up to %v; read less often or spread the inputs over more chips", src.Every, need)}
	}
	for _, p := range d.parts {
		first := src.Inputs[p.first()]
		// The binding knows no clock bits, so mode 0; the clock is from memory.
		conn, err := host.SPI(bus.SPIOptions{Port: first.Port, Select: first.Select, Mode: spi.Mode0, Max: 2 * physic.MegaHertz, For: first.Channel})
		if err != nil {
			return nil, errors.Join(err, d.Close())
		}
		p.spi = conn
		_ = p.configure(ctx) // a chip that does not answer says so at every reading
	}
	return d, nil
}

// check refuses what the chip can't do.
func (o *Opts) check() error {
	refuse := func(key, format string, args ...any) error {
		return &drivers.OptionError{Input: -1, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	if _, ok := openTests[o.OpenTestUA]; !ok {
		return refuse("open_test_ua", "%d: must be 0, 10, 100, 500 or 1000", o.OpenTestUA)
	}
	owner := map[int]string{}
	ohms := map[int]float64{}
	for i := range o.Sensors {
		s := &o.Sensors[i]
		s.fill()
		if text := s.check(); text != "" {
			return refuse("sensors", "number %d: %s", i+1, text)
		}
		if who := owner[s.Pin]; who != "" {
			return refuse("sensors", "number %d: pin %d is taken by %s", i+1, s.Pin, who)
		}
		owner[s.Pin] = fmt.Sprintf("number %d", i+1)
		if s.SensePin == 0 {
			continue
		}
		if have, ok := ohms[s.SensePin]; ok && (have != s.SenseOhms || !s.Shared) {
			return refuse("sensors", "number %d: the sense resistor at pin %d serves another sensor too: give both shared: true and the same sense_ohms", i+1, s.SensePin)
		}
		ohms[s.SensePin] = s.SenseOhms
	}
	for pin := range ohms {
		if who := owner[pin]; who != "" {
			return refuse("sensors", "%s: pin %d is that of a sense resistor", who, pin)
		}
	}
	return nil
}

func (o *Opts) sensor(pin int) *Sensor {
	for i := range o.Sensors {
		if o.Sensors[i].Pin == pin {
			return &o.Sensors[i]
		}
	}
	return nil
}

// attach puts an input on its chip, with the sensor it needs.
func (o *Opts) attach(p *part, i int, raw drivers.Input) (drivers.Converter, error) {
	own := InputOpts{StepOption: o.StepOption}
	if err := raw.Options.Decode(&own); err != nil {
		return drivers.Converter{}, err
	}
	refuse := func(key, format string, args ...any) (drivers.Converter, error) {
		return drivers.Converter{}, &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	if own.Pin < 1 || own.Pin > pins {
		return refuse("pin", "%d: must be 1 to %d", own.Pin, pins)
	}
	if raw.Kind != 0 && raw.Kind != drivers.Temperature {
		return refuse("channel", "the part measures temperature; give the channel that kind or none")
	}
	steps, err := own.Steps(i)
	if err != nil {
		return drivers.Converter{}, err
	}
	s := o.sensor(own.Pin)
	if raw.Couple == "" {
		if s == nil {
			return refuse("couple", "missing: give the channel's thermocouple letter, or the pin of one of sensors")
		}
		in := p.use(s)
		if in.index >= 0 {
			return refuse("pin", "%d: channel %s has it already", own.Pin, in.channel)
		}
		in.index, in.channel, in.steps = i, raw.Channel, steps
		return in.converter(drivers.Line{Name: "sensor", Half: s.AccuracyC, In: drivers.OnValue, SharedBy: "converter", Source: accuracyKey}), nil
	}
	if s != nil {
		return refuse("couple", "%s: pin %d is that of a sensor (%s), which has no thermocouple letter: give none", raw.Couple, own.Pin, s.Kind)
	}
	couple, err := its90.ParseType(raw.Couple)
	if err != nil {
		return refuse("couple", "%v", err)
	}
	code, ok := couples[couple]
	if !ok {
		return refuse("couple", "the chip has no table for type %v (it has B E J K N R S T)", couple)
	}
	if own.Cold == 0 && len(o.Sensors) == 1 {
		own.Cold = o.Sensors[0].Pin
	}
	cold := o.sensor(own.Cold)
	if cold == nil && len(o.Sensors) == 0 {
		return drivers.Converter{}, &drivers.OptionError{Input: -1, Key: "sensors", Text: "missing: give the source the sensor at the thermocouples' terminals, for instance [{pin: 20, kind: diode, ideality: 1.003, accuracy_c: 1}]; the chip has none of its own"}
	}
	if cold == nil {
		return refuse("cold", "pin %d is none of sensors: name the sensor at the thermocouple's terminals", own.Cold)
	}
	if text := o.taken(p, own); text != "" {
		return refuse("pin", "%s", text)
	}
	in := &input{index: i, channel: raw.Channel, pin: own.Pin, thermocouple: true, cold: p.use(cold), time: twoCycles, steps: steps}
	if cold.slow() || o.OpenTestUA != 0 {
		in.time = threeCycles
	}
	in.minC, in.maxC = couple.InvertibleRange()
	p.words[own.Pin] = thermocoupleWord(code, own.Cold, o.OpenTestUA, own.SingleEnded)
	p.inputs = append(p.inputs, in)
	return in.converter(drivers.Line{Name: "cold junction's sensor", Half: cold.AccuracyC, In: drivers.OnCold, SharedBy: "converter", Source: accuracyKey}), nil
}

// taken says who has the pins of a thermocouple already; empty: nobody.
func (o *Opts) taken(p *part, own InputOpts) string {
	if own.Pin == 1 && !own.SingleEnded {
		return "1: has no pin below it for the minus lead; use 2 to 20, or single_ended: true"
	}
	for _, pin := range []int{own.Pin, own.Pin - 1} {
		if pin == own.Pin-1 && own.SingleEnded {
			break
		}
		if o.sensor(pin) != nil {
			return fmt.Sprintf("%d: pin %d is that of a sensor", own.Pin, pin)
		}
		if slices.ContainsFunc(o.Sensors, func(s Sensor) bool { return s.SensePin == pin }) {
			return fmt.Sprintf("%d: pin %d is that of a sense resistor", own.Pin, pin)
		}
		for _, in := range p.inputs {
			if in.pin == pin {
				return fmt.Sprintf("%d: pin %d is that of channel %s", own.Pin, pin, in.channel)
			}
			if in.thermocouple && p.words[in.pin]>>21&1 == 0 && in.pin-1 == own.Pin {
				return fmt.Sprintf("%d: it is the minus of channel %s", own.Pin, in.channel)
			}
		}
	}
	return ""
}

// use makes the sensor one of the chip's, once.
func (p *part) use(s *Sensor) *input {
	for _, in := range p.inputs {
		if in.pin == s.Pin {
			return in
		}
	}
	in := &input{index: -1, pin: s.Pin, time: twoCycles}
	if s.slow() {
		in.time = threeCycles
	}
	in.minC, in.maxC = s.limits()
	p.words[s.Pin] = s.word()
	if s.SensePin != 0 {
		p.words[s.SensePin] = senseWord(s.SenseOhms)
	}
	p.inputs = append(p.inputs, in)
	return in
}

// order puts the sensors before the thermocouples.
func (p *part) order() {
	slices.SortStableFunc(p.inputs, func(a, b *input) int {
		switch {
		case a.thermocouple == b.thermocouple:
			return 0
		case b.thermocouple:
			return -1
		}
		return 1
	})
}

// first is the index of the chip's first channel.
func (p *part) first() int {
	first := -1
	for _, in := range p.inputs {
		if in.index >= 0 && (first < 0 || in.index < first) {
			first = in.index
		}
	}
	return first
}

// converter explains the codes of an input; sensor is the line of the configured one.
func (in *input) converter(sensor drivers.Line) drivers.Converter {
	c := drivers.Converter{
		Model: "LTC2983", Law: drivers.LawLinear, Kind: drivers.Temperature, Unit: "degC", PerCode: codeC, Conversion: in.time,
		Lines: []drivers.Line{
			{Name: "converter, its class", Half: 0.1, In: drivers.OnValue, SharedBy: "converter", Source: sheet + ", p1"},
			sensor,
			{Name: "step of the code", Half: codeC / 2, In: drivers.OnValue, Source: kernel},
		},
	}
	if in.thermocouple {
		c.Law, c.ColdPerCode = drivers.LawLinearised, codeC
	}
	return c
}

// Converters implements drivers.Device.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Read implements drivers.Device: each chip in turn, junctions first.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	if d.closed.Load() {
		return drivers.FailAll(out, fmt.Errorf("ltc2983: %w", bus.ErrClosed))
	}
	if err := ctx.Err(); err != nil {
		return drivers.FailAll(out, fmt.Errorf("ltc2983: %w", err))
	}
	for _, p := range d.parts {
		if err := p.round(ctx, out); drivers.EndsRead(err) {
			return drivers.FailAll(out, err)
		}
	}
	return nil
}

// Probe implements drivers.Prober.
func (d *Dev) Probe(ctx context.Context) ([]string, error) {
	var lines []string
	for _, p := range d.parts {
		f, err := p.ready(ctx)
		if err != nil {
			return lines, fmt.Errorf("%s: %w", p.place, err)
		}
		if f.faults != 0 {
			return lines, fmt.Errorf("%s: %v: %w", p.place, f.faults, f.cause)
		}
		lines = append(lines, fmt.Sprintf("chip at %s: idle, settings %02X", p.place, p.global))
		for _, in := range p.inputs {
			r, f, err := p.convert(ctx, in)
			if err != nil {
				return lines, fmt.Errorf("pin %d at %s: %w", in.pin, p.place, err)
			}
			if f.faults != 0 {
				lines = append(lines, fmt.Sprintf("pin %d at %s: %v: %v", in.pin, p.place, f.faults, f.cause))
				continue
			}
			lines = append(lines, fmt.Sprintf("pin %d at %s: assignment %08X, result %08X, %.3f degC", in.pin, p.place, p.words[in.pin], uint32(r), float64(r.code())*codeC))
		}
	}
	return lines, nil
}

// Close implements drivers.Device. The chips idle between readings.
func (d *Dev) Close() error {
	d.closed.Store(true)
	var errs []error
	for _, p := range d.parts {
		if p.spi != nil {
			errs = append(errs, p.spi.Close())
		}
	}
	return errors.Join(errs...)
}
