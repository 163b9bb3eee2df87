// Package rigs_test holds the example rigs to what soakd accepts: every file is read
// strictly, and every driver opens its options on a board where nothing is attached.
package rigs_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"soakrig/daemon"
	"soakrig/daemon/record"
	"soakrig/drivers"
	"soakrig/drivers/all"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// want are the examples that must exist, each with a driver that it shows.
var want = map[string]string{
	"eight-max31856.yaml":  "max31856",
	"max31855-iio.yaml":    "iio",
	"mcp9600-i2c.yaml":     "mcp9600",
	"ads1118-mux.yaml":     "ads1118",
	"eight-decoder.yaml":   "max31855",
	"ltc2983-mux.yaml":     "ltc2983",
	"sunspec-meter.yaml":   "sunspec",
	"pulse-meter.yaml":     "pulse",
	"push-agent.yaml":      "push",
	"plugin.yaml":          "plugin",
	"mixed.yaml":           "scpi",
	"simulated.yaml":       "modbusmap",
	"mixed-simulated.yaml": "mcp9808",
}

func files(t *testing.T) []string {
	t.Helper()
	names, err := filepath.Glob("*.yaml")
	if err != nil || len(names) < len(want) {
		t.Fatalf("%d example rigs: %v", len(names), err)
	}
	return names
}

// load reads an example. The driver process that one of them names is not on this
// computer: a program that serves nothing stands in.
func load(t *testing.T, name string) (*daemon.Config, error) {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	program, err := exec.LookPath("false")
	if err != nil {
		t.Fatal(err)
	}
	return daemon.ParseConfig(name, bytes.ReplaceAll(text, []byte("/usr/local/lib/soakd/lab-probe"), []byte(program)), all.Drivers())
}

func find(name string) *drivers.Driver {
	for _, d := range all.Drivers() {
		if d.Name == name {
			return d
		}
	}
	return nil
}

// open opens a source of c on ports; what acquisition does, without its clock.
func open(t *testing.T, c *daemon.Config, i int, host *bus.Host) (drivers.Device, error) {
	t.Helper()
	dev, err := openAs(t, c, i, host, "K") // a couple that the file leaves out is K
	var option *drivers.OptionError
	if errors.As(err, &option) && option.Key == "couple" {
		return openAs(t, c, i, host, "")
	}
	return dev, err
}

func openAs(t *testing.T, c *daemon.Config, i int, host *bus.Host, defaultCouple string) (drivers.Device, error) {
	t.Helper()
	s := &c.Sources[i]
	src := drivers.Source{Name: s.Name, Every: s.Every, MainsHz: int(c.Mains), Port: s.Port, Options: s.Rest}
	for _, in := range s.Inputs {
		ch := c.Channels[in.Channel]
		couple := ch.Couple
		if couple == "" {
			couple = defaultCouple
		}
		kind := drivers.Kind(slices.Index(record.Kinds(), record.Kind(ch.Kind)) + 1) // 0: not said
		src.Inputs = append(src.Inputs, drivers.Input{Channel: in.Channel, Port: in.Port, Select: in.Select, Couple: couple, Kind: kind, Options: in.Rest})
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	return find(s.Driver).Open(ctx, host, src)
}

// absent says that an error blames a port that is not here, and no option.
func absent(err error, file string) bool {
	var option *drivers.OptionError
	if errors.As(err, &option) && option.Key != "command" || strings.Contains(err.Error(), file+":") {
		return false
	}
	text := err.Error()
	for _, cause := range []string{"no such", "does not exist", "not found", "refused", "nothing can be dialled", "no serial", "can't be dialled", "no edges", "no port", "ended before it served"} {
		if strings.Contains(text, cause) {
			return true
		}
	}
	return false
}

func TestEveryFileOpens(t *testing.T) {
	seen := map[string]string{}
	for _, name := range files(t) {
		c, err := load(t, name)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		host := bus.NewHost(drivertest.Floating(0))
		for i := range c.Sources {
			dev, err := open(t, c, i, host)
			if err != nil && !absent(err, name) {
				t.Errorf("%s: source %s: %v", name, c.Sources[i].Name, err)
			}
			if err == nil {
				if n := len(dev.Converters()); n != len(c.Sources[i].Inputs) {
					t.Errorf("%s: source %s: %d converters for %d inputs", name, c.Sources[i].Name, n, len(c.Sources[i].Inputs))
				}
				defer dev.Close()
			}
			seen[name] += c.Sources[i].Driver + " "
		}
	}
	for name, driver := range want {
		if !strings.Contains(seen[name], driver+" ") {
			t.Errorf("%s shows %q, want driver %s in it", name, seen[name], driver)
		}
	}
}

// TestWrongOptionIsSeen: the test above would see a wrong option.
func TestWrongOptionIsSeen(t *testing.T) {
	for name, change := range map[string][2]string{
		"eight-max31856.yaml": {"average: 4", "average: 5"},
		"mcp9600-i2c.yaml":    {"resolution: 18", "resolution: 17"},
		"sunspec-meter.yaml":  {"point: W}", "pointt: W}"},
		"pulse-meter.yaml":    {"pulses_per_kwh: 1000", "pulses_per_kwh: -1"},
		"plugin.yaml":         {"command: [", "comand: ["},
		"ads1118-mux.yaml":    {"rate: 16", "rate: 17"},
		"eight-decoder.yaml":  {"output: 7", "output: 8"},
		"ltc2983-mux.yaml":    {"ideality: 1.003, ", ""},
	} {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), change[0]) {
			t.Fatalf("%s has no %q", name, change[0])
		}
		c, err := daemon.ParseConfig(name, []byte(strings.Replace(string(text), change[0], change[1], 1)), all.Drivers())
		if err != nil {
			continue // refused before any driver saw it
		}
		host, refused := bus.NewHost(drivertest.Floating(0)), false
		for i := range c.Sources {
			dev, err := open(t, c, i, host)
			refused = refused || err != nil && !absent(err, name)
			if err == nil {
				defer dev.Close()
			}
		}
		if !refused {
			t.Errorf("%s with %q opens", name, change[1])
		}
	}
}

// TestProbesAndRoom: an example that can't be judged is a bad example.
func TestProbesAndRoom(t *testing.T) {
	for _, name := range files(t) {
		c, err := load(t, name)
		if err != nil {
			t.Fatal(err)
		}
		roles := map[string]int{}
		for _, ch := range c.Channels {
			roles[ch.Role]++
		}
		if roles["probe"] == 0 || roles["ambient"] != 1 {
			t.Errorf("%s: %d probes and %d ambient channels", name, roles["probe"], roles["ambient"])
		}
		if c.Limits.Probe == nil || c.Limits.Ambient == nil {
			t.Errorf("%s: no limit of the probes or no ambient band", name)
		}
	}
}
