package daemon

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"testing"

	"soakrig/drivers/all"
	"soakrig/drivers/bus"
)

// TestLook: the log of a start says which ports there are and what stands in the way.
func TestLook(t *testing.T) {
	for name, c := range map[string]struct {
		ports []bus.PortName
		notes []string
		want  []string
	}{
		"bare board": {nil, []string{"SPI is off"}, []string{`level=WARN msg="this computer" note="SPI is off"`, "none in /dev/spidev*", "gpio_pins=0"}},
		"a board": {[]bus.PortName{{Name: "SPI0.0", Kind: "spi"}, {Name: "SPI0.1", Kind: "spi", Note: "kernel driver x"}, {Name: "GPIO4", Kind: "gpio"}}, nil,
			[]string{`ports="SPI0.0, SPI0.1 (kernel driver x)" gpio_pins=1`}},
	} {
		var log bytes.Buffer
		(&Daemon{log: slog.New(slog.NewTextHandler(&log, nil))}).look(c.ports, c.notes)
		for _, w := range c.want {
			if !strings.Contains(log.String(), w) {
				t.Errorf("%s: no %q in\n%s", name, w, &log)
			}
		}
	}
}

// TestBareBoard: a rig of real hardware on a machine that has none of it starts, says
// what it looked for and where, and a check fails; with an interlock it does not start.
func TestBareBoard(t *testing.T) {
	const rig = "rig: r\nlisten: {grpc: \"127.0.0.1:0\", http: \"off\"}\nsources: [{name: a, driver: max31856, every: 1s, inputs: [{channel: x, port: SPI7.7}]}, {name: b, driver: mcp9808, every: 1s, inputs: [{channel: room, port: I2C97, address: 0x18}]}]\nchannels: {room: {role: ambient}}\n"
	parse := func(text string) *Config {
		c, err := ParseConfig("rig.yaml", []byte(text), all.Drivers())
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	dir := "journal: {dir: " + t.TempDir() + "}\n"
	var log bytes.Buffer
	d, err := Start(Options{Config: parse(rig + dir), Drivers: all.Drivers(), Log: slog.New(slog.NewTextHandler(&log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	<-d.acq.Load().Scanned() // each source has failed once
	if err := d.Stop(); err != nil {
		t.Error(err)
	}
	for _, w := range []string{"this computer", "SPI", "I2C97 is off or does not exist", "ports of this computer", "SPI7.7", "/dev/i2c-97"} {
		if !strings.Contains(log.String(), w) {
			t.Errorf("the log has no %q:\n%s", w, &log)
		}
	}
	const pin = "interlock: {pin: GPIO9999, drop_above: 120}\n"
	r, err := Check(context.Background(), parse(rig+dir+pin), all.Drivers())
	if err != nil || r.OK || !strings.Contains(strings.Join(r.Problems, "\n"), "interlock: soakd would not start: open GPIO9999") {
		t.Errorf("ok %v, problems %q, %v", r.OK, r.Problems, err)
	}
	if d, err := Start(Options{Config: parse(rig + dir + pin), Drivers: all.Drivers()}); err == nil || !strings.Contains(err.Error(), "interlock: open GPIO9999") {
		if err == nil {
			d.Stop()
		}
		t.Errorf("start: %v", err)
	}
}
