package iio

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// raw makes a folder whose files hold exactly these bytes.
func raw(t testing.TB, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestTexts: what a file may hold instead of a number and a newline.
func TestTexts(t *testing.T) {
	for text, want := range map[string]any{
		"25000\n":                        int64(25000),
		"25000":                          int64(25000), // no newline
		"25000\r\n":                      int64(25000),
		"  25000\n":                      int64(25000),
		"+25000\n":                       int64(25000),
		"-10062\n":                       int64(-10062),
		"-0\n":                           int64(0),
		"0\n":                            int64(0), // a true 0.000 degC
		"85000\n":                        int64(85000),
		"-100000\n":                      int64(-100000),
		"500000\n":                       int64(500000),
		"500001\n":                       drivers.OutOfRange,
		"-100001\n":                      drivers.OutOfRange,
		"9223372036854775807\n":          drivers.OutOfRange,
		"9223372036854775808\n":          drivers.Corrupt,
		strings.Repeat("9", 300) + "\n":  drivers.Corrupt,
		"":                               drivers.Corrupt,
		"\n":                             drivers.Corrupt,
		"25,000\n":                       drivers.Corrupt, // a decimal comma
		"25.000\n":                       drivers.Corrupt,
		"2.5e4\n":                        drivers.Corrupt,
		"0x61A8\n":                       drivers.Corrupt,
		"25_000\n":                       drivers.Corrupt,
		"25000 C\n":                      drivers.Corrupt,
		"25000\n25000\n":                 drivers.Corrupt,
		strings.Repeat("0", 70) + "25\n": drivers.Corrupt, // no number is that long
		"nan\n":                          drivers.Corrupt,
		"\x0025000":                      drivers.Corrupt,
	} {
		r, _ := read(t, raw(t, map[string]string{"temp1_input": text}), "", "chip: hwmon")
		switch want := want.(type) {
		case int64:
			if r.Faults != 0 || r.Code != want {
				t.Errorf("%q: code %d, %v (%v), want %d", text, r.Code, r.Faults, r.Cause, want)
			}
		case drivers.Faults:
			if r.Faults != want || want == drivers.Corrupt && (r.Has != 0 || !strings.Contains(r.Cause.Error(), "temp1_input")) {
				t.Errorf("%q: %v (%v), codes %v, want %v", text, r.Faults, r.Cause, r.Has, want)
			}
		}
	}
}

// TestFaultFile: a file that tells of faults counts when it can be read, and is no
// news when it is not there.
func TestFaultFile(t *testing.T) {
	for text, want := range map[string]drivers.Faults{"0\n": 0, "1\n": drivers.DeviceError, "0": 0, "2\n": drivers.DeviceError, "": drivers.Corrupt, "yes\n": drivers.Corrupt} {
		r, _ := read(t, raw(t, map[string]string{"temp1_input": "25000\n", "temp1_fault": text}), "", "chip: hwmon")
		if r.Faults != want {
			t.Errorf("fault file %q: %v (%v), want %v", text, r.Faults, r.Cause, want)
		}
	}
	for _, name := range []string{"fault_oc", "fault_ovuv"} {
		dir := raw(t, map[string]string{"in_temp_raw": "12920\n", "in_temp_ambient_raw": "1600\n"})
		if err := os.Symlink("/proc/self/mem", filepath.Join(dir, name)); err != nil { // reading it is EIO
			t.Fatal(err)
		}
		if r, _ := read(t, dir, "K", "chip: max31856"); r.Faults != drivers.BusError {
			t.Errorf("%s can't be read: %v (%v)", name, r.Faults, r.Cause)
		}
	}
}

// TestAnotherChip: a number of another chip, 32 times too large or too small, is
// refused by the scale that the kernel's driver tells (values from the Linux drivers);
// so is the linearisation of another couple.
func TestAnotherChip(t *testing.T) {
	files := func(scale, ambient, couple string) map[string]string {
		f := map[string]string{"in_temp_raw": "403\n", "in_temp_ambient_raw": "400\n"}
		for name, text := range map[string]string{"in_temp_scale": scale, "in_temp_ambient_scale": ambient, "in_temp_thermocouple_type": couple} {
			if text != "" {
				f[name] = text + "\n"
			}
		}
		return f
	}
	for _, tt := range []struct {
		chip, couple string
		files        map[string]string
		want         drivers.Faults
		cause        string
	}{
		{"max31855", "K", files("250", "62.500000", "K"), 0, ""},
		{"MAX31855", "k", files("250", "62.500000", "K"), 0, ""},
		{"max31855", "J", files("250", "62.500000", "?"), 0, ""}, // an old kernel does not know
		{"max31855", "K", files("", "", ""), 0, ""},              // an older one says nothing
		{"max31855", "K", files("250", "62.500000", "J"), drivers.ConfigLost, "says J, the channel's couple is K"},
		{"max31855", "K", files("7.812500", "15.625000", "K"), drivers.NoChip, "another chip"},
		{"max31856", "K", files("7.812500", "15.625000", "K"), 0, ""},
		{"max31856", "K", files("250", "62.500000", "K"), drivers.NoChip, "in_temp_scale says 250, that of a max31856 is 7.8125"},
		{"max31856", "T", files("7.812500", "15.625000", "K"), drivers.ConfigLost, "device tree"},
		{"mcp9600", "K", files("62.500000", "62.500000", ""), 0, ""},
		{"mcp9600", "K", files("62.500000", "62.500000", "N"), drivers.ConfigLost, "says N"},
		{"mcp9600", "K", files("250", "62.500000", ""), drivers.NoChip, "another chip"},
		{"mcp9600", "K", files("62.500000", "15.625000", ""), drivers.NoChip, "in_temp_ambient_scale"},
		{"max6675", "K", files("250", "", ""), 0, ""},
		{"max6675", "K", files("0.976562500", "", ""), drivers.NoChip, "another chip"},
		{"max31855", "K", files("much", "62.500000", "K"), drivers.Corrupt, "in_temp_scale"},
	} {
		dir := raw(t, tt.files)
		r, _ := read(t, dir, tt.couple, "chip: "+tt.chip)
		if r.Faults != tt.want || tt.want != 0 && !strings.Contains(r.Cause.Error(), tt.cause) {
			t.Errorf("%s, type %s, %v: %v (%v), want %v: %s", tt.chip, tt.couple, tt.files, r.Faults, r.Cause, tt.want, tt.cause)
		}
	}
	if r, _ := read(t, raw(t, map[string]string{"in_temp_raw": "8192", "in_temp_scale": "31.250000"}), "", "{chip: max31865, rref: 400}"); r.Faults != 0 {
		t.Errorf("max31865: %v", r.Cause)
	}
	if r, _ := read(t, raw(t, map[string]string{"in_temp3_raw": "1024", "in_temp3_scale": "0.976562500"}), "", "{chip: ltc2983, file: in_temp3_raw}"); r.Faults != 0 {
		t.Errorf("ltc2983: %v", r.Cause)
	}
}

// TestTypeChangesLater: a chip that was rebound with another type is noticed when it
// is back.
func TestTypeChangesLater(t *testing.T) {
	dir := raw(t, map[string]string{"in_temp_raw": "12920", "in_temp_ambient_raw": "1600", "in_temp_thermocouple_type": "K"})
	synctest.Test(t, func(t *testing.T) {
		dev := drivertest.Open(t, &Driver, drivertest.NewPorts(), source(dir, "K", "chip: max31856"))
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
			t.Fatal(r.Cause)
		}
		file := filepath.Join(dir, "in_temp_raw")
		if err := errors.Join(os.Rename(file, file+".away"), os.WriteFile(filepath.Join(dir, "in_temp_thermocouple_type"), []byte("B\n"), 0o644)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip {
			t.Errorf("unbound: %v", r.Faults)
		}
		if err := os.Rename(file+".away", file); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.ConfigLost {
			t.Errorf("bound again with type B: %v (%v)", r.Faults, r.Cause)
		}
	})
}

// TestRangeOfTheCouple: the number of a MAX31855 is no temperature. A type R at 1700
// degC shows 1936 (20.222 mV and 0.141 mV of NIST Monograph 175 by 10.506 uV/K); a
// type K never shows that.
func TestRangeOfTheCouple(t *testing.T) {
	for couple, want := range map[string]drivers.Faults{"R": 0, "S": 0, "N": drivers.OutOfRange, "K": drivers.OutOfRange} {
		r, _ := read(t, folder(t, "in_temp_raw=7746", "in_temp_ambient_raw=400"), couple, "chip: max31855")
		if r.Faults != want {
			t.Errorf("type %s: %v (%v), want %v", couple, r.Faults, r.Cause, want)
		}
	}
}

// TestFileForFolder: a port that names the file is answered with what to write.
func TestFileForFolder(t *testing.T) {
	for port, want := range map[string]string{
		"/sys/class/hwmon/hwmon0/temp1_input":          "file: temp1_input",
		"/sys/bus/iio/devices/iio:device0/in_temp_raw": "file: in_temp_raw",
	} {
		err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), source(port, "K", "chip: hwmon"))
		var oe *drivers.OptionError
		if !errors.As(err, &oe) || oe.Key != "port" || !strings.Contains(oe.Text, want) {
			t.Errorf("%s: %v", port, err)
		}
	}
	err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), source("/x", "", "chip: jc42"))
	if err == nil || !strings.Contains(err.Error(), "hwmon reads any sensor") {
		t.Error(err)
	}
}
