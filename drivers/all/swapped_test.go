package all

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
	"soakrig/drivers/simrig"
)

// TestSwappedChip: where another kind of chip sits than was configured, no driver ever
// takes its answers for a value. One pair can't be told apart, and its driver says so:
// the first 16 bits of a MAX31855 are a legal frame of a MAX6675.
func TestSwappedChip(t *testing.T) {
	for _, model := range []string{"max31855", "max31856", "ads1118"} {
		for name, src := range sources {
			if name == model || src.Inputs[0].Port != "SPI0.0" {
				continue
			}
			if name == "max6675" && model == "max31855" {
				if !slices.ContainsFunc(find(t, name).Info.Misses, func(m string) bool { return strings.Contains(m, "MAX31855 in its place") }) {
					t.Error("max6675 does not say that it misses a max31855")
				}
				continue
			}
			t.Run(name+" on a "+model, func(t *testing.T) {
				o := simrig.DefaultOpts()
				o.Chips = []simrig.Chip{{Port: "SPI0.0", Model: model, Place: "stage 3"}}
				at := time.Second
				rig, err := simrig.New(o, func() time.Duration { return at })
				if err != nil {
					t.Fatal(err)
				}
				rig.SetWait(func(_ context.Context, d time.Duration) error { at += d; return nil })
				host := bus.NewHost(rig)
				src.Name, src.Every, src.MainsHz = "x", 2*time.Second, 50
				src.Options = orNone(src.Options)
				in := src.Inputs[0]
				in.Channel, in.Options = "vr1", orNone(in.Options)
				src.Inputs = []drivers.Input{in}
				dev, err := find(t, name).Open(t.Context(), host, src)
				if err != nil {
					t.Fatal(err)
				}
				for range 20 {
					at += src.Every
					out := make([]drivers.Reading, 1)
					_ = dev.Read(t.Context(), out) // the reading says it
					if err := drivertest.CheckReadings(out); err != nil {
						t.Error(err)
					}
					if out[0].Faults == 0 {
						t.Fatalf("took code %d for a value", out[0].Code)
					}
				}
				if err := errors.Join(dev.Close(), host.Close(), rig.Close()); err != nil {
					t.Error(err)
				}
			})
		}
	}
}

func orNone(p drivers.Params) drivers.Params {
	if p == nil {
		return drivertest.Options("")
	}
	return p
}
