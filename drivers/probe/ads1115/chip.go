package ads1115

import (
	"context"
	"errors"
	"fmt"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/its90"
)

// Registers and configuration bits, data sheet SBAS444D, section 9.6.
const (
	sheet     = "ADS1115 data sheet SBAS444D"
	regData   = 0x00
	regConfig = 0x01
	ready     = 1 << 15 // OS: written, starts a conversion; read, 0 while it runs
	singleRun = 1 << 8
	noCompare = 3 // comparator off
	powerOn   = 0x8583
	railHigh  = 0x7FFF
	railLow   = -0x8000
	slack     = 1.1 // the chip's clock may be 10 % slow
)

// rates in samples per second by the code in bits 7:5.
var rates = [...]int{8, 16, 32, 64, 128, 250, 475, 860}

// Multiplexer codes, bits 14:12.
var (
	pairs   = map[string]uint16{"0-1": 0, "0-3": 1, "1-3": 2, "2-3": 3}
	singles = [...]uint16{4, 5, 6, 7} // pin 0 to 3 against ground
)

// Gains of the two kinds of input, bits 11:9.
const (
	coupleGain   = 5 << 9 // +-0.256 V
	couplePer    = 0.256 / (1 << 15)
	junctionGain = 2 << 9 // +-2.048 V
	junctionPer  = 2.048 / (1 << 15)
)

// Range of a cold junction that makes sense.
const coldMinC, coldMaxC = -40.0, 125.0

func conversion(rate int) time.Duration {
	return time.Duration(slack * float64(time.Second) / float64(rate))
}

// input is one thermocouple of a chip.
type input struct {
	index   int
	channel string
	couple  its90.Type
	cfg     uint16
	offset  float64 // volts, added
	biased  bool
	steps   drivers.Steps
}

// part is one chip. Its fields belong to the goroutine that reads.
type part struct {
	host     *bus.Host
	address  uint16
	conn     bus.I2C
	rate     int
	coldCfg  uint16
	coldZero int64   // code of the junction sensor at 0 degC
	coldPer  float64 // degC per code
	inputs   []*input
	w        [3]byte
	r        [2]byte
}

func (p *part) read16(ctx context.Context, reg byte) (uint16, error) {
	p.w[0], p.r = reg, [2]byte{}
	if err := p.conn.Tx(ctx, p.w[:1], p.r[:]); err != nil {
		return 0, fmt.Errorf("register %02Xh: %w", reg, err)
	}
	return uint16(p.r[0])<<8 | uint16(p.r[1]), nil
}

// finding is what is wrong although the transfers worked.
type finding struct {
	faults drivers.Faults
	cause  error
}

// convert starts one conversion, waits for its longest time, checks that the chip
// says it is done with this very setting, and fetches it.
func (p *part) convert(ctx context.Context, cfg uint16) (int16, finding, error) {
	p.w = [3]byte{regConfig, byte((cfg | ready) >> 8), byte(cfg)}
	if err := p.conn.Tx(ctx, p.w[:], nil); err != nil {
		return 0, finding{}, fmt.Errorf("start a conversion: %w", err)
	}
	if err := p.host.Wait(ctx, conversion(p.rate)); err != nil {
		return 0, finding{}, err
	}
	got, err := p.read16(ctx, regConfig)
	if err != nil {
		return 0, finding{}, err
	}
	data, err := p.read16(ctx, regData)
	if err != nil {
		return 0, finding{}, err
	}
	return int16(data), judge(got, data, cfg), nil
}

// judge compares the configuration after a conversion with the one written.
func judge(got, data, cfg uint16) finding {
	switch {
	case got == 0xFFFF && data == 0xFFFF:
		return finding{drivers.NoChip, errors.New("32 one bits: the data line is held high")}
	case got == 0 && data == 0:
		return finding{drivers.NoChip, errors.New("32 zero bits: the data line is held low")}
	case got == powerOn:
		return finding{drivers.ConfigLost, errors.New("configuration reads 8583h, the power-on value: the supply was away during the conversion")}
	case got&^ready != cfg:
		return finding{drivers.ConfigLost, fmt.Errorf("configuration reads %04Xh, want %04Xh", got, cfg|ready)}
	case got&ready == 0:
		return finding{drivers.Stale, errors.New("the conversion had not ended in its longest time; the register holds the one before, perhaps of another input")}
	}
	return finding{}
}

// read measures the cold junction, then each thermocouple.
func (p *part) read(ctx context.Context, out []drivers.Reading) error {
	raw, found, err := p.convert(ctx, p.coldCfg)
	coldAt := p.host.Now()
	if err != nil {
		return p.failAll(out, drivers.TransferFaults(err), fmt.Errorf("%s: cold junction: %w", p.conn, err))
	}
	if found.faults != 0 {
		_ = p.failAll(out, found.faults, fmt.Errorf("%s: cold junction: %w", p.conn, found.cause)) // a finding, no failed transfer
		return nil
	}
	cold := int64(raw) - p.coldZero
	for _, in := range p.inputs {
		r := &out[in.index]
		*r = drivers.Reading{}
		data, found, err := p.convert(ctx, in.cfg)
		if err != nil {
			err = fmt.Errorf("channel %s at %s: %w", in.channel, p.conn, err)
			r.Fail(drivers.TransferFaults(err), err)
			if drivers.EndsRead(err) {
				return err
			}
			continue
		}
		if found.faults != 0 {
			r.Fail(found.faults, fmt.Errorf("channel %s at %s: %w", in.channel, p.conn, found.cause))
			continue
		}
		r.Set(int64(data), 0)
		r.SetCold(cold)
		in.judge(r, float64(cold)*p.coldPer, raw, coldAt)
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

// judge looks at one thermocouple's code with the cold junction of the same round.
func (in *input) judge(r *drivers.Reading, coldC float64, coldRaw int16, at time.Time) {
	if coldC < coldMinC || coldC > coldMaxC || coldRaw == railHigh || coldRaw == railLow {
		r.Fail(drivers.ColdJunction, fmt.Errorf("channel %s: cold junction %.2f degC (code %d): outside %g to %g degC; is its sensor connected", in.channel, coldC, coldRaw, coldMinC, coldMaxC))
	}
	if r.Code == railHigh || r.Code == railLow {
		f, text := drivers.OutOfRange, "the input is at the end of its range"
		if in.biased {
			f, text = drivers.Open, "the bias resistors pull the input to the end of its range: open circuit"
		}
		r.Fail(f, fmt.Errorf("channel %s: code %d: %s", in.channel, r.Code, text))
	}
	if r.Faults != 0 {
		return
	}
	e, err := in.couple.EMFVolts(coldC)
	var probeC float64
	if err == nil {
		probeC, err = in.couple.TempC(e + float64(r.Code)*couplePer + in.offset)
	}
	if err != nil {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: %.1f uV with the cold junction at %.2f degC: %w", in.channel, float64(r.Code)*couplePer*1e6, coldC, err))
		return
	}
	if cause := in.steps.Check(probeC, at); cause != nil {
		r.Fail(drivers.Implausible, fmt.Errorf("channel %s: %w", in.channel, cause))
	}
}
