package max31855

import (
	"context"
	"errors"
	"io"
	"math"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
	"soakrig/drivers/its90"
)

const every = 200 * time.Millisecond

func source(inputs ...drivers.Input) drivers.Source {
	for i := range inputs {
		if inputs[i].Options == nil {
			inputs[i].Options = drivertest.Options("")
		}
	}
	return drivers.Source{Name: "back", Every: every, Inputs: inputs, Options: drivertest.Options("")}
}

func vr1(options string) drivers.Input {
	return drivers.Input{Channel: "vr1", Port: "SPI0.0", Couple: "K", Options: drivertest.Options(options)}
}

// bench opens one chip that answers as answer says.
func bench(t *testing.T, options string, answer drivertest.Chip) (*drivertest.Ports, *Dev) {
	t.Helper()
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").Attach(answer)
	host := bus.NewHost(ports)
	dev, err := New(host, source(vr1(options)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(dev.Close(), host.Close()); err != nil {
			t.Error(err)
		}
	})
	return ports, dev
}

func readOne(t *testing.T, dev *Dev) drivers.Reading {
	t.Helper()
	out := make([]drivers.Reading, 1)
	if err := dev.Read(t.Context(), out); err != nil {
		t.Fatal(err)
	}
	if err := drivertest.CheckReadings(out); err != nil {
		t.Fatal(err)
	}
	return out[0]
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		ports := drivertest.NewPorts()
		ports.AddPin("GPIO22")
		ports.AddPin("GPIO23")
		ports.AddSPI("SPI0.0").Attach(drivertest.Steady("01901900"))
		ports.AddSPI("SPI0.1").
			AttachAt("GPIO22", drivertest.Steady("FFF01900", "FFF41900")).
			AttachAt("GPIO23", drivertest.Steady("00001900"))
		return &drivertest.Rig{Ports: ports, Source: source(vr1(""),
			drivers.Input{Channel: "vr2", Port: "SPI0.1", Select: "GPIO22", Couple: "K"},
			drivers.Input{Channel: "vr3", Port: "SPI0.1", Select: "GPIO23", Couple: "T"})}
	})
}

func TestPortSettings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, dev := bench(t, "", drivertest.Steady("01901900"))
		readOne(t, dev)
		log := ports.Log()
		if len(log) != 1 {
			t.Fatalf("%d transfers for one reading", len(log))
		}
		got := log[0]
		if got.Mode != spi.Mode0 || got.Clock != 5*physic.MegaHertz || got.Bits != 8 || len(got.R) != 4 {
			t.Errorf("transfer with mode %v, %v, %d bits, %d bytes; the part wants mode 0, 5 MHz at most, 4 bytes", got.Mode, got.Clock, got.Bits, len(got.R))
		}
	})
}

// TestFaultWords are failures in the order of judgement, with what must come out.
func TestFaultWords(t *testing.T) {
	for _, tt := range []struct {
		name, frame string
		want        drivers.Faults
		cause       string
	}{
		{"line low", "00000000", drivers.NoChip, "zero bits"},
		{"line high", "FFFFFFFF", drivers.NoChip, "one bits"},
		{"reserved D17", "01921900", drivers.Corrupt, "reserved"},
		{"reserved D3", "01901908", drivers.Corrupt, "reserved"},
		{"fault bit alone", "01911900", drivers.Corrupt, "without a cause"},
		{"cause without fault bit", "01901901", drivers.Corrupt, "without the fault bit"},
		{"open", "7FFD1901", drivers.Open, "open circuit"},
		{"ground", "01751702", drivers.ShortToGround, "ground"},
		{"supply", "01911904", drivers.ShortToSupply, "supply"},
		{"open and ground", "7FFD1903", drivers.Open | drivers.ShortToGround, "open circuit and a short to ground"},
		{"open and supply", "7FFD1905", drivers.Open | drivers.ShortToSupply, "several"},
		{"ground and supply", "7FFD1906", drivers.ShortToGround | drivers.ShortToSupply, "several"},
		{"all three", "7FFD1907", drivers.Open | drivers.ShortToGround | drivers.ShortToSupply, "several"},
		{"probe too hot", "54641900", drivers.OutOfRange, "1350.25"},
		{"probe too cold", "F37C1900", drivers.OutOfRange, "-200.25"},
		{"cold junction too hot", "01907D10", drivers.ColdJunction, "125.0625"},
		{"cold junction too cold", "0190D7F0", drivers.ColdJunction, "-40.0625"},
		{"both", "C84C8450", drivers.ColdJunction | drivers.OutOfRange, "cold junction"},
		{"hottest", "54601900", 0, ""},
		{"coldest", "F3801900", 0, ""},
		{"hottest junction", "01907D00", 0, ""},
		{"coldest junction", "0190D800", 0, ""},
		{"true zero", "00001900", 0, ""},
		{"probe live, junction at zero", "01900000", 0, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				_, dev := bench(t, "", drivertest.Steady(tt.frame))
				r := readOne(t, dev)
				if r.Faults != tt.want {
					t.Fatalf("faults %v (%v), want %v", r.Faults, r.Cause, tt.want)
				}
				if tt.want != 0 && !strings.Contains(r.Cause.Error(), tt.cause) {
					t.Errorf("cause %q does not say %q", r.Cause, tt.cause)
				}
			})
		})
	}
}

// TestMask: a probe that is grounded for good on a board that ties T- to ground. That
// one flag is left out; every other fault still counts, also beside it, and the
// converter says for the record what is left out.
func TestMask(t *testing.T) {
	for frame, want := range map[string]drivers.Faults{
		"01751702": 0, // grounded: 23.25 degC, junction 23.0
		"01751700": drivers.Corrupt,
		"01741700": 0, // the flag went away
		"7FFD1903": drivers.Open,
		"7FFD1906": drivers.ShortToSupply,
		"7FFD1907": drivers.Open | drivers.ShortToSupply,
		"7FFD1901": drivers.Open,
		"54651902": drivers.OutOfRange,
		"01917D12": drivers.ColdJunction,
		"00000000": drivers.NoChip,
		"FFFFFFFF": drivers.NoChip,
		"0175170A": drivers.Corrupt,
	} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, "mask: short_to_ground", drivertest.Steady(frame))
			r := readOne(t, dev)
			if r.Faults != want {
				t.Errorf("%s: %v (%v), want %v", frame, r.Faults, r.Cause, want)
			}
			if frame == "01751702" && (r.Code != 93 || r.Cold != 368) {
				t.Errorf("%+v", r)
			}
			if m := dev.Converters()[0].Masks; m != drivers.ShortToGround {
				t.Errorf("the converter records %v", m)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, "", drivertest.Steady("01751702"))
		if r := readOne(t, dev); r.Faults != drivers.ShortToGround || dev.Converters()[0].Masks != 0 {
			t.Errorf("without being told: %v", r.Faults)
		}
	})
	for _, word := range []string{"open", "short_to_supply", "short_to_ground+open", "SHORT_TO_GROUND", "all"} {
		var refused *drivers.OptionError
		if err := drivertest.Refusal(t, &Driver, drivertest.Floating(0), source(vr1("mask: "+word))); !errors.As(err, &refused) || refused.Key != "mask" {
			t.Errorf("%s: %v", word, err)
		}
	}
}

func TestTruncatedTransfer(t *testing.T) {
	for _, frame := range []string{"", "01", "0190", "019019"} {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, "", drivertest.Frames(frame))
			r := readOne(t, dev)
			if r.Faults != drivers.BusError || !errors.Is(r.Cause, io.ErrUnexpectedEOF) || r.Has != 0 {
				t.Errorf("frame %q: %+v, want a bus error without codes", frame, r)
			}
			if !strings.Contains(r.Cause.Error(), "vr1") || !strings.Contains(r.Cause.Error(), "SPI0.0") {
				t.Errorf("cause %q names neither channel nor port", r.Cause)
			}
		})
	}
}

func TestStale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, "", drivertest.Steady("01901900"))
		good := 0
		readOne(t, dev) // waits for the power-up time
		began := time.Now()
		for time.Since(began) < 10*time.Second {
			time.Sleep(10 * time.Millisecond)
			r := readOne(t, dev)
			switch r.Faults {
			case 0:
				good++
			case drivers.Stale:
			default:
				t.Fatalf("%v: %v", r.Faults, r.Cause)
			}
		}
		// 70 ms typical per conversion, data sheet p5: at most 14.3 distinct samples per second.
		if rate := float64(good) / 10; rate > 14.3 || rate < 14 {
			t.Errorf("%g samples per second out of a poll every 10 ms, want 14.2", rate)
		}
	})
}

func TestPowerUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, "", drivertest.Frames("01901900", "00000000", "01901900", "01901900", "01901900"))
		began := time.Now()
		if r := readOne(t, dev); r.Faults != 0 || time.Since(began) < 200*time.Millisecond {
			t.Fatalf("first frame after %v: %v", time.Since(began), r.Faults)
		}
		for i, want := range []drivers.Faults{drivers.NoChip, drivers.Stale, drivers.Stale, 0} {
			time.Sleep(100 * time.Millisecond)
			if r := readOne(t, dev); r.Faults != want {
				t.Errorf("read %d after the supply dipped: %v (%v), want %v", i, r.Faults, r.Cause, want)
			}
		}
	})
}

func TestFirstReadWithShortDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, "", drivertest.Steady("01901900"))
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer cancel()
		out := make([]drivers.Reading, 1)
		if err := dev.Read(ctx, out); err != nil {
			t.Fatal(err)
		}
		if out[0].Faults != drivers.Stale {
			t.Errorf("%v, want stale: the power-up time is longer than the deadline", out[0].Faults)
		}
	})
}

func TestStep(t *testing.T) {
	// 25 degC, one wild frame, back; then a new level that stays.
	frames := []string{"01901900", "19001900", "01901900", "06401900", "06401900", "06441900", "06401900"}
	want := []drivers.Faults{0, drivers.Implausible, 0, drivers.Implausible, drivers.Implausible, 0, 0}
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, "", drivertest.Frames(frames...))
		for i := range frames {
			r := readOne(t, dev)
			if r.Faults != want[i] {
				t.Errorf("frame %d %s: %v (%v), want %v", i, frames[i], r.Faults, r.Cause, want[i])
			}
			if r.Has != drivers.HasCode|drivers.HasCold {
				t.Errorf("frame %d: evidence missing: %+v", i, r)
			}
			time.Sleep(every)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, "max_step: 0", drivertest.Frames("01901900", "19001900"))
		for range 2 {
			if r := readOne(t, dev); r.Faults != 0 {
				t.Errorf("with the check off: %v", r.Cause)
			}
			time.Sleep(every)
		}
	})
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		name string
		src  drivers.Source
		key  string
		text string
	}{
		{"no letter", source(drivers.Input{Channel: "a", Port: "SPI0.0"}), "letter", "missing"},
		{"letter against couple", source(vr1("letter: J")), "letter", "must agree"},
		{"letter the part does not have", source(drivers.Input{Channel: "a", Port: "SPI0.0", Couple: "B"}), "letter", "not made for"},
		{"a part number", source(vr1("letter: MAX31855KASA")), "letter", "one letter"},
		{"a power channel", source(drivers.Input{Channel: "a", Port: "SPI0.0", Couple: "K", Kind: drivers.Power}), "channel", "temperature"},
		{"negative step", source(vr1("max_step: -1")), "max_step", "above zero"},
		{"faster than the chip", func() drivers.Source { s := source(vr1("")); s.Every = 50 * time.Millisecond; return s }(), "every", "conversion"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			host := bus.NewHost(drivertest.Floating(0))
			defer host.Close()
			_, err := New(host, tt.src)
			var oe *drivers.OptionError
			if !errors.As(err, &oe) || oe.Key != tt.key || !strings.Contains(oe.Text, tt.text) {
				t.Errorf("got %v, want %s: ...%s...", err, tt.key, tt.text)
			}
		})
	}
	host := bus.NewHost(drivertest.Floating(0))
	defer host.Close()
	two := source(vr1(""), drivers.Input{Channel: "vr2", Port: "/dev/spidev0.0", Couple: "K"})
	if _, err := New(host, two); err == nil || !strings.Contains(err.Error(), "vr1") || !strings.Contains(err.Error(), "vr2") {
		t.Errorf("two channels on one chip select: %v, want both named", err)
	}
	if dev, err := New(host, source(vr1(""))); err != nil {
		t.Errorf("the refusal left something claimed: %v", err)
	} else if err := dev.Close(); err != nil {
		t.Error(err)
	}
}

// TestLetters compares each slope with the reference function at the end of the
// part's span, where the two are equal by construction.
func TestLetters(t *testing.T) {
	for _, l := range letters {
		typ, err := its90.ParseType(l.name)
		if err != nil {
			t.Fatal(err)
		}
		end := 1000.0
		if l.name == "T" {
			end = 400
		}
		e, err := typ.EMFVolts(end)
		if err != nil {
			t.Fatal(err)
		}
		if got := e / end; math.Abs(got-l.slope) > 0.001e-6 {
			t.Errorf("type %s: slope %.4g V/K, reference function gives %.6g over 0 to %g degC", l.name, l.slope, got, end)
		}
		c := l.converter()
		if c.Model != "MAX31855"+l.name || c.Law != drivers.LawFixedSlope || c.Conversion != 100*time.Millisecond {
			t.Errorf("type %s: converter %+v", l.name, c)
		}
	}
}

func TestProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports, dev := bench(t, "", drivertest.Steady("FFFC1900"))
		lines, err := dev.Probe(t.Context())
		if err != nil || len(lines) != 1 || !strings.Contains(lines[0], "FFFC1900") || !strings.Contains(lines[0], "-0.25") {
			t.Errorf("%q, %v", lines, err)
		}
		ports.Fail(syscall.EIO)
		if _, err := dev.Probe(t.Context()); !errors.Is(err, syscall.EIO) {
			t.Errorf("probe of a dead bus: %v", err)
		}
	})
}

// TestFrameCutShort: a supply dip in the middle of a frame leaves zeros, and no fault
// bit. A junction that really is at zero came there in steps.
func TestFrameCutShort(t *testing.T) {
	frames := []string{"06401900", "06400000", "06000000", "00000000", "06401900", "06400500", "06400400", "06400040", "06400000"}
	want := []drivers.Faults{0, drivers.Corrupt, drivers.Corrupt, drivers.NoChip, drivers.Stale, 0, 0, 0, 0}
	synctest.Test(t, func(t *testing.T) {
		_, dev := bench(t, "", drivertest.Frames(frames...))
		for i := range frames {
			if r := readOne(t, dev); r.Faults != want[i] {
				t.Errorf("frame %d %s: %v (%v), want %v", i, frames[i], r.Faults, r.Cause, want[i])
			}
			time.Sleep(every)
		}
	})
}
