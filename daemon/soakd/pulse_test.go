package main

import (
	"errors"
	"syscall"
	"testing"
	"time"

	"soakrig/client"
)

// TestRestartKeepsTheEnergyTotal kills soakd, whose energy channel counts the pulses of
// a meter, and starts it again: the total must go on from what was stored.
func TestRestartKeepsTheEnergyTotal(t *testing.T) {
	file := rigFile(t, 100, "sources:\n", `sources:
  - {name: s0, driver: pulse, every: 1s, port: GPIO17, pulses_per_kwh: 1000,
     inputs: [{channel: s0_power, field: power}, {channel: s0_energy, field: energy}]}
`, "load: [{at: 0s, level: 0}", "load: [{at: 0s, level: 1}")
	p := startSoakd(t, file)
	c := dial(t, file)
	const joulesPerPulse = 3600
	// follow reads until the total is at least so much, and that durable, and returns
	// the first and the last total it saw.
	follow := func(from client.Cursor, least float64) (first, last float64) {
		t.Helper()
		first = -1
		var durable, reached uint64
		link := func(l client.Link) { durable = l.DurableThrough }
		_, err := c.Tail(within(t, 60*time.Second), from, client.TailOptions{Link: link}, func(e *client.Event) error {
			if reached > 0 && durable >= reached {
				return errSeen
			}
			if e.Sample == nil || e.Sample.SourceName() != "s0" || reached > 0 {
				return nil
			}
			r := &e.Sample.Readings[1]
			if r.Faults != 0 || r.Value < last {
				t.Errorf("total %v J (%v) after %v J", r.Value, r.Faults, last)
			}
			if last = r.Value; first < 0 {
				first = last
			}
			if last >= least {
				reached = e.Seq
			}
			return nil
		})
		if !errors.Is(err, errSeen) {
			t.Fatalf("no total of %v J came: %v (last %v)", least, err, last)
		}
		return first, last
	}
	first, before := follow(client.Cursor{Next: 1}, 8*joulesPerPulse)
	if first >= joulesPerPulse {
		t.Errorf("a new rig begins at %v J", first)
	}
	if err := p.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	p.cmd.Wait()
	startSoakd(t, file)
	c = dial(t, file)
	again, after := follow(client.Cursor{}, before+4*joulesPerPulse)
	if again < before {
		t.Errorf("after the restart the total is %v J, before it was %v", again, before)
	}
	t.Logf("total before %v J, after the restart from %v to %v J", before, again, after)
}
