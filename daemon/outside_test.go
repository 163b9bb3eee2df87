package daemon

import (
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
	"soakrig/drivers/plugin"
	"soakrig/drivers/push"
)

// TestOutsideCarriesWhatComesFromOutside opens sources as acquisition does: pushed
// values reach them, and a driver's process writes to the log.
func TestOutsideCarriesWhatComesFromOutside(t *testing.T) {
	var log strings.Builder
	d := &Daemon{ctx: t.Context(), log: slog.New(slog.NewTextHandler(&log, nil))}
	host := bus.NewHost(drivertest.NewPorts())
	src := drivers.Source{Name: "host", Every: time.Second, Options: drivertest.Options("max_age: 1m"),
		Inputs: []drivers.Input{{Channel: "clock", Kind: drivers.Frequency, Options: drivertest.Options("")}}}
	dev, err := push.Driver.Open(d.outside(), host, src)
	if err != nil {
		t.Fatal(err)
	}
	defer dev.Close()
	v := 2.4e9
	if err := d.feed.Push(t.Context(), "clock", &v, 0); err != nil {
		t.Fatal(err)
	}
	var out [1]drivers.Reading
	if err := dev.Read(t.Context(), out[:]); err != nil || math.Float64frombits(uint64(out[0].Code)) != v {
		t.Errorf("%v, %+v", err, out[0])
	}
	src.Name, src.Options = "mine", drivertest.Options("command: [sh, -c, 'echo out of order >&2; exit 1']")
	if _, err := plugin.Driver.Open(d.outside(), host, src); err == nil {
		t.Error("a process that ends at once was accepted")
	}
	if !strings.Contains(log.String(), `source=mine line="out of order"`) {
		t.Errorf("log: %s", log.String())
	}
}
