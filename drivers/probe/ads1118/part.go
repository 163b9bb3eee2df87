package ads1118

import (
	"context"
	"errors"
	"fmt"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/its90"
)

// Configuration register, data sheet SBAS457F, table 7.
const (
	sheet     = "ADS1118 data sheet SBAS457F"
	start     = 1 << 15 // single shot; reads 0
	singleRun = 1 << 8
	sensor    = 1 << 4 // the chip's own temperature instead of the input
	pullUp    = 1 << 3
	validNOP  = 1 << 1 // bits 2:1 = 01, otherwise the word is not taken
	alwaysOne = 1
	powerOn   = 0x058B
	coldPer   = 0.03125 // degC per code of the 14-bit temperature
	coldMinC  = -40.0
	coldMaxC  = 125.0
	railHigh  = 0x7FFF
	railLow   = -0x8000
	// The chip's clock may be 10 % slow, p6.
	slack = 1.1
)

// rates in samples per second by the code in bits 7:5.
var rates = [...]int{8, 16, 32, 64, 128, 250, 475, 860}

// ranges in mV by the code in bits 11:9.
var ranges = [...]struct {
	mV   int
	code uint16
}{{256, 5}, {512, 4}, {1024, 3}, {2048, 2}, {4096, 1}, {6144, 0}}

// pairs by the code in bits 14:12.
var pairs = map[string]uint16{"0-1": 0, "0-3": 1, "1-3": 2, "2-3": 3}

// lsb is what one code of the input is worth, in volts.
func lsb(rangeMV int) float64 { return float64(rangeMV) * 1e-3 / (1 << 15) }

// readBack is what the chip shows for a configuration that was written.
func readBack(cfg uint16) uint16 { return cfg&^start | alwaysOne }

// word is what a transfer of 32 bits brings: a conversion and the configuration.
type word struct {
	data int16
	cfg  uint16
}

func (w word) cold() int64 { return int64(w.data >> 2) }

var (
	errLow  = errors.New("32 zero bits: no chip, no supply, or the data line is held low")
	errHigh = errors.New("32 one bits: no chip, or the data line is held high")
)

// presence judges a word against the configuration that the conversion had.
func (w word) presence(cfg uint16) (drivers.Faults, error) {
	want := readBack(cfg)
	switch {
	case w.data == 0 && w.cfg == 0:
		return drivers.NoChip, errLow
	case w.data == -1 && w.cfg == 0xFFFF:
		return drivers.NoChip, errHigh
	case w.cfg == want:
		return 0, nil
	case w.cfg == powerOn:
		return drivers.ConfigLost, fmt.Errorf("configuration reads 058Bh, the power-on value: the supply was away between start and end of the conversion")
	case w.cfg&alwaysOne == 0:
		return drivers.Corrupt, fmt.Errorf("configuration reads %04Xh: bit 0 must be one: shifted or disturbed transfer", w.cfg)
	}
	return drivers.ConfigLost, fmt.Errorf("configuration reads %04Xh, want %04Xh", w.cfg, want)
}

// input is one pair of a part.
type input struct {
	index   int // in Source.Inputs
	channel string
	couple  its90.Type
	cfg     uint16
	lsb     float64
	offset  float64 // volts, added
	biased  bool
	steps   drivers.Steps
}

// part is one chip with the inputs it serves. Its fields belong to the goroutine
// that reads.
type part struct {
	host    *bus.Host
	place   string
	spi     bus.SPI
	rate    int
	coldCfg uint16
	inputs  []*input
	w, r    [4]byte
}

// conversion is the longest time of one.
func conversion(rate int) time.Duration {
	return time.Duration(slack * float64(time.Second) / float64(rate))
}

// transfer sends a configuration word (or zero, which the chip does not take) and
// returns the last conversion with the configuration that stands.
func (p *part) transfer(ctx context.Context, cfg uint16) (word, error) {
	p.w = [4]byte{byte(cfg >> 8), byte(cfg)}
	if err := p.spi.Tx(ctx, p.w[:], p.r[:]); err != nil {
		return word{}, err
	}
	return word{int16(uint16(p.r[0])<<8 | uint16(p.r[1])), uint16(p.r[2])<<8 | uint16(p.r[3])}, nil
}

// convert starts one conversion, waits for its longest time and fetches it, with
// the configuration it was made with. Thus a word never belongs to another input.
func (p *part) convert(ctx context.Context, cfg uint16) (word, error) {
	if _, err := p.transfer(ctx, cfg|start); err != nil {
		return word{}, err
	}
	if err := p.host.Wait(ctx, conversion(p.rate)); err != nil {
		return word{}, err
	}
	return p.transfer(ctx, 0)
}

// read measures the cold junction, then each input.
func (p *part) read(ctx context.Context, out []drivers.Reading) error {
	cold, err := p.convert(ctx, p.coldCfg)
	if err != nil {
		return p.failAll(out, drivers.TransferFaults(err), fmt.Errorf("%s: cold junction: %w", p.place, err))
	}
	coldAt := p.host.Now()
	if f, cause := cold.presence(p.coldCfg); f != 0 {
		_ = p.failAll(out, f, fmt.Errorf("%s: cold junction: %w", p.place, cause)) // a finding, no failed transfer
		return nil
	}
	for _, in := range p.inputs {
		r := &out[in.index]
		*r = drivers.Reading{}
		w, err := p.convert(ctx, in.cfg)
		if err != nil {
			err = fmt.Errorf("channel %s at %s: %w", in.channel, p.place, err)
			r.Fail(drivers.TransferFaults(err), err)
			if drivers.EndsRead(err) {
				return err
			}
			continue
		}
		in.judge(w, cold, r, coldAt)
	}
	now := p.host.Now()
	for k, in := range p.inputs { // conversions came one after the other, the last just now
		if r := &out[in.index]; r.Has&drivers.HasCode != 0 {
			r.Age = max(0, now.Sub(coldAt))*time.Duration(len(p.inputs)-1-k)/time.Duration(len(p.inputs)) + conversion(p.rate)/2
		}
	}
	return nil
}

func (p *part) failAll(out []drivers.Reading, f drivers.Faults, cause error) error {
	for _, in := range p.inputs {
		out[in.index] = drivers.Reading{}
		out[in.index].Fail(f, cause)
	}
	return cause
}

// judge looks at one input's word with the cold junction of the same round.
func (in *input) judge(w, cold word, r *drivers.Reading, at time.Time) {
	if f, cause := w.presence(in.cfg); f != 0 {
		r.Fail(f, fmt.Errorf("channel %s: %w", in.channel, cause))
		return
	}
	r.Set(int64(w.data), 0)
	r.SetCold(cold.cold())
	coldC := float64(r.Cold) * coldPer
	if coldC < coldMinC || coldC > coldMaxC {
		r.Fail(drivers.ColdJunction, fmt.Errorf("channel %s: cold junction %.3f degC: outside the part's %g to %g degC", in.channel, coldC, coldMinC, coldMaxC))
	}
	if w.data == railHigh || w.data == railLow {
		f, text := drivers.OutOfRange, "the input is at the end of its range"
		if in.biased {
			f, text = drivers.Open, "the bias resistors pull the input to the end of its range: open circuit"
		}
		r.Fail(f, fmt.Errorf("channel %s: code %d: %s", in.channel, w.data, text))
	}
	if r.Faults != 0 {
		return
	}
	e, err := in.couple.EMFVolts(coldC)
	var probeC float64
	if err == nil {
		probeC, err = in.couple.TempC(e + float64(w.data)*in.lsb + in.offset)
	}
	if err != nil {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: %.1f uV with the cold junction at %.2f degC: %w", in.channel, float64(w.data)*in.lsb*1e6, coldC, err))
		return
	}
	if cause := in.steps.Check(probeC, at); cause != nil {
		r.Fail(drivers.Implausible, fmt.Errorf("channel %s: %w", in.channel, cause))
	}
}
