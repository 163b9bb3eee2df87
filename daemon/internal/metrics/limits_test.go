package metrics

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"soakrig/daemon/record"
)

func TestEnergyAndTimeOverLimit(t *testing.T) {
	r := newRig(t, nil)
	for range 11 { // 10 s at 400 W
		r.read(wall, 4000, 0)
		r.clock.pass(time.Second)
	}
	r.want(`soakrig_energy_joules_total{channel="wall",role="supply"}`, 4000)
	r.clock.pass(59 * time.Second)
	r.read(wall, 7000, 0) // a minute without readings is left out, and said
	r.want(`soakrig_energy_joules_total{channel="wall",role="supply"}`, 4000)
	r.want(`soakrig_energy_uncovered_seconds_total{channel="wall",role="supply"}`, 60)
	r.clock.pass(time.Second)
	r.read(wall, -50, 0) // 700 W for a second; a negative reading counts as no power
	r.want(`soakrig_energy_joules_total{channel="wall",role="supply"}`, 4350)
	r.want(`soakrig_over_limit_seconds_total{channel="wall",limit="inlet",role="supply"}`, 1)

	r.read(room, 2300)
	for _, code := range []int64{10000, 10600, 10600, 10000, 9000} { // 77, 83, 83, 77, 67 K above the room
		r.read(back, code, 0, 0)
		r.clock.pass(200 * time.Millisecond)
	}
	r.want(`soakrig_over_limit_seconds_total{channel="vr1",limit="probe",role="probe"}`, 0.4)
	r.want(`soakrig_over_limit_seconds_total{channel="vr1",limit="rise",role="probe"}`, 0.8)
	r.want(`soakrig_over_limit_seconds_total{channel="vr2",limit="probe",role="probe"}`, 0)
}

// Limits on the page are those in force: the run's while one is open.
func TestLimitsFollowTheRun(t *testing.T) {
	r := newRig(t, nil)
	limit := func(name string) string {
		return fmt.Sprintf(`soakrig_temperature_limit_celsius{channel="vr1",limit=%q,role="probe",severity="fail",side="above"}`, name)
	}
	r.want(limit("probe"), 105)
	r.want(`soakrig_rise_limit_celsius{channel="vr1",limit="rise",role="probe",severity="note",side="above"}`, 70)
	r.want(`soakrig_power_limit_watts{channel="wall",limit="inlet",role="supply",severity="stop",side="above"}`, 600)
	r.want("soakrig_ambient_band_low_celsius", 21)
	r.put(&record.RunEvent{Run: "a", Event: "started", Start: &record.RunStart{Run: "a", Plan: record.Plan{Limits: []record.Limit{
		{Name: "case", Channel: "vr1", Quantity: "value", Bound: 95, Severity: "fail"},
		{Name: "climb", Channel: "vr1", Quantity: "slope", Bound: 600, Severity: "fail"},
		{Name: "spread", Channel: "vr1", Quantity: "difference", Bound: 12, Severity: "fail", Below: true},
	}}}})
	r.absent(limit("probe"))
	r.want(limit("case"), 95)
	r.want(`soakrig_slope_limit_celsius_per_hour{channel="vr1",limit="climb",role="probe",severity="fail",side="above"}`, 600)
	r.want(`soakrig_difference_limit_celsius{channel="vr1",limit="spread",role="probe",severity="fail",side="below"}`, 12)
	r.absent("soakrig_ambient_band_low_celsius") // the run's plan has none: the default band is the analysis' own
	r.put(&record.RunEvent{Run: "a", Event: "ended"})
	r.want(limit("probe"), 105)
}

// No limit configured: no series, never 0.
func TestUnsetLimitsHaveNoSeries(t *testing.T) {
	r := newRig(t, func(o *Options) { o.Limits = nil })
	r.m.mu.Lock()
	r.m.state.setLimits(nil, nil)
	r.m.mu.Unlock()
	for line := range strings.Lines(r.text()) {
		if strings.Contains(line, "limit") || strings.Contains(line, "band") {
			t.Errorf("a limit out of nowhere: %s", line)
		}
	}
}

func TestRunMaximum(t *testing.T) {
	r := newRig(t, nil)
	series := `soakrig_run_temperature_max_celsius{channel="vr1",role="probe"}`
	r.read(back, 9000, 0, 0)
	r.absent(series)
	r.put(&record.RunEvent{Run: "a", Event: "started", Start: &record.RunStart{Run: "a"}})
	r.absent(series) // nothing was read in the run yet
	for _, code := range []int64{5000, 7000, 6000} {
		r.clock.pass(200 * time.Millisecond)
		r.read(back, code, 0, 0)
	}
	r.want(series, 70)
	r.put(&record.RunEvent{Run: "another", Event: "ended"}) // not the open one
	r.want(series, 70)
	r.put(&record.RunEvent{Run: "a", Event: "ended"})
	r.absent(series)
}
