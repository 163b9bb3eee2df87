package daemon

import (
	"context"
	"math"
	"strings"
	"testing"

	"soakrig/drivers/all"
)

// TestOwnSelectBesidePin reads three chips of one bus: two on selects of their own, and
// one that a pin selects on the first one's port. The last
// sits on the warm electronics: it does not answer for the first, nor the first for it.
func TestOwnSelectBesidePin(t *testing.T) {
	const text = `rig: bench-2
listen: {grpc: "unix:/nowhere/s", http: "off"}
journal: {dir: /nowhere}
simulated:
  chips:
    - {port: SPI0.0, model: max31855, place: intake}
    - {port: SPI0.1, model: max31855, place: room}
    - {port: SPI0.0, select: GPIO22, model: max31855, place: electronics}
sources:
  - {name: back, driver: max31855, every: 200ms,
     inputs: [{channel: vr1, port: SPI0.0}, {channel: vr2, port: SPI0.1}, {channel: vr3, port: SPI0.0, select: GPIO22}]}
channels: {vr1: {role: probe, couple: K, class: iec-1, offset: 0.2, checked: 2026-05-02}}
limits: {probe: 105}
`
	cfg, err := ParseConfig("rig.yaml", []byte(text), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	r, err := Check(context.Background(), cfg, all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	if !r.OK {
		t.Fatalf("not every channel has a value: %+v", r.Channels)
	}
	var c []float64
	for _, name := range []string{"vr1", "vr2", "vr3"} {
		c = append(c, *channelOf(t, r, name).Value)
	}
	if math.Abs(c[0]-c[1]) > 2 || c[2]-c[0] < 3 {
		t.Errorf("intake %.2f, room %.2f, electronics %.2f degC: want the last some 4 K warmer", c[0], c[1], c[2])
	}
}

// TestOptionOfAnotherDriver: an option that a chip can't have is refused with the
// drivers that have it.
func TestOptionOfAnotherDriver(t *testing.T) {
	const text = `rig: bench-2
listen: {grpc: "unix:/nowhere/s", http: "off"}
journal: {dir: /nowhere}
simulated: {}
sources:
  - {name: back, driver: max31855, every: 200ms, average: 4, inputs: [{channel: vr1, port: SPI0.0}]}
`
	_, err := ParseConfig("rig.yaml", []byte(text), all.Drivers())
	const want = "rig.yaml:6:50: sources[0].average: unknown key (known: max_step); max31855 can't do that, "
	if err == nil || !strings.HasPrefix(err.Error(), want) || !strings.Contains(err.Error(), "max31856") || strings.Contains(err.Error(), "max6675") {
		t.Errorf("got  %v\nwant %s...", err, want)
	}
}
