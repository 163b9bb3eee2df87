package drivers_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"soakrig/drivers"
)

func TestSteps(t *testing.T) {
	const ok, bad = true, false
	for _, tt := range []struct {
		name   string
		values []float64 // one each 100 ms
		want   []bool
	}{
		{"slow rise", []float64{20, 24, 28, 32}, []bool{ok, ok, ok, ok}},
		{"spike", []float64{20, 80, 20, 21}, []bool{ok, bad, ok, ok}},
		{"new level", []float64{20, 80, 81, 82, 83}, []bool{ok, bad, bad, ok, ok}},
		{"falling too", []float64{20, -60, -61, -60, -60}, []bool{ok, bad, bad, ok, ok}},
		{"noise is no level", []float64{20, 80, 120, 60, 150, 20}, []bool{ok, bad, bad, bad, bad, ok}},
		{"slow drift reaches a refused value", []float64{20, 80, 25, 30, 35}, []bool{ok, bad, ok, ok, ok}},
	} {
		s, err := drivers.DefaultStep().Steps(0)
		if err != nil {
			t.Fatal(err)
		}
		at := time.Unix(0, 0)
		for i, v := range tt.values {
			if err := s.Check(v, at); (err == nil) != tt.want[i] {
				t.Errorf("%s, sample %d (%g degC): %v", tt.name, i, v, err)
			}
			at = at.Add(100 * time.Millisecond)
		}
	}
}

func TestStepsWords(t *testing.T) {
	s := drivers.Steps{MaxK: 5, Per: 100 * time.Millisecond}
	at := time.Unix(0, 0)
	if err := s.Check(20, at); err != nil {
		t.Fatal(err)
	}
	err := s.Check(-10, at.Add(200*time.Millisecond))
	if err == nil || !strings.Contains(err.Error(), "-30.00 K in 200ms, more than the 10.00 K") {
		t.Errorf("%v", err)
	}
	var off drivers.Steps
	if off.Check(0, at) != nil || off.Check(1000, at) != nil {
		t.Error("the zero value lets everything pass")
	}
	var oe *drivers.OptionError
	if _, err := (drivers.StepOption{MaxStep: -1}).Steps(2); !errors.As(err, &oe) || oe.Input != 2 {
		t.Errorf("%v", err)
	}
	if o := (drivers.StepOption{}).Options(); len(o) != 2 || o[0].Key != "max_step" {
		t.Errorf("%+v", o)
	}
}

// TestStepsProperties: what is accepted is within the limit of the last accepted
// value, or the last of Agree that agree.
func TestStepsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drivers.Steps{MaxK: 5, Per: 100 * time.Millisecond}
		at := time.Unix(0, 0)
		accepted, run, have := 0.0, 0, false
		for range rapid.IntRange(1, 50).Draw(t, "samples") {
			v := rapid.Float64Range(-100, 200).Draw(t, "value")
			err := s.Check(v, at)
			switch {
			case err != nil:
				run++
			case have && run < 2 && (v-accepted > 5*float64(run+1)+1e-9 || accepted-v > 5*float64(run+1)+1e-9):
				t.Fatalf("%g accepted after %g with %d refused in between", v, accepted, run)
			default:
				accepted, run, have = v, 0, true
			}
			at = at.Add(100 * time.Millisecond)
		}
	})
}
