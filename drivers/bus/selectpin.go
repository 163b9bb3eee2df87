package bus

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3/gpio"
)

// selection selects one chip of a port. Its methods are called with the token of the
// port's owner.
type selection interface {
	fmt.Stringer
	on() error
	off() error // fine when it is off already
	release() error
}

// openSelect claims what selects a chip; nil: the port's own chip select alone.
func (h *Host) openSelect(o SPIOptions) (selection, error) {
	if o.Select == "" {
		return nil, nil
	}
	if o.decoder != nil {
		return h.openDecoder(o.decoder)
	}
	pin, err := h.selectPin(o.Select)
	if err != nil {
		return nil, err
	}
	return &pinSelection{pin: pin, name: o.Select}, nil
}

// pinSelection is a GPIO pin of the chip's own, active low.
type pinSelection struct {
	pin  SelectPin
	name string
}

func (s *pinSelection) String() string { return "pin " + s.name }
func (s *pinSelection) on() error      { return s.pin.Out(gpio.Low) }
func (s *pinSelection) off() error     { return s.pin.Out(gpio.High) }
func (s *pinSelection) release() error { return errors.Join(s.off(), s.pin.Close()) }

// selectPin claims a pin as a chip select that idles high.
func (h *Host) selectPin(name string) (SelectPin, error) {
	if s, ok := h.ports.(Selector); ok {
		pin, err := s.SelectPin(name)
		if err != nil {
			return nil, h.openError("gpio", name, err)
		}
		return pin, nil
	}
	pin, err := h.ports.Pin(name)
	if err != nil {
		return nil, h.openError("gpio", name, err)
	}
	if err := pin.Out(gpio.High); err != nil {
		return nil, errors.Join(fmt.Errorf("select pin %s: drive high: %w", name, err), pin.Halt())
	}
	return plainPin{pin}, nil
}

// plainPin is a select pin without a claim of its own.
type plainPin struct{ gpio.PinIO }

// Close leaves the pin as it is: an output that is high keeps its chip quiet.
func (plainPin) Close() error { return nil }
