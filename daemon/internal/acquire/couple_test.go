package acquire

import (
	"context"
	"errors"
	"testing"

	"soakrig/daemon/internal/config"
	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// TestCouplesAreOffered: a letter that rig.yaml names is never taken back; one that it
// does not name is K for devices with couples and none for those without.
func TestCouplesAreOffered(t *testing.T) {
	channels := map[string]*config.Channel{"plain": {}, "plain2": {}, "named": {Couple: "J"}}
	for _, c := range []struct {
		name    string
		inputs  []string
		refuses bool // a device without couples
		want    []string
		fails   bool
	}{
		{"couples", []string{"plain", "named"}, false, []string{"K", "J"}, false},
		{"no couples", []string{"plain", "plain2"}, true, []string{"", ""}, false},
		{"no couples but one named", []string{"plain", "named"}, true, []string{"", "J"}, true},
	} {
		var seen []string
		d := &drivers.Driver{Name: "d", Open: func(_ context.Context, _ *bus.Host, src drivers.Source) (drivers.Device, error) {
			seen = nil
			for i, in := range src.Inputs {
				seen = append(seen, in.Couple)
				if c.refuses && in.Couple != "" {
					for _, rest := range src.Inputs[i+1:] {
						seen = append(seen, rest.Couple)
					}
					return nil, &drivers.OptionError{Input: i, Key: "couple", Text: "none"}
				}
			}
			return nil, nil
		}}
		s := &source{driver: d}
		for _, name := range c.inputs {
			s.in.Inputs = append(s.in.Inputs, drivers.Input{Channel: name, Couple: couple(channels[name])})
		}
		_, err := s.openDevice(t.Context(), channels)
		var refused *drivers.OptionError
		if errors.As(err, &refused) != c.fails || len(seen) != len(c.want) {
			t.Fatalf("%s: %v, seen %q", c.name, err, seen)
		}
		for i := range seen {
			if seen[i] != c.want[i] {
				t.Errorf("%s: seen %q, want %q", c.name, seen, c.want)
			}
		}
	}
	port := &drivers.OptionError{Input: 0, Key: "port", Text: "no"}
	s := &source{in: drivers.Source{Inputs: []drivers.Input{{Channel: "plain", Couple: "K"}}}, driver: &drivers.Driver{Open: func(context.Context, *bus.Host, drivers.Source) (drivers.Device, error) { return nil, port }}}
	if _, err := s.openDevice(t.Context(), channels); !errors.Is(err, port) || s.in.Inputs[0].Couple != "K" {
		t.Errorf("another refusal: %v", err)
	}
}
