package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soakrig/drivers/all"
)

// bothKinds has errors that config finds, errors of drivers' options at sources and
// inputs, of inputs that can't be where they are, of a simulated rig and of a plan.
const bothKinds = `rig: bench-1
listen: {grpc: "0.0.0.0:7640", http: "off"}
simulated: {seeed: 3, room: {mean: 200}, load: [{at: 0s, level: 0}]}
sources:
  - name: back
    driver: max31855
    every: 500ms
    leter: K
    max_step: much
    inputs:
      - {channel: vr1, port: SPI0.0, mask: open, max_step: -1}
      - {channel: vr2, port: I2C1, mask: none, letter: [K]}
      - {channel: vr3}
      - {channel: vr3, port: SPI0.3, mask: all}
  - name: fine
    driver: max31856
    every: 50ms
    average: 3
    gain: 9
    open_test: sometimes
    inputs: [{channel: vr5, port: SPI1.0}, {channel: vr6, port: SPI1.1, select: "GPIO1 GPIO2", filter: 1}]
  - name: air
    driver: mcp9808
    resolution: 1
    inputs: [{channel: a1, port: I2C1}, {channel: a2, port: I2C1}, {channel: a3, port: I2C1, address: 0x99}]
  - name: wall
    driver: modbusmap
    port: tcp://sim-meter:502
    map: "builtin:sdm120"
    baud: fast
    inputs: [{channel: wall, field: activ_power}, {channel: energy, field: import_energy, unit: 300}]
  - {name: sum, driver: modbusmap, port: tcp://meter, map: "builtin:sdm120", inputs: [{channel: x, field: active_power}, {channel: y, field: import_energy}]}
  - {name: none, driver: sunspec, unit: 999, inputs: []}
  - {name: ext, driver: plugin, command: [], inputs: [{channel: e1, option: 1}]}
channels:
  vr1: {role: prob, couple: N}
  vr5: {couple: Q}
  a1: {couple: K}
  x: {kind: energy}
  y: {unit: kWh}
  vr2: {unit: degF}
plan: {constants: {start_rise: 3, coverage_factor: 0.1}}
limits: {probe: hot}
`

// TestAllAtOnce: the problems of every room come in one report, in order of line, each
// once.
func TestAllAtOnce(t *testing.T) {
	_, err := ParseConfig("r.yaml", []byte(bothKinds), all.Drivers())
	if err == nil {
		t.Fatal("accepted")
	}
	lines := strings.Split(err.Error(), "\n")
	want := []string{
		"r.yaml:2:10: listen.grpc:",
		"r.yaml:3:13: simulated.seeed:",
		"r.yaml:3:30: simulated.room.mean:",
		"r.yaml:8:5: sources[0].leter:",
		"r.yaml:9:15: sources[0].max_step:",
		"r.yaml:11:38: sources[0].inputs[0].mask:",
		"r.yaml:11:50: sources[0].inputs[0].max_step:",
		"r.yaml:12:24: sources[0].inputs[1].port:",
		"r.yaml:12:36: sources[0].inputs[1].mask:",
		"r.yaml:12:56: sources[0].inputs[1].letter:",
		"r.yaml:13:10: sources[0].inputs[2].port:",
		"r.yaml:14:10: sources[0].inputs[3].channel:",
		"r.yaml:14:38: sources[0].inputs[3].mask:",
		"r.yaml:17:5: sources[1].every:",
		"r.yaml:18:5: sources[1].average:",
		"r.yaml:19:5: sources[1].gain:",
		"r.yaml:20:5: sources[1].open_test:",
		"r.yaml:21:73: sources[1].inputs[1].select:",
		"r.yaml:21:96: sources[1].inputs[1].filter:",
		"r.yaml:24:5: sources[2].resolution:",
		"r.yaml:25:42: sources[2].inputs[1]:",
		"r.yaml:25:94: sources[2].inputs[2].address:",
		"r.yaml:30:11: sources[3].baud:",
		"r.yaml:31:30: sources[3].inputs[0].field:",
		"r.yaml:31:91: sources[3].inputs[1].unit:",
		"r.yaml:32:100: sources[4].inputs[0].field:",
		"r.yaml:33:35: sources[5].unit:",
		"r.yaml:33:46: sources[5].inputs:",
		"r.yaml:34:33: sources[6].command:",
		"r.yaml:34:69: sources[6].inputs[0].option:",
		"r.yaml:36:9: channels.vr1.role:",
		"r.yaml:37:9: channels.vr5.couple:",
		"r.yaml:38:8: channels.a1.couple:",
		"r.yaml:40:7: channels.y.unit:",
		"r.yaml:41:9: channels.vr2.unit:",
		"r.yaml:42:20: plan.constants.start_rise:",
		"r.yaml:42:35: plan.constants.coverage_factor:",
		"r.yaml:43:17: limits.probe:",
	}
	for i, w := range want {
		if i >= len(lines) || !strings.HasPrefix(lines[i], w) {
			t.Errorf("line %d: want %s", i, w)
		}
	}
	if t.Failed() || len(lines) != len(want) {
		t.Errorf("got %d lines, want %d:\n%s", len(lines), len(want), err)
	}
}

// TestJudgingOpensNothing: a process that a source names is not started, and what has
// no problem has none.
func TestJudgingOpensNothing(t *testing.T) {
	mark := filepath.Join(t.TempDir(), "started")
	text := `rig: r
sources:
  - {name: ext, driver: plugin, command: [/bin/sh, -c, "touch ` + mark + `"], inputs: [{channel: e1}]}
  - {name: wall, driver: modbusmap, port: tcp://192.0.2.1:502, map: "builtin:sdm120", inputs: [{channel: w, field: active_power}]}
  - {name: sub, driver: modbusmap, port: /dev/ttyNowhere, map: "builtin:sdm120", inputs: [{channel: s, field: active_power}]}
  - {name: pulses, driver: pulse, port: GPIO4, pulses_per_kwh: 1000, inputs: [{channel: p, field: power}]}
  - {name: back, driver: max31856, inputs: [{channel: a, port: SPI0.0}, {channel: b, port: SPI0.1, select: GPIO22}]}
  - {name: air, driver: mcp9808, inputs: [{channel: c, port: I2C1}]}
`
	if _, err := ParseConfig("r.yaml", []byte(text), all.Drivers()); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(mark); err == nil {
		t.Error("the process was started")
	}
}
