package wording

import "testing"

func TestLength(t *testing.T) {
	for s, want := range map[int64]string{0: "0 s", 40: "40 s", 725: "12 min 5 s", 17160: "4 h 46 min", 3601: "1 h 1 s", -60: "-1 min"} {
		if got := Length(s); got != want {
			t.Errorf("%d s: %q, want %q", s, got, want)
		}
	}
}

func TestClock(t *testing.T) {
	for s, want := range map[int64]string{0: "0:00:00", 3725: "1:02:05", 90061: "25:01:01", -5: "-0:00:05"} {
		if got := Clock(s); got != want {
			t.Errorf("%d s: %q, want %q", s, got, want)
		}
	}
}

func TestNumbers(t *testing.T) {
	for v, want := range map[float64]string{23.06: "23.06", 101.25: "101.2", 40: "40", -0.5: "-0.5"} {
		if got := FourDigits(v); got != want {
			t.Errorf("%v: %q, want %q", v, got, want)
		}
	}
	if Times(1) != "once" || Times(3) != "3 times" {
		t.Errorf("%q, %q", Times(1), Times(3))
	}
}
