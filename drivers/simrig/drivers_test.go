package simrig_test

import (
	"context"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
	"soakrig/drivers/its90"
	"soakrig/drivers/meter/modbusmap"
	"soakrig/drivers/probe/max31855"
	"soakrig/drivers/probe/max31856"
	"soakrig/drivers/probe/mcp9600"
	"soakrig/drivers/simrig"
)

// position is a simulated rig with rig time moved by hand.
type position struct {
	*simrig.Rig
	t time.Duration
}

func newPosition(t *testing.T, o simrig.Opts) *position {
	t.Helper()
	p := &position{t: time.Second}
	r, err := simrig.New(o, func() time.Duration { return p.t })
	if err != nil {
		t.Fatal(err)
	}
	r.SetWait(func(_ context.Context, d time.Duration) error { p.t += d; return nil })
	t.Cleanup(func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
	p.Rig = r
	return p
}

// back is the source of the eight probes behind the stages.
func back(every time.Duration) drivers.Source {
	src := drivers.Source{Name: "back", Every: every, MainsHz: 50}
	for i := range 8 {
		n := strconv.Itoa(i)
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "vr" + n, Port: "SPI0." + n, Couple: "K", Kind: drivers.Temperature})
	}
	return src
}

// tempC turns a reading's codes into a temperature by the laws in package drivers.
func tempC(t *testing.T, c drivers.Converter, r drivers.Reading) float64 {
	t.Helper()
	switch c.Law {
	case drivers.LawLinearised:
		return float64(r.Code)*c.PerCode + c.Offset
	case drivers.LawFixedSlope:
		cold := float64(r.Cold) * c.ColdPerCode
		e, err := its90.K.EMFVolts(cold)
		if err != nil {
			t.Fatal(err)
		}
		v, err := its90.K.TempC(e + (float64(r.Code)*c.PerCode-cold)*c.SlopeVoltsPerK)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	t.Fatalf("law %d", c.Law)
	return 0
}

// The real driver reads the default rig for two hours, loaded and not, without one
// fault, within what probes and converters were made with.
func TestMAX31855DriverReadsTheRig(t *testing.T) {
	p := newPosition(t, simrig.DefaultOpts())
	dev := drivertest.Open(t, &max31855.Driver, p, back(250*time.Millisecond))
	for i := range 4 * 7200 {
		switch i {
		case 4 * 600:
			p.SetLoad(true)
		case 4 * 6600:
			p.SetLoad(false)
		}
		p.t += 250 * time.Millisecond
		var truth simrig.Truth
		out := drivertest.Read(t, dev)
		if i%400 == 0 {
			truth = p.Truth()
		}
		for k, r := range out {
			if r.Faults != 0 {
				t.Fatalf("vr%d at %v: %v: %v", k, p.t, r.Faults, r.Cause)
			}
			if i%400 == 0 {
				if got, want := tempC(t, dev.Converters()[k], r), truth.StageC[k]; math.Abs(got-want) > 1.8 {
					t.Errorf("vr%d at %v: %.2f degC, the place has %.2f", k, p.t, got, want)
				}
			}
		}
	}
	if hot := p.Truth().PeakC[4]; hot < 70 {
		t.Errorf("peak %.1f degC: was it loaded?", hot)
	}
}

// Every scripted failure of a probe or chip becomes the fault it should.
func TestMAX31855DriverSeesScriptedFaults(t *testing.T) {
	for kind, want := range map[string]drivers.Faults{
		"open": drivers.Open, "short_to_ground": drivers.ShortToGround, "short_to_supply": drivers.ShortToSupply,
		"no_chip": drivers.NoChip, "bus_error": drivers.BusError,
	} {
		for _, miso := range []string{"low", "high"} {
			o := simrig.DefaultOpts()
			o.MISO = miso
			o.Faults = []simrig.Fault{{Kind: kind, Chip: "SPI0.2", At: 10 * time.Second, For: 10 * time.Second}}
			p := newPosition(t, o)
			dev := drivertest.Open(t, &max31855.Driver, p, back(time.Second))
			for p.t < 30*time.Second {
				p.t += time.Second
				broken := p.t > 10*time.Second && p.t < 20*time.Second
				for k, r := range drivertest.Read(t, dev) {
					switch {
					case k == 2 && broken && r.Faults&want == 0:
						t.Errorf("%s, miso %s, at %v: %v, want %v", kind, miso, p.t, r.Faults, want)
					case (k != 2 || !broken && p.t < 10*time.Second) && r.Faults != 0:
						t.Errorf("%s, miso %s, vr%d at %v: %v: %v", kind, miso, k, p.t, r.Faults, r.Cause)
					}
				}
			}
			if r := drivertest.Read(t, dev)[2]; r.Faults&^drivers.Stale != 0 {
				t.Errorf("%s: still %v ten seconds later", kind, r.Faults)
			}
		}
	}
}

// Two probes on one port, selected by pins, beside each other.
func TestPinSelectedChipsThroughTheHost(t *testing.T) {
	o := simrig.DefaultOpts()
	o.Unit.Off = true
	o.Chips = []simrig.Chip{
		{Port: "SPI0.0", Select: "GPIO22", Model: "max31855", Place: "stage 1"},
		{Port: "SPI0.0", Select: "GPIO23", Model: "max31855", Place: "room"},
	}
	o.Faults = []simrig.Fault{{Kind: "open", Chip: "SPI0.0/GPIO23"}}
	p := newPosition(t, o)
	dev := drivertest.Open(t, &max31855.Driver, p, drivers.Source{Name: "back", Every: time.Second, Inputs: []drivers.Input{
		{Channel: "a", Port: "SPI0.0", Select: "GPIO22", Couple: "K"},
		{Channel: "b", Port: "SPI0.0", Select: "GPIO23", Couple: "K"},
	}})
	p.t += 10 * time.Second
	out := drivertest.Read(t, dev)
	if out[0].Faults != 0 || out[1].Faults != drivers.Open {
		t.Fatalf("%v (%v) and %v", out[0].Faults, out[0].Cause, out[1].Faults)
	}
	if got := tempC(t, dev.Converters()[0], out[0]); math.Abs(got-23) > 2 {
		t.Errorf("%.2f degC in a room of 23", got)
	}
}

// The MAX31856's driver configures the emulated chip, follows it, and finds a
// brown-out and an over-voltage.
func TestMAX31856DriverReadsTheRig(t *testing.T) {
	o := simrig.DefaultOpts()
	for i := range o.Chips {
		o.Chips[i].Model = "max31856"
	}
	o.Faults = []simrig.Fault{
		{Kind: "brown_out", Chip: "SPI0.1", At: 20 * time.Minute, For: 50 * time.Millisecond},
		{Kind: "short_to_supply", Chip: "SPI0.2", At: 20 * time.Minute, For: time.Minute},
		{Kind: "open", Chip: "SPI0.3", At: 20 * time.Minute},
	}
	p := newPosition(t, o)
	src := back(time.Second)
	src.Options = drivertest.Options("average: 4")
	dev := drivertest.Open(t, &max31856.Driver, p, src)
	p.SetLoad(true)
	p.t += 2 * time.Second
	seen := make([]drivers.Faults, 8)
	for p.t < 25*time.Minute {
		p.t += time.Second
		for k, r := range drivertest.Read(t, dev) {
			if p.t < 20*time.Minute && r.Faults != 0 {
				t.Fatalf("vr%d at %v: %v: %v", k, p.t, r.Faults, r.Cause)
			}
			seen[k] |= r.Faults
			if r.Faults == 0 && p.t%(100*time.Second) < time.Second {
				if got, want := tempC(t, dev.Converters()[k], r), p.Truth().StageC[k]; math.Abs(got-want) > 1.8 {
					t.Errorf("vr%d at %v: %.2f degC, the place has %.2f", k, p.t, got, want)
				}
			}
		}
	}
	if seen[0] != 0 || seen[1]&(drivers.ConfigLost|drivers.NoChip) == 0 || seen[2] == 0 || seen[3]&drivers.Open == 0 {
		t.Errorf("faults seen: %v", seen)
	}
}

// The MCP9600's driver reads eight chips on one bus, and finds what freezes, dips
// and repeats.
func TestMCP9600DriverReadsTheRig(t *testing.T) {
	o := simrig.DefaultOpts()
	o.Chips = nil
	src := drivers.Source{Name: "back", Every: time.Second, Port: "I2C1",
		Options: drivertest.Options("filter: 2")} // else a dip can't be told from the power-on settings
	for i := range 8 {
		n := strconv.Itoa(i)
		o.Chips = append(o.Chips, simrig.Chip{Port: "I2C1", Address: 0x60 + i, Model: "mcp9600", Place: "stage " + strconv.Itoa(i+1)})
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "vr" + n, Port: "I2C1", Couple: "K", Options: drivertest.Options("address: " + strconv.Itoa(0x60+i))})
	}
	o.Faults = []simrig.Fault{
		{Kind: "brown_out", Chip: "I2C1/0x61", At: 20*time.Minute + 300*time.Millisecond, For: 50 * time.Millisecond},
		{Kind: "repeat_byte", Chip: "I2C1/0x62", At: 20 * time.Minute, For: time.Minute},
		{Kind: "open", Chip: "I2C1/0x63", At: 20 * time.Minute},
		{Kind: "no_chip", Chip: "I2C1/0x64", At: 20 * time.Minute, For: time.Minute},
	}
	p := newPosition(t, o)
	dev := drivertest.Open(t, &mcp9600.Driver, p, src)
	p.SetLoad(true)
	seen := make([]drivers.Faults, 8)
	for p.t < 25*time.Minute {
		p.t += time.Second
		for k, r := range drivertest.Read(t, dev) {
			if p.t > 3*time.Second && p.t < 20*time.Minute && r.Faults != 0 {
				t.Fatalf("vr%d at %v: %v: %v", k, p.t, r.Faults, r.Cause)
			}
			if p.t > 3*time.Second {
				seen[k] |= r.Faults
			}
			if r.Faults == 0 && p.t%(100*time.Second) < time.Second {
				if got, want := tempC(t, dev.Converters()[k], r), p.Truth().StageC[k]; math.Abs(got-want) > 2 {
					t.Errorf("vr%d at %v: %.2f degC, the place has %.2f", k, p.t, got, want)
				}
			}
		}
	}
	for k, want := range []drivers.Faults{0, drivers.ConfigLost, drivers.Corrupt, drivers.OutOfRange | drivers.Open, drivers.NoChip | drivers.BusError} {
		if want == 0 && seen[k] != 0 || want != 0 && seen[k]&want == 0 {
			t.Errorf("vr%d: faults %v, want of %v", k, seen[k], want)
		}
	}
}

// The meter's driver reads the emulated meter with a map that was not made for it.
func TestMeterDriverReadsTheRig(t *testing.T) {
	o := simrig.DefaultOpts()
	p := newPosition(t, o)
	src := drivers.Source{Name: "wall", Every: time.Second, Port: "meter", Options: drivertest.Options("map: builtin:sdm120\nunit: 1\nframing: tcp")}
	for _, f := range []string{"active_power", "import_energy", "voltage", "frequency"} {
		src.Inputs = append(src.Inputs, drivers.Input{Channel: f, Port: src.Port, Options: drivertest.Options("field: " + f)})
	}
	dev := drivertest.Open(t, &modbusmap.Driver, p, src)
	p.SetLoad(true)
	p.t = time.Hour
	want := p.Truth()
	got := map[string]float64{}
	for i, r := range drivertest.Read(t, dev) {
		if r.Faults != 0 {
			t.Fatalf("%s: %v: %v", src.Inputs[i].Channel, r.Faults, r.Cause)
		}
		c := dev.Converters()[i]
		if c.Law != drivers.LawFloat32 {
			t.Fatalf("%s: law %d", src.Inputs[i].Channel, c.Law)
		}
		got[src.Inputs[i].Channel] = float64(math.Float32frombits(uint32(r.Code)))*c.PerCode + c.Offset
	}
	near(t, "power, W", got["active_power"], want.WallW, 0.02*want.WallW)
	near(t, "energy, J", got["import_energy"]-o.Meter.CounterKWh*3.6e6, want.WallJ, 0.015*want.WallJ+4000)
	near(t, "voltage", got["voltage"], 230, 3)
	near(t, "frequency", got["frequency"], 50, 0.1)
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %g, want %g +- %g", what, got, want, within)
	}
}

// The names a user may write for ports are refused or opened as on hardware.
func TestDriverNamesTheMissingPort(t *testing.T) {
	p := newPosition(t, simrig.DefaultOpts())
	src := drivers.Source{Name: "x", Every: time.Second, Options: drivertest.Options(""), Inputs: []drivers.Input{
		{Channel: "a", Port: "SPI4.0", Couple: "K", Options: drivertest.Options("")},
	}}
	_, err := openDriver(t, p, src)
	if err == nil || !strings.Contains(err.Error(), "SPI4.0") || !strings.Contains(err.Error(), "SPI0.0") {
		t.Errorf("error %v, want the port and those that exist", err)
	}
}

func openDriver(t *testing.T, p *position, src drivers.Source) (drivers.Device, error) {
	t.Helper()
	host := bus.NewHost(p)
	t.Cleanup(func() {
		if err := host.Close(); err != nil {
			t.Error(err)
		}
	})
	return max31855.Driver.Open(t.Context(), host, src)
}
