package simrig

import (
	"errors"
	"math"
	"testing"
	"time"

	"soakrig/drivers/bus"
)

// TestPulseOutputCountsTheMetersEnergy reads the pulse output in uneven steps: as many
// pulses must come as the meter's counter moved, in order, without a gap in their numbers.
func TestPulseOutputCountsTheMetersEnergy(t *testing.T) {
	o := DefaultOpts()
	o.Load = []LoadAt{{At: 0, Level: 1}}
	var now time.Duration
	r, err := New(o, func() time.Duration { return now })
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.Edges("GPIO99", bus.EdgeOptions{}); err == nil {
		t.Error("a pin that does not exist")
	}
	e, err := r.Edges("GPIO17", bus.EdgeOptions{})
	if err != nil {
		t.Fatal(err)
	}
	start := r.meter.kWh
	var last bus.Edge
	count := 0
	for i := range 4000 {
		now += time.Duration(1+i%7) * 300 * time.Millisecond
		var buf [4]bus.Edge
		for {
			n, err := e.Read(buf[:])
			if err != nil {
				t.Fatal(err)
			}
			for _, edge := range buf[:n] {
				if edge.Seq != last.Seq+1 || edge.At < last.At || edge.Rising == last.Rising && last.Seq != 0 || edge.At > now {
					t.Fatalf("%+v after %+v at %v", edge, last, now)
				}
				last = edge
				if !edge.Rising {
					count++
				}
			}
			if n < len(buf) {
				break
			}
		}
	}
	if want := (r.meter.kWh - start) * pulsesPerKWh; count < 50 || math.Abs(float64(count)-want) > 1.5 {
		t.Errorf("%d pulses for %.1f Wh", count, want)
	}
	e.Close()
	if _, err := e.Read(make([]bus.Edge, 1)); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("closed: %v", err)
	}
}
