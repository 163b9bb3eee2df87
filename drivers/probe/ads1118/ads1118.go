// Package ads1118 reads thermocouples through ADS1118 converters over SPI. One
// chip has two differential inputs and a temperature sensor, which is the cold
// junction. The driver hands out the EMF's code and the sensor's; soakd linearises.
//
// A result belongs to the setting it was started with, and the chip does not say
// which that was: the driver starts one conversion at a time, waits for the longest
// time it can take, and fetches it in a transfer that starts nothing and shows the
// setting. The chip's offset, up to 3 K of type K, must be calibrated by the host,
// input by input: short the input's leads, and give what soakd check reads as offset_uv.
package ads1118

import (
	"context"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/probe/internal/ads111x"
)

// Opts are the keys of the source.
type Opts struct {
	// Rate in samples per second: 8 16 32 64 128 250 475 860. Default 64.
	Rate int `yaml:"rate"`
	// RangeMV is the input's full scale: 256 (default), 512, 1024, 2048, 4096 or 6144.
	RangeMV            int `yaml:"range_mv"`
	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "ads1118",
	Info: drivers.Info{
		Summary: "ADS1118 converter with thermocouples on its differential inputs, all types; its own sensor is the cold junction",
		Bus:     "SPI mode 1, at most 4 MHz; chip select of the port or a GPIO pin (select:); inputs of one chip name the same port and pin",
		Options: append(append([]drivers.Option{
			{Key: "rate", Scope: "source", Unit: "per second: 8 16 32 64 128 250 475 860", Default: "64", Help: "each reading takes one conversion for the cold junction and one per input"},
			{Key: "range_mv", Scope: "source", Unit: "mV: 256 512 1024 2048 4096 6144", Default: "256", Help: "full scale of the inputs"},
		}, ads111x.InputOpts{}.Options()...), drivers.StepOption{}.Options()...),
		Fastest:  3 * time.Millisecond,
		Detects:  []string{"no chip (zeros or ones)", "shifted or disturbed transfer (fixed bits)", "lost configuration", "an open circuit, with bias resistors", "EMF or cold junction out of range", "steps faster than any copper mass"},
		Misses:   []string{"an open circuit without bias resistors", "shorts of any kind (a shorted input reads the cold junction)", "reversed leads", "the offset of an input that was not calibrated"},
		Accuracy: []string{"gain +-0.15 %; offset +-2 LSB at +-2.048 V, 125 uV, 3 K of type K, before calibration (" + sheet + ", p5)", "cold junction +-0.5 degC at 0 to 70 degC, +-1 at -40 to 125 degC (p5)", "noise 7.8 uV rms at +-0.256 V up to 64 per second (table 1)"},
		Caution:  "pins must stay within 0.3 V of ground and supply: insulate the junction. The rate is 10 % uncertain, so its notch is no mains filter.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		dev, err := New(host, src)
		if err != nil {
			return nil, err
		}
		return dev, nil
	},
}

// Dev is an open source of one or more chips.
type Dev = ads111x.Dev

// New checks src and opens its chips. It does not talk to them.
func New(host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Rate: 64, RangeMV: 256, StepOption: drivers.DefaultStep()}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	base, err := o.check()
	if err != nil {
		return nil, err
	}
	var chips []*ads111x.Chip
	var convs []drivers.Converter
	at := map[string]*ads111x.Chip{}
	for i, raw := range src.Inputs {
		own := ads111x.InputOpts{Pair: "0-1", StepOption: o.StepOption}
		if err := raw.Options.Decode(&own); err != nil {
			return nil, err
		}
		in, err := ads111x.NewInput(i, raw, own, base, ads111x.LSB(o.RangeMV))
		if err != nil {
			return nil, err
		}
		where := strings.TrimSpace(bus.Canonical(raw.Port) + " " + strings.ToUpper(raw.Select))
		c := at[where]
		if c == nil {
			c = &ads111x.Chip{Host: host, Rate: o.Rate, ColdCfg: base&^(7<<9) | 5<<9 | sensor}
			at[where] = c
			chips = append(chips, c)
		}
		if err := c.Add(in, where); err != nil {
			return nil, err
		}
		convs = append(convs, o.converter(own))
	}
	return ads111x.Open("ads1118", src, chips, convs, time.Millisecond, func(c *ads111x.Chip) (ads111x.Bus, error) {
		first := src.Inputs[c.Inputs[0].Index]
		conn, err := host.SPI(bus.SPIOptions{Port: first.Port, Select: first.Select, Mode: spi.Mode1, Max: 4 * physic.MegaHertz, For: first.Channel})
		if err != nil {
			return nil, err
		}
		return &part{host: host, spi: conn, rate: o.Rate}, nil
	})
}

// check refuses what the chip can't do and returns the bits common to all words.
func (o Opts) check() (base uint16, err error) {
	rate, ok := ads111x.RateBits(o.Rate)
	if !ok {
		return 0, &drivers.OptionError{Input: -1, Key: "rate", Text: fmt.Sprintf("%d: must be %s", o.Rate, ads111x.RateWords)}
	}
	scale, ok := ads111x.RangeBits(o.RangeMV)
	if !ok {
		return 0, &drivers.OptionError{Input: -1, Key: "range_mv", Text: fmt.Sprintf("%d: must be 256, 512, 1024, 2048, 4096 or 6144", o.RangeMV)}
	}
	return ads111x.SingleRun | pullUp | validNOP | alwaysOne | rate | scale, nil
}

func (o Opts) converter(own ads111x.InputOpts) drivers.Converter {
	step := ads111x.LSB(o.RangeMV)
	c := drivers.Converter{
		Model: "ADS1118", Law: drivers.LawEMF, Kind: drivers.Temperature, Unit: "degC",
		PerCode: step, ColdPerCode: coldPer, Conversion: ads111x.Conversion(o.Rate),
		Lines: []drivers.Line{
			{Name: "converter gain", Rel: 0.0015, In: drivers.OnEMF, SharedBy: "converter", Source: sheet + ", p5"},
			{Name: "cold junction, 0 to 70 degC", Half: 0.5, In: drivers.OnCold, SharedBy: "converter", Source: sheet + ", p5"},
			{Name: "step of the code", Half: step / 2, In: drivers.OnEMF, Source: sheet + ", table 3"},
			{Name: "noise up to 64 per second", Half: 7.81e-6, Sigma: 1, In: drivers.OnEMF, Source: sheet + ", table 1"},
		},
	}
	own.Budget(&c, 125e-6, sheet+", p5, +-2 LSB at +-2.048 V")
	return c
}
