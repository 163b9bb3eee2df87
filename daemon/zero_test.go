package daemon

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"soakrig/daemon/record"
	"soakrig/drivers/all"
)

// TestZeroCheckTrims: on a simulated rig that is switched off a trim is stored, takes
// effect, and makes the probes agree better than before.
func TestZeroCheckTrims(t *testing.T) {
	const rig = `
rig: cold
listen: {grpc: "127.0.0.1:0", http: "off"}
journal: {dir: %q}
simulated:
  speed: 400
  seed: 5
  room: {swing: 0}
  errors: {offset: 0.5, noise: 0.02}
  unit: {off: true}
sources:
  - name: back
    driver: max31855
    every: 500ms
    inputs: [{channel: vr1, port: SPI0.0}, {channel: vr2, port: SPI0.1}, {channel: vr3, port: SPI0.2}, {channel: room, port: SPI0.8}]
channels:
  vr1: {role: probe}
  vr2: {role: probe}
  vr3: {role: probe}
  room: {role: ambient}
`
	cfg, err := ParseConfig("rig.yaml", fmt.Appendf(nil, rig, t.TempDir()), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	d, err := Start(Options{Config: cfg, Drivers: all.Drivers()})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	}()
	v := runsView{Manager: d.runs}
	first, err := v.ZeroCheck(t.Context(), record.ZeroCheck{Length: 2 * time.Minute, Trim: true, Operator: "bench operator"})
	if err != nil {
		t.Fatal(err)
	}
	if !first.Trimmed || len(first.Probes) != 3 || *first.SpreadK < 0.3 {
		t.Fatalf("%+v", first)
	}
	for _, ch := range d.layout().Channels[:3] {
		if c := ch.Calibration; c == nil || !c.Trimmed || c.By != "bench operator" || !strings.HasSuffix(c.ID, " zero-spread "+ch.Name) {
			t.Errorf("%s: %+v", ch.Name, c)
		}
	}
	stored, err := d.journal.Calibrations()
	if err != nil || len(stored) != 3 {
		t.Errorf("%d calibrations are stored: %v", len(stored), err)
	}
	second, err := v.ZeroCheck(t.Context(), record.ZeroCheck{Length: 2 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	if !second.Passed || *second.AllowedK != 1 || *second.SpreadK > 0.15 || *second.SpreadK >= *first.SpreadK {
		t.Errorf("spread %.2f K before, %.2f K after: %s", *first.SpreadK, *second.SpreadK, second.Text)
	}
}
