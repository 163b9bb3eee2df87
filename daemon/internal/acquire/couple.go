package acquire

import (
	"context"
	"errors"

	"soakrig/daemon/internal/config"
	"soakrig/drivers"
)

// couple is the channel's letter; K where rig.yaml names none.
func couple(ch *config.Channel) string {
	if ch.Couple == "" {
		return "K"
	}
	return ch.Couple
}

// openDevice opens the source's device. Every input is offered a thermocouple letter;
// a driver of devices that have none refuses it, and is asked again without the one
// that rig.yaml did not name.
func (s *source) openDevice(ctx context.Context, channels map[string]*config.Channel) (drivers.Device, error) {
	for range s.in.Inputs {
		dev, err := s.driver.Open(ctx, s.host, s.in)
		var refused *drivers.OptionError
		if err == nil || !errors.As(err, &refused) || refused.Key != "couple" || refused.Input < 0 || refused.Input >= len(s.in.Inputs) {
			return dev, err
		}
		in := &s.in.Inputs[refused.Input]
		if ch := channels[in.Channel]; in.Couple == "" || ch != nil && ch.Couple != "" {
			return dev, err
		}
		in.Couple = ""
	}
	return s.driver.Open(ctx, s.host, s.in)
}
