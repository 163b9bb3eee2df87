package acquire

import (
	"errors"
	"math"
	"slices"
	"testing"

	"soakrig/daemon/internal/config"
	"soakrig/daemon/record"
	"soakrig/drivers"
	"soakrig/drivers/its90"
)

// TestUsualClass: the class taken for granted covers the couple, and the better class
// would not.
func TestUsualClass(t *testing.T) {
	for _, letter := range []string{"A", "B", "C", "E", "J", "K", "N", "R", "S", "T"} {
		couple, err := its90.ParseType(letter)
		if err != nil {
			t.Fatal(err)
		}
		covers := func(c its90.Class) bool {
			var outside *its90.RangeError
			_, _, err := its90.Tolerance(couple, c, math.NaN())
			return errors.As(err, &outside)
		}
		class, err := its90.ParseClass(usualClass(letter))
		if err != nil || !covers(class) {
			t.Errorf("type %s: class %s does not cover it (%v)", letter, usualClass(letter), err)
		}
		if class == its90.IECClass2 && covers(its90.IECClass1) {
			t.Errorf("type %s: class 1 covers it", letter)
		}
	}
}

// TestMasksAreRecorded: what a driver is told to leave out stands in the layout in
// the words of faults.
func TestMasksAreRecorded(t *testing.T) {
	got := converter(drivers.Converter{Model: "x", Masks: drivers.ShortToGround | drivers.Open}).Masks
	if !slices.Equal(got, []string{"open", "short_to_ground"}) {
		t.Errorf("%q", got)
	}
	if got := converter(drivers.Converter{Model: "x"}).Masks; got != nil {
		t.Errorf("nothing is masked: %q", got)
	}
}

func lineOf(lines []record.Line, name string) (record.Line, bool) {
	for _, l := range lines {
		if l.Name == name {
			return l, true
		}
	}
	return record.Line{}, false
}

// TestProbeLines: the gradient acts at the cold junction and belongs to couples only;
// the two parts of the mounting line add up to its limits (their squares do).
func TestProbeLines(t *testing.T) {
	two := 2.0
	lines := probeLines(config.Uncertainty{Mounting: &two}, true)
	if g, ok := lineOf(lines, "terminal gradient"); !ok || g.In != "cold" || g.Half != 0.3 {
		t.Errorf("gradient: %+v", g)
	}
	a, _ := lineOf(lines, "mounting and contact, remounted each time")
	b, _ := lineOf(lines, "mounting and contact, same place and method")
	if got := math.Hypot(a.Half, b.Half); math.Abs(got-2) > 0.001 || a.SharedBy != "" || b.SharedBy != "channel" {
		t.Errorf("mounting: %g, %+v, %+v", got, a, b)
	}
	if g, ok := lineOf(probeLines(config.Uncertainty{}, false), "terminal gradient"); ok {
		t.Errorf("a platinum probe has %+v", g)
	}
}
