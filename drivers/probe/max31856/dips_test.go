package max31856

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// TestResultFromBeforeOVUV: an input beyond its supply suspends conversions, and when
// it is back the status bit goes at once while the result stays the old one until a
// conversion has ended. The first sample after the bit is no value.
func TestResultFromBeforeOVUV(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(room)
		_, dev := bench(t, "", f)
		for i, step := range []struct {
			data string
			want drivers.Faults
		}{
			{room, 0},
			{"190001900002", drivers.ShortToSupply},
			{"190001900002", drivers.ShortToSupply},
			{room, drivers.Stale}, // the bit is gone, the number as before
			{"190001A00000", 0},
			{"190001A00001", drivers.Open},
			{"190001A00000", 0}, // an open circuit suspends nothing
		} {
			f.data(step.data)
			if r := drivertest.Read(t, dev)[0]; r.Faults != step.want {
				t.Errorf("step %d, %s: %v (%v), want %v", i, step.data, r.Faults, r.Cause, step.want)
			}
			time.Sleep(500 * time.Millisecond)
		}
	})
}

// TestSupplyDipAnywhere: before whichever transfer the supply dips, the three that set
// the chip up and those of readings, no reading is good but one of the right number
// under the right settings.
func TestSupplyDipAnywhere(t *testing.T) {
	for n := 1; n <= 8; n++ {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(room)
			left := n
			_, dev := bench(t, "average: 8", drivertest.ChipFunc(func(w, r []byte) error {
				if left > 0 {
					if left--; left == 0 {
						f.reset()
						f.data("000000000000")
					}
				}
				return f.Transfer(w, r)
			}))
			for i := range 8 {
				r := drivertest.Read(t, dev)[0]
				if r.Faults == 0 && (r.Code != 25*128 || r.Cold != 25*64 || f.regs[0] != 0x91) {
					t.Errorf("dip before transfer %d, reading %d: good with codes %d and %d, CR0 %02X", n, i, r.Code, r.Cold, f.regs[0])
				}
				if i == 7 && r.Faults != 0 {
					t.Errorf("dip before transfer %d: not back: %v", n, r.Cause)
				}
				time.Sleep(300 * time.Millisecond)
				if f.regs[0]&0x80 != 0 { // it converts
					f.data(room)
				}
				time.Sleep(300 * time.Millisecond)
			}
		})
	}
}

// TestHostLinearises: in voltage mode steps and ranges are judged in degC, by the
// reference function and the chip's cold junction.
func TestHostLinearises(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake("190000000000") // no EMF: 25 degC
		_, dev := bench(t, "linearise: host", f)
		for i, step := range []struct {
			data string
			want drivers.Faults
		}{
			{"190000000000", 0},
			{"1900035B0000", drivers.Implausible}, // +4.096 mV, near 124 degC, within half a second
			{"190000000000", 0},
			{"190000D20000", 0},                  // 1680 codes, 1.001 mV: 49.6 degC
			{"1900311E4000", drivers.OutOfRange}, // 100594 codes, 59.96 mV
		} {
			f.data(step.data)
			if r := drivertest.Read(t, dev)[0]; r.Faults != step.want {
				t.Errorf("step %d, %s: %v (%v), want %v", i, step.data, r.Faults, r.Cause, step.want)
			}
			time.Sleep(500 * time.Millisecond)
		}
	})
	for _, tt := range []struct{ options, couple, key, text string }{
		{"gain: 32", "K", "gain", "linearise: host"},
		{"linearise: host", "X", "couple", "not one of"},
		{"open_test: no", "K", "open_test", "off, low, high or slow"},
	} {
		src := source(tt.options)
		src.Inputs[0].Couple = tt.couple
		if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), src); err == nil || !strings.Contains(err.Error(), tt.key+": ") || !strings.Contains(err.Error(), tt.text) {
			t.Errorf("%s, type %s: %v", tt.options, tt.couple, err)
		}
	}
}

// TestTimings: every averaging at both notches; data sheet p4 and p20: 98 and 82 ms
// typical, 110 and 90 ms at most, each further conversion 20 and 16.67 ms; the first
// result 185 and 155 ms at most, each further conversion 40 and 33.33 ms.
func TestTimings(t *testing.T) {
	for _, tt := range []struct {
		hz, average           int
		firstMS, typMS, maxMS float64
	}{
		{50, 1, 185, 98, 110}, {50, 2, 225, 118, 130}, {50, 4, 305, 158, 170}, {50, 8, 465, 238, 250}, {50, 16, 785, 398, 410},
		{60, 1, 155, 82, 90}, {60, 2, 188.33, 98.67, 106.67}, {60, 4, 255, 132, 140}, {60, 8, 388.33, 198.67, 206.67}, {60, 16, 655, 332, 340},
		{0, 4, 255, 132, 140}, // no mains frequency: the chip's own 60 Hz
	} {
		got := timings(tt.hz, tt.average)
		for name, v := range map[string][2]float64{
			"first":  {got.first.Seconds() * 1e3, tt.firstMS},
			"update": {got.update.Seconds() * 1e3, tt.typMS},
			"slow":   {got.slow.Seconds() * 1e3, tt.maxMS},
		} {
			if d := v[0] - v[1]; d > 0.02 || d < -0.02 {
				t.Errorf("%d Hz, average %d, %s: %.3f ms, want %.3f", tt.hz, tt.average, name, v[0], v[1])
			}
		}
	}
}

// TestDipInsideABurst: the supply goes away after n bytes of a burst, and the rest is
// zeros. No such burst is a value that is wrong by more than the junction's step.
func TestDipInsideABurst(t *testing.T) {
	for n := 1; n <= 17; n++ {
		synctest.Test(t, func(t *testing.T) {
			f := newFake("191006458000") // 25.0625 and 100.34375 degC
			cut := 0
			_, dev := bench(t, "", drivertest.ChipFunc(func(w, r []byte) error {
				err := f.Transfer(w, r)
				if cut > 0 && len(r) > 0 {
					clear(r[cut:])
					cut = 0
					f.reset()
					f.data("000000000000")
				}
				return err
			}))
			if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
				t.Fatal(r.Cause)
			}
			time.Sleep(500 * time.Millisecond)
			cut = n
			r := drivertest.Read(t, dev)[0]
			if probe, cold := float64(r.Code)/128, float64(r.Cold)/64; r.Faults == 0 && (probe < 100.25 || probe > 100.35 || cold != 25.0625) {
				t.Errorf("%d bytes: good with %g and %g degC", n, probe, cold)
			}
		})
	}
}
