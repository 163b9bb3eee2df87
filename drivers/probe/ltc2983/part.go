package ltc2983

import (
	"context"
	"errors"
	"fmt"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Times of a conversion: p19. The kernel's driver waits 300 ms for any.
const (
	twoCycles   = 167 * time.Millisecond
	threeCycles = 251 * time.Millisecond
	longest     = 350 * time.Millisecond
	pollEvery   = 10 * time.Millisecond
)

// A junction sits at the terminals; outside this its number makes no sense.
const coldMinC, coldMaxC = -55.0, 125.0

// input is what is measured on a pin: a thermocouple or a sensor.
type input struct {
	index        int // in Source.Inputs; -1: a junction's sensor that is no channel
	channel      string
	pin          int
	thermocouple bool
	cold         *input // the junction's sensor of a thermocouple
	minC, maxC   float64
	time         time.Duration
	steps        drivers.Steps

	// Of the last round.
	got   result
	found finding
	ended time.Time
}

// finding is what is wrong although the transfers worked.
type finding struct {
	faults drivers.Faults
	cause  error
}

// part is one chip. Its fields belong to the goroutine that reads.
type part struct {
	host   *bus.Host
	place  string
	spi    bus.SPI
	global byte
	words  [pins + 1]uint32 // by pin; 0: not assigned
	inputs []*input         // in order of conversion: the sensors, then the thermocouples
	w, r   [3 + 16]byte
	doubt  bool // a result was not valid: an assignment may be gone although the sentinel stands
}

// read fetches n bytes, at most 16, from a register on.
func (p *part) read(ctx context.Context, reg uint16, n int) ([]byte, error) {
	clear(p.w[:])
	p.w[0], p.w[1], p.w[2] = opRead, byte(reg>>8), byte(reg)
	if err := p.spi.Tx(ctx, p.w[:3+n], p.r[:3+n]); err != nil {
		return nil, fmt.Errorf("read register %03Xh: %w", reg, err)
	}
	return p.r[3 : 3+n], nil
}

// write stores data from a register on, at most 4 bytes.
func (p *part) write(ctx context.Context, reg uint16, data ...byte) error {
	p.w[0], p.w[1], p.w[2] = opWrite, byte(reg>>8), byte(reg)
	n := copy(p.w[3:], data)
	if err := p.spi.Tx(ctx, p.w[:3+n], nil); err != nil {
		return fmt.Errorf("write register %03Xh: %w", reg, err)
	}
	return nil
}

func (p *part) status(ctx context.Context) (byte, error) {
	b, err := p.read(ctx, regStatus, 1)
	if err != nil {
		return 0, err
	}
	return b[0], nil
}

// configure writes all settings, the sentinel last, so that it stands for the rest.
func (p *part) configure(ctx context.Context) error {
	for pin, w := range p.words {
		if w == 0 {
			continue
		}
		if err := p.write(ctx, regAssign+4*uint16(pin-1), byte(w>>24), byte(w>>16), byte(w>>8), byte(w)); err != nil {
			return fmt.Errorf("assign pin %d: %w", pin, err)
		}
	}
	if err := p.write(ctx, regGlobal, p.global); err != nil {
		return err
	}
	return p.write(ctx, regMux, muxDelay)
}

var (
	errLow     = errors.New("status and settings read all zeros: no chip, no supply, or the data line is held low (a chip is so for up to 200 ms after power-up too)")
	errHigh    = errors.New("status and settings read all ones: no chip, or the data line is held high")
	errStatus  = "status reads %02Xh, want %02Xh: %s"
	errTooLong = errors.New("the conversion had not ended after 350 ms")
)

// ready tells whether the chip can take a conversion: it is there, idle, and has its
// settings. Lost settings are written again and said.
func (p *part) ready(ctx context.Context) (finding, error) {
	s, err := p.status(ctx)
	for tries := longest / pollEvery; err == nil && s&^statusPin == statusStart && tries > 0; tries-- { // left over from a Read that was cancelled
		if err = p.host.Wait(ctx, pollEvery); err == nil {
			s, err = p.status(ctx)
		}
	}
	if err != nil {
		return finding{}, err
	}
	b, err := p.read(ctx, regGlobal, regMux-regGlobal+1)
	if err != nil {
		return finding{}, err
	}
	ones, ors := s, s
	for _, v := range b {
		ones &= v
		ors |= v
	}
	switch {
	case ors == 0:
		return finding{drivers.NoChip, errLow}, nil
	case ones == 0xFF:
		return finding{drivers.NoChip, errHigh}, nil
	case s&^statusPin == statusStart:
		return finding{drivers.Stale, fmt.Errorf("status %02Xh: %w", s, errTooLong)}, nil
	case s&^statusPin != statusDone:
		return finding{drivers.Corrupt, fmt.Errorf(errStatus, s, statusDone, "the chip is starting up, or the transfer was shifted or disturbed")}, nil
	}
	global, mux := b[0], b[regMux-regGlobal]
	if global&globalMask == p.global && mux == muxDelay {
		if !p.doubt {
			return finding{}, nil
		}
		// The round before has said so. Conversions are started one by one, so nothing
		// of before can come out of these.
		err := p.configure(ctx)
		p.doubt = err != nil
		return finding{}, err
	}
	cause := fmt.Errorf("registers 0F0h and 0FFh read %02X and %02X, want %02X and %02X: the chip lost its settings, or another chip answers", global, mux, p.global, muxDelay)
	if err := p.configure(ctx); err != nil {
		return finding{}, errors.Join(cause, err)
	}
	return finding{drivers.ConfigLost, cause}, nil
}

// convert makes one conversion and fetches its result. The chip must be seen busy
// with the pin and then done with it.
func (p *part) convert(ctx context.Context, in *input) (result, finding, error) {
	if err := p.write(ctx, regStatus, statusStart|byte(in.pin)); err != nil {
		return 0, finding{}, fmt.Errorf("start a conversion: %w", err)
	}
	s, err := p.status(ctx)
	if err != nil {
		return 0, finding{}, err
	}
	busy, done := statusStart|byte(in.pin), statusDone|byte(in.pin)
	if s != busy {
		return 0, odd(s, busy, "the chip did not take the start of this conversion"), nil
	}
	if err := p.host.Wait(ctx, in.time); err != nil {
		return 0, finding{}, err
	}
	for waited := in.time; ; waited += pollEvery {
		if s, err = p.status(ctx); err != nil {
			return 0, finding{}, err
		}
		if s == done {
			break
		}
		if s != busy {
			return 0, odd(s, done, "the chip was reset during the conversion, or the transfer was disturbed"), nil
		}
		if waited >= longest {
			return 0, finding{drivers.Stale, errTooLong}, nil
		}
		if err := p.host.Wait(ctx, pollEvery); err != nil {
			return 0, finding{}, err
		}
	}
	b, err := p.read(ctx, regResult+4*uint16(in.pin-1), 4)
	if err == nil && b[2] == 0 && b[3] == 0 { // perhaps cut short by a supply dip, which a second look tells
		b, err = p.read(ctx, regResult+4*uint16(in.pin-1), 4)
	}
	if err != nil {
		return 0, finding{}, err
	}
	return result(b[0])<<24 | result(b[1])<<16 | result(b[2])<<8 | result(b[3]), finding{}, nil
}

// odd judges a status that a healthy chip can't show.
func odd(s, want byte, text string) finding {
	cause := fmt.Errorf(errStatus, s, want, text)
	switch {
	case s == 0 || s == 0xFF:
		return finding{drivers.NoChip, cause}
	case s&^statusPin == statusDone && s&statusPin == 0:
		return finding{drivers.ConfigLost, fmt.Errorf("%w (40h is its value after power-up)", cause)}
	case s&^statusPin == statusDone:
		return finding{drivers.Stale, cause}
	}
	return finding{drivers.Corrupt, cause}
}

// round measures the junctions, then each probe.
func (p *part) round(ctx context.Context, out []drivers.Reading) error {
	f, err := p.ready(ctx)
	if err != nil {
		err = fmt.Errorf("%s: %w", p.place, err)
		p.failAll(out, drivers.TransferFaults(err), err)
		return err
	}
	if f.faults != 0 {
		p.failAll(out, f.faults, fmt.Errorf("%s: %w", p.place, f.cause))
		return nil
	}
	for _, in := range p.inputs {
		in.got, in.found, err = p.convert(ctx, in)
		in.ended = p.host.Now()
		if err != nil {
			in.found = finding{drivers.TransferFaults(err), err}
			if drivers.EndsRead(err) {
				return fmt.Errorf("%s: pin %d: %w", p.place, in.pin, err)
			}
		} else if in.found.faults == 0 {
			in.found = in.within()
		}
		if in.found.faults&drivers.Stale != 0 {
			p.doubt = true
		}
	}
	now := p.host.Now()
	for _, in := range p.inputs {
		if in.index >= 0 {
			in.report(&out[in.index], now)
		}
	}
	return nil
}

func (p *part) failAll(out []drivers.Reading, f drivers.Faults, cause error) {
	for _, in := range p.inputs {
		if in.index >= 0 {
			out[in.index] = drivers.Reading{}
			out[in.index].Fail(f, cause)
		}
	}
}

// within judges a result's bits and number.
func (in *input) within() finding {
	if f, text := in.got.faults(in.thermocouple); f != 0 {
		return finding{f, fmt.Errorf("the chip flags (%08X): %s", uint32(in.got), text)}
	}
	if c := float64(in.got.code()) * codeC; c < in.minC || c > in.maxC {
		return finding{drivers.OutOfRange, fmt.Errorf("%.3f degC: outside the sensor's %g to %g degC", c, in.minC, in.maxC)}
	}
	return finding{}
}

// report fills the reading of a round.
func (in *input) report(r *drivers.Reading, now time.Time) {
	*r = drivers.Reading{}
	if in.got != 0 {
		r.Set(in.got.code(), max(0, now.Sub(in.ended))+in.time/2)
	}
	if in.found.faults != 0 {
		r.Fail(in.found.faults, fmt.Errorf("channel %s, pin %d: %w", in.channel, in.pin, in.found.cause))
	}
	if in.cold != nil {
		if f := in.cold.found; f.faults != 0 {
			faults := f.faults
			if faults&(drivers.Open|drivers.OutOfRange) != 0 { // the sensor's, not the transfer's
				faults = faults&^(drivers.Open|drivers.OutOfRange) | drivers.ColdJunction
			}
			r.Fail(faults, fmt.Errorf("channel %s: cold junction at pin %d: %w", in.channel, in.cold.pin, f.cause))
		} else {
			r.SetCold(in.cold.got.code())
			if c := float64(r.Cold) * codeC; c < coldMinC || c > coldMaxC {
				r.Fail(drivers.ColdJunction, fmt.Errorf("channel %s: cold junction at pin %d reads %.3f degC: outside %g to %g degC", in.channel, in.cold.pin, c, coldMinC, coldMaxC))
			}
		}
	}
	if r.Faults != 0 {
		return
	}
	if cause := in.steps.Check(float64(r.Code)*codeC, in.ended); cause != nil {
		r.Fail(drivers.Implausible, fmt.Errorf("channel %s: %w", in.channel, cause))
	}
}
