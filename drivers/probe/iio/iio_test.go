package iio

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
	"soakrig/drivers/its90"
)

// folder makes a folder of files, "name=content" each.
func folder(t testing.TB, files ...string) string {
	t.Helper()
	dir := t.TempDir()
	for _, f := range files {
		name, text, _ := strings.Cut(f, "=")
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func source(dir, couple, options string) drivers.Source {
	return drivers.Source{Name: "back", Every: 500 * time.Millisecond,
		Inputs: []drivers.Input{{Channel: "vr1", Port: dir, Couple: couple, Options: drivertest.Options(options)}}}
}

func read(t *testing.T, dir, couple, options string) (r drivers.Reading, conv drivers.Converter) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		dev := drivertest.Open(t, &Driver, drivertest.NewPorts(), source(dir, couple, options))
		r, conv = drivertest.Read(t, dev)[0], dev.Converters()[0]
	})
	return r, conv
}

func TestConformance(t *testing.T) {
	const files = "the device is a folder of the kernel's files: no bus to fail or delay"
	a := folder(t, "in_temp_raw=403", "in_temp_ambient_raw=400")
	b := folder(t, "temp1_input=21500")
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		src := source(a, "K", "chip: max31855")
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "room", Port: b, Options: drivertest.Options("chip: hwmon")})
		return &drivertest.Rig{Source: src, Allocates: files, NoBus: files}
	})
}

var assignment = regexp.MustCompile(`(in_[a-z_]+)=(-?[0-9.]+)`)

// TestCases reads the published sysfs texts through the open driver.
func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 6) {
		t.Run(c.ID, func(t *testing.T) {
			switch c.ID {
			case "k55-fault":
				TestErrorsOfTheKernel(t)
				return
			case "56-kernel-cjto-":
				testOffsetBug(t, c)
				return
			}
			var files []string
			scales := map[string]float64{}
			for _, m := range assignment.FindAllStringSubmatch(c.Input, -1) {
				files = append(files, m[1]+"="+m[2])
				var v float64
				if _, err := fmt.Sscan(m[2], &v); err != nil {
					t.Fatal(err)
				}
				scales[m[1]] = v
			}
			dir := folder(t, files...)
			if c.Chip == "MAX31865" {
				r, conv := read(t, dir, "", "{chip: max31865, rref: 400}")
				if r.Faults != 0 || float64(r.Code)*conv.PerCode != 100 || conv.Law != drivers.LawRTD {
					t.Errorf("%+v: want 100 ohm, which is 0 degC", r)
				}
				if want, _ := c.Number("kernel_product_mC"); scales["in_temp_raw"]*scales["in_temp_scale"] != want {
					t.Errorf("the trap of the kernel's scale: %g", scales["in_temp_raw"]*scales["in_temp_scale"])
				}
				return
			}
			chip := strings.ToLower(strings.TrimSuffix(c.Chip, "-kernel"))
			r, conv := read(t, dir, "K", "chip: "+chip)
			if r.Faults != 0 {
				t.Fatal(r.Cause)
			}
			if want, _ := c.Number("tc_c"); float64(r.Code)*conv.PerCode != want {
				t.Errorf("probe %g degC, want %g", float64(r.Code)*conv.PerCode, want)
			}
			if want, _ := c.Number("cj_c"); float64(r.Cold)*conv.ColdPerCode != want {
				t.Errorf("cold junction %g degC, want %g", float64(r.Cold)*conv.ColdPerCode, want)
			}
			if s := scales["in_temp_scale"] / 1000; s != conv.PerCode {
				t.Errorf("a code is worth %g degC, the kernel's scale says %g", conv.PerCode, s)
			}
		})
	}
}

// testOffsetBug: the kernel's number is what is read; the driver can't see that the
// kernel added an offset twice, and its Caution says so.
func testOffsetBug(t *testing.T, c drivertest.Case) {
	raw, _ := c.Number("cj_raw_kernel")
	dir := folder(t, "in_temp_raw=12920", fmt.Sprintf("in_temp_ambient_raw=%g", raw))
	r, conv := read(t, dir, "K", "chip: max31856")
	if want, _ := c.Number("cj_c_kernel"); r.Faults != 0 || float64(r.Cold)*conv.ColdPerCode != want {
		t.Errorf("%+v, the kernel shows %g", r, want)
	}
	if !strings.Contains(Driver.Info.Caution, "offset register") {
		t.Error("Caution does not warn of it")
	}
}

// errFile is a file of the kernel that fails.
type errFile struct {
	err  error
	text string
}

func (f errFile) Read(_ context.Context, p []byte) (int, error) { return copy(p, f.text), f.err }
func (f errFile) Close() error                                  { return nil }
func (f errFile) String() string                                { return "in_temp_raw" }

func TestErrorsOfTheKernel(t *testing.T) {
	host := bus.NewHost(drivertest.NewPorts())
	defer host.Close()
	m, _ := findModel("max31856")
	for _, tt := range []struct {
		probe errFile
		open  string // content of fault_oc
		want  drivers.Faults
	}{
		{errFile{err: syscall.EINVAL}, "0", drivers.DeviceError},
		{errFile{err: syscall.EIO}, "0", drivers.BusError},
		{errFile{err: syscall.EIO}, "1", drivers.BusError | drivers.Open},
		{errFile{err: syscall.ENODEV}, "0", drivers.NoChip},
		{errFile{err: os.ErrNotExist}, "0", drivers.NoChip},
		{errFile{err: syscall.ETIMEDOUT}, "0", drivers.BusError},
		{errFile{text: "hello"}, "0", drivers.Corrupt},
		{errFile{text: ""}, "0", drivers.Corrupt},
		{errFile{text: "12920"}, "1", drivers.Open},
		{errFile{text: "12920"}, "x", drivers.Corrupt}, // what may be a fault is not taken for none
	} {
		c := &chip{host: host, channel: "vr1", model: m, probe: tt.probe, cold: errFile{text: "1600"},
			flags: []flag{{errFile{text: tt.open}, drivers.Open, "open"}}}
		var r drivers.Reading
		if err := c.Read(t.Context(), &r); tt.probe.err != nil && !errors.Is(err, tt.probe.err) {
			t.Errorf("%v: cause lost: %v", tt.probe, err)
		}
		if r.Faults != tt.want || (r.Faults == 0) != (r.Cause == nil) || (tt.probe.text != "12920" && r.Has != 0) {
			t.Errorf("%+v with fault_oc %s: %+v, want %v", tt.probe, tt.open, r, tt.want)
		}
	}
}

// TestRealReadError reads a file that exists and fails: the memory of this process
// at address 0.
func TestRealReadError(t *testing.T) {
	dir := folder(t, "in_temp_ambient_raw=400")
	if err := os.Symlink("/proc/self/mem", filepath.Join(dir, "in_temp_raw")); err != nil {
		t.Fatal(err)
	}
	r, _ := read(t, dir, "K", "chip: max31855")
	if r.Faults != drivers.BusError || !errors.Is(r.Cause, syscall.EIO) {
		t.Errorf("%v (%v)", r.Faults, r.Cause)
	}
}

func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		name, options, couple string
		files                 []string
		want                  drivers.Faults
	}{
		{"31855 zeros", "chip: max31855", "K", []string{"in_temp_raw=0", "in_temp_ambient_raw=0"}, drivers.NoChip},
		{"31855 true zero", "chip: max31855", "K", []string{"in_temp_raw=0", "in_temp_ambient_raw=400"}, 0},
		{"31855 too hot", "chip: max31855", "K", []string{"in_temp_raw=8000", "in_temp_ambient_raw=400"}, drivers.OutOfRange},
		{"31855 junction", "chip: max31855", "K", []string{"in_temp_raw=100", "in_temp_ambient_raw=2001"}, drivers.ColdJunction},
		{"31855 half of the files", "chip: max31855", "K", []string{"in_temp_raw=100"}, drivers.NoChip},
		{"6675 zero", "chip: max6675", "K", []string{"in_temp_raw=0"}, drivers.NoChip},
		{"6675", "chip: max6675", "K", []string{"in_temp_raw=100"}, 0},
		{"31856 after a brown-out", "chip: max31856", "K", []string{"in_temp_raw=0", "in_temp_ambient_raw=0"}, drivers.NoChip},
		{"31856 open", "chip: max31856", "K", []string{"in_temp_raw=100", "in_temp_ambient_raw=1600", "fault_oc=1"}, drivers.Open},
		{"31856 both", "chip: max31856", "K", []string{"in_temp_raw=100", "in_temp_ambient_raw=1600", "fault_oc=1", "fault_ovuv=1"}, drivers.Open | drivers.ShortToSupply},
		{"31865 open", "{chip: max31865, rref: 430}", "", []string{"in_temp_raw=32767"}, drivers.Open},
		{"31865 zero", "{chip: max31865, rref: 430}", "", []string{"in_temp_raw=0"}, drivers.OutOfRange},
		{"31865 cold", "{chip: max31865, rref: 400}", "", []string{"in_temp_raw=6903"}, 0},
		{"9600 negative", "chip: mcp9600", "K", []string{"in_temp_raw=-160", "in_temp_ambient_raw=400"}, 0},
		{"9600 zeros", "chip: mcp9600", "K", []string{"in_temp_raw=0", "in_temp_ambient_raw=0"}, drivers.NoChip},
		{"9600 true zero", "chip: mcp9600", "K", []string{"in_temp_raw=0", "in_temp_ambient_raw=400"}, 0},
		{"9600 repeated bytes", "chip: mcp9600", "K", []string{"in_temp_raw=257", "in_temp_ambient_raw=257"}, drivers.Corrupt},
		{"9600 repeated bytes, cold", "chip: mcp9600", "K", []string{"in_temp_raw=-1", "in_temp_ambient_raw=257"}, drivers.Corrupt},
		{"9600 true 16.0625", "chip: mcp9600", "K", []string{"in_temp_raw=257", "in_temp_ambient_raw=380"}, 0},
		{"hwmon", "chip: hwmon", "", []string{"temp1_input=-10000"}, 0},
		{"hwmon fault file", "chip: hwmon", "", []string{"temp1_input=25000", "temp1_fault=1"}, drivers.DeviceError},
		{"hwmon other file", "{chip: hwmon, file: temp2_input}", "", []string{"temp2_input=25000"}, 0},
		{"hwmon nothing", "chip: hwmon", "", nil, drivers.NoChip},
	} {
		if r, _ := read(t, folder(t, tt.files...), tt.couple, tt.options); r.Faults != tt.want {
			t.Errorf("%s: %v (%v), want %v", tt.name, r.Faults, r.Cause, tt.want)
		}
	}
}

// TestMissingSign: drivers before the fix give -10 degC as 65376.
func TestMissingSign(t *testing.T) {
	r, conv := read(t, folder(t, "in_temp_raw=65376", "in_temp_ambient_raw=65520"), "K", "chip: mcp9600")
	if r.Faults != 0 || float64(r.Code)*conv.PerCode != -10 || float64(r.Cold)*conv.ColdPerCode != -1 {
		t.Errorf("%+v", r)
	}
}

// TestLTC2983: the kernel numbers temperatures in the order of the channels on the
// chip; a code is worth 1/1024 degC, and what it calls hard faults is EIO.
func TestLTC2983(t *testing.T) {
	for text, want := range map[string]float64{"102400": 100, "-10240": -10, "-1": -0.0009765625, "0": 0} {
		r, conv := read(t, folder(t, "in_temp3_raw="+text), "", "{chip: ltc2983, file: in_temp3_raw}")
		if r.Faults != 0 || float64(r.Code)*conv.PerCode != want || conv.Law != drivers.LawLinear || r.Has != drivers.HasCode {
			t.Errorf("%s: %+v, want %g degC", text, r, want)
		}
	}
	if r, _ := read(t, folder(t, "in_temp0_raw=-1022976"), "", "chip: ltc2983"); r.Faults != drivers.OutOfRange { // -999 degC
		t.Errorf("%v (%v)", r.Faults, r.Cause)
	}
}

func TestNumbersChangeFromBootToBoot(t *testing.T) {
	root := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		dev := drivertest.Open(t, &Driver, drivertest.NewPorts(), source(filepath.Join(root, "iio:device*"), "K", "chip: max31855"))
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip {
			t.Errorf("%v", r.Faults)
		}
		for i, n := range []string{"iio:device0", "iio:device3"} {
			if err := os.Rename(folder(t, "in_temp_raw=100", "in_temp_ambient_raw=400"), filepath.Join(root, n)); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Second)
			r := drivertest.Read(t, dev)[0]
			if i == 0 && r.Faults != 0 || i == 1 && (r.Faults != drivers.BusError || !strings.Contains(r.Cause.Error(), "2 files match")) {
				t.Errorf("%s: %v (%v)", n, r.Faults, r.Cause)
			}
		}
	})
}

func TestStepAndProbe(t *testing.T) {
	dir := folder(t, "in_temp_raw=100", "in_temp_ambient_raw=400")
	synctest.Test(t, func(t *testing.T) {
		dev := drivertest.Open(t, &Driver, drivertest.NewPorts(), source(dir, "K", "chip: max31855"))
		drivertest.Read(t, dev)
		if err := os.WriteFile(filepath.Join(dir, "in_temp_raw"), []byte("1000\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		time.Sleep(500 * time.Millisecond)
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Implausible {
			t.Errorf("%v", r.Faults)
		}
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || !strings.Contains(lines[0], "1000, cold junction 400 = 25.0000 degC") {
			t.Errorf("%q, %v", lines, err)
		}
		if err := os.Remove(filepath.Join(dir, "in_temp_raw")); err != nil {
			t.Fatal(err)
		}
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, os.ErrNotExist) {
			t.Error(err)
		}
	})
}

func TestSlopes(t *testing.T) {
	for typ, want := range map[its90.Type]float64{its90.K: 41.276e-6, its90.T: 52.18e-6} {
		if got, err := slope(typ); err != nil || math.Abs(got-want) > 1e-12 {
			t.Errorf("%v: %g, %v", typ, got, err)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct{ key, port, couple, options string }{
		{"chip", "/x", "K", ""}, {"chip", "/x", "K", "chip: max1"}, {"port", "iio0", "K", "chip: max31855"},
		{"file", "/x", "K", "{chip: hwmon, file: ../y}"}, {"couple", "/x", "", "chip: max31855"},
		{"rref", "/x", "", "chip: max31865"}, {"r0", "/x", "", "{chip: max31865, rref: 400, r0: 50}"},
		{"max_step", "/x", "K", "{chip: max31855, max_step: -1}"},
	} {
		var oe *drivers.OptionError
		if err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), source(tt.port, tt.couple, tt.options)); !errors.As(err, &oe) || oe.Key != tt.key {
			t.Errorf("%+v: %v", tt, err)
		}
	}
	src := source("/x", "K", "chip: max6675")
	src.Every = 100 * time.Millisecond
	if err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), src); err == nil || !strings.Contains(err.Error(), "every") {
		t.Error(err)
	}
	src = source("/x", "K", "chip: hwmon")
	src.Inputs[0].Kind = drivers.Power
	if err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), src); err == nil {
		t.Error("a power channel was accepted")
	}
}

func FuzzText(f *testing.F) {
	f.Add("403", "400", "0")
	f.Add("-1", "99999999999999999999", "1")
	f.Add("", "\x00", "x")
	f.Fuzz(func(t *testing.T, probe, cold, open string) {
		host := bus.NewHost(drivertest.NewPorts())
		defer host.Close()
		for _, m := range models {
			c := &chip{host: host, channel: "x", model: m, rref: 400, r0: 100, probe: errFile{text: probe}, flags: []flag{{errFile{text: open}, drivers.Open, "open"}}}
			if m.coldFile != "" {
				c.cold = errFile{text: cold}
			}
			out := make([]drivers.Reading, 1)
			_ = c.Read(t.Context(), &out[0]) // in the reading too
			if err := drivertest.CheckReadings(out); err != nil {
				t.Errorf("%s: %v", m.name, err)
			}
		}
	})
}
