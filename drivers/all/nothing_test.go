package all

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/all/internal/folders"
	"soakrig/drivers/drivertest"
)

// sources open each probe driver on a board where nothing is attached.
var sources = map[string]drivers.Source{
	"max31855": {Inputs: []drivers.Input{{Port: "SPI0.0", Couple: "K"}}},
	"max31856": {Inputs: []drivers.Input{{Port: "SPI0.0", Couple: "K"}}},
	"max6675":  {Inputs: []drivers.Input{{Port: "SPI0.0", Couple: "K"}}},
	"max31865": {Inputs: []drivers.Input{{Port: "SPI0.0", Options: drivertest.Options("rref: 430")}}},
	"ltc2983":  {Inputs: []drivers.Input{{Port: "SPI0.0", Couple: "K", Options: drivertest.Options("pin: 2")}}, Options: drivertest.Options("sensors: [{pin: 20, kind: diode, ideality: 1.003, accuracy_c: 1}]")},
	"ads1118":  {Inputs: []drivers.Input{{Port: "SPI0.0", Couple: "K"}}},
	"ads1115":  {Inputs: []drivers.Input{{Port: "I2C1", Couple: "K"}}, Options: drivertest.Options("junction: {accuracy_c: 1}")},
	"mcp9600":  {Inputs: []drivers.Input{{Port: "I2C1", Couple: "K"}}},
	"mcp9808":  {Inputs: []drivers.Input{{Port: "I2C1"}}},
	"ds18b20":  {Inputs: []drivers.Input{{Port: "28-00000no-such"}}},
	"iio":      {Inputs: []drivers.Input{{Port: "/sys/bus/iio/devices/no-such", Options: drivertest.Options("chip: hwmon")}}},
}

// TestNothingThere: with nothing attached, whichever way the lines float, and by
// whatever chip select, every probe driver says no_chip and gives no code.
func TestNothingThere(t *testing.T) {
	found, err := folders.Find("..")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		name, isProbe := strings.CutPrefix(f.Path, "probe/")
		if !isProbe {
			continue // meters are tried against their own servers
		}
		src, ok := sources[name]
		if !ok {
			t.Errorf("%s: give it a source in this test", f.Path)
			continue
		}
		for _, level := range []byte{0x00, 0xFF} {
			for _, pin := range []string{"", "GPIO5"} {
				if pin != "" && !strings.HasPrefix(src.Inputs[0].Port, "SPI") {
					continue // refused: TestSelectWhereThereIsNone
				}
				t.Run(name, func(t *testing.T) {
					synctest.Test(t, func(t *testing.T) {
						src := src
						src.Name, src.Every = "x", time.Second
						in := src.Inputs[0]
						in.Channel, in.Select = "vr1", pin
						src.Inputs = []drivers.Input{in}
						dev := drivertest.Open(t, find(t, name), drivertest.Floating(level), src)
						for range 3 {
							if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip || r.Has != 0 {
								t.Errorf("lines at %02X: %v (%v), codes %v", level, r.Faults, r.Cause, r.Has)
							}
							time.Sleep(time.Second)
						}
					})
				})
			}
		}
	}
}
