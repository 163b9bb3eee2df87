package bus

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3/gpio"
)

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
