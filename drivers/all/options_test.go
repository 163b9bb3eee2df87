package all

import (
	"errors"
	"strings"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// TestOptionsBeforePorts: a wrong option of the second input is told even where the
// first one's port can't be opened, and says what the input is and what to do.
func TestOptionsBeforePorts(t *testing.T) {
	for name, tt := range map[string]struct{ port, options, key, text string }{
		"max31855": {"SPI0.1", "letter: X", "letter", "K, J, N, T, E, R or S"},
		"max31856": {"SPI0.1", "max_step: -1", "max_step", "above zero"},
		"max6675":  {"SPI0.1", "max_step: -1", "max_step", "above zero"},
		"max31865": {"SPI0.1", "{rref: 430, element: ni100}", "element", "pt100 or pt1000"},
		"ads1118":  {"SPI0.1", "pair: AIN0-AIN1", "pair", "0-1"},
		"ads1115":  {"I2C2", "address: 48", "address", "48, which is 0x30: must be 0x48 to 0x4B"},
		"mcp9600":  {"I2C2", "address: 67", "address", "67, which is 0x43: must be 0x60 to 0x67"},
		"mcp9808":  {"I2C2", "address: 18", "address", "18, which is 0x12: must be 0x18 to 0x1F"},
		"ds18b20":  {"10-0000", "", "port", "28-"},
		"iio":      {"/sys", "chip: max1234", "chip", "max31855"},
		"ltc2983":  {"SPI0.1", "pin: 21", "pin", "1 to 20"},
	} {
		src := sources[name]
		src.Name, src.Every, src.MainsHz, src.Options = "x", 5*time.Second, 50, orNone(src.Options)
		first := src.Inputs[0]
		first.Channel, first.Options = "vr1", orNone(first.Options)
		second := drivers.Input{Channel: "vr2", Port: tt.port, Couple: first.Couple, Options: drivertest.Options(tt.options)}
		src.Inputs = []drivers.Input{first, second}
		err := drivertest.Refusal(t, find(t, name), drivertest.NewPorts(), src)
		var oe *drivers.OptionError
		if !errors.As(err, &oe) || oe.Input != 1 || oe.Key != tt.key || !strings.Contains(oe.Text, tt.text) {
			t.Errorf("%s: %v, want %s: ...%s...", name, err, tt.key, tt.text)
		}
	}
}

// TestSelectWhereThereIsNone: a GPIO pin beside a device that is found by address or
// file would be kept from everybody else for nothing.
func TestSelectWhereThereIsNone(t *testing.T) {
	for name, src := range sources {
		src.Name, src.Every, src.MainsHz, src.Options = "x", 5*time.Second, 50, orNone(src.Options)
		in := src.Inputs[0]
		in.Channel, in.Select, in.Options = "vr1", "GPIO5", orNone(in.Options)
		src.Inputs = []drivers.Input{in}
		if strings.HasPrefix(in.Port, "SPI") {
			continue
		}
		var oe *drivers.OptionError
		if err := drivertest.Refusal(t, find(t, name), drivertest.Floating(0), src); !errors.As(err, &oe) || oe.Input != 0 || oe.Key != "select" || !strings.Contains(oe.Text, "take select off") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestOnePortTwoSpellings: inputs of one chip that spell its port in two ways are on
// one chip.
func TestOnePortTwoSpellings(t *testing.T) {
	for name, tt := range map[string]struct{ one, other, first, second string }{
		"ads1118": {"SPI0.0", "/dev/spidev0.0", "pair: 0-1", "pair: 2-3"},
		"ads1115": {"I2C1", "i2c-1", "pair: 0-1", "{pair: 0-1, address: 0x49}"},
		"ltc2983": {"spi0.0", "spidev0.0", "pin: 2", "pin: 4"},
	} {
		src := sources[name]
		src.Name, src.Every, src.MainsHz, src.Options = "x", 5*time.Second, 50, orNone(src.Options)
		src.Inputs = []drivers.Input{
			{Channel: "vr1", Port: tt.one, Couple: "K", Options: drivertest.Options(tt.first)},
			{Channel: "vr2", Port: tt.other, Couple: "K", Options: drivertest.Options(tt.second)},
		}
		ports := drivertest.NewPorts()
		ports.AddSPI("SPI0.0")
		ports.AddI2C("I2C1")
		drivertest.Open(t, find(t, name), ports, src)
		if n := ports.Open(); n != 1 {
			t.Errorf("%s: %d ports open, want one", name, n)
		}
	}
}

// TestLettersInLowerCase: a couple that the configuration takes in lower case is taken
// by every driver of thermocouples.
func TestLettersInLowerCase(t *testing.T) {
	for name, src := range sources {
		if src.Inputs[0].Couple == "" {
			continue
		}
		src.Name, src.Every, src.MainsHz, src.Options = "x", 5*time.Second, 50, orNone(src.Options)
		in := src.Inputs[0]
		in.Channel, in.Couple, in.Options = "vr1", "k", orNone(in.Options)
		src.Inputs = []drivers.Input{in}
		host := bus.NewHost(drivertest.Floating(0))
		dev, err := find(t, name).Open(t.Context(), host, src)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if err := dev.Close(); err != nil {
			t.Error(err)
		}
		if err := host.Close(); err != nil {
			t.Error(err)
		}
	}
}
