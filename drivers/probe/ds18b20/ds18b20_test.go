package ds18b20

import (
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// text is what the kernel shows for nine bytes.
func text(m []byte, verdict string) string {
	words := strings.ToLower(strings.TrimSpace(fmt.Sprintf("% X", m)))
	return fmt.Sprintf("%s : crc=%02x %s\n%s t=%d\n", words, m[8], verdict, words, int64(memory(m).code())*125/2)
}

func write(t testing.TB, dir, s string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, "w1_slave"), []byte(s), 0o644); err != nil {
		t.Fatal(err)
	}
}

func source(dir, options string) drivers.Source {
	return drivers.Source{Name: "room", Every: time.Second, Options: drivertest.Options(options),
		Inputs: []drivers.Input{{Channel: "room", Port: dir}}}
}

const minus17 = "ed fe 4b 46 7f ff 03 10 e4 : crc=e4 YES\ned fe 4b 46 7f ff 03 10 e4 t=-17187\n"

func TestConformance(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, minus17)
	drivertest.Conformance(t, &Driver, func(t *testing.T) *drivertest.Rig {
		const files = "the device is a file of the kernel: no bus to fail or delay"
		return &drivertest.Rig{Source: source(dir, ""), Allocates: files, NoBus: files}
	})
}

func readText(t *testing.T, s string) (r drivers.Reading) {
	t.Helper()
	dir := t.TempDir()
	write(t, dir, s)
	synctest.Test(t, func(t *testing.T) {
		dev := drivertest.Open(t, &Driver, drivertest.NewPorts(), source(dir, ""))
		r = drivertest.Read(t, dev)[0]
	})
	return r
}

func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", 30) {
		t.Run(c.ID, func(t *testing.T) {
			s := c.Input
			if c.ID != "ds-kernel-text" && !strings.HasPrefix(c.ID, "ds-text") {
				m, err := hex.DecodeString(c.Input)
				if err != nil {
					t.Fatal(err)
				}
				if want, ok := c.Expect["crc_byte"].(string); ok {
					if got := fmt.Sprintf("%02X", crc(m)); got != want {
						t.Errorf("checksum %s, want %s", got, want)
					}
					m = append(m, crc(m))
				}
				if ok, said := c.Expect["crc_ok"].(bool); said && ok != (crc(m[:8]) == m[8]) {
					t.Errorf("checksum %02X against %02X", crc(m[:8]), m[8])
				}
				s = text(m, "YES")
			}
			r := readText(t, s)
			c.Says(t, r)
			usable, said := c.Usable()
			if usable = usable || !said; usable != (r.Faults == 0) {
				t.Errorf("%v (%v), the case expects %v", r.Faults, r.Cause, c.Expect)
			}
			if v, ok := c.Number("t_c"); ok {
				if d := float64(r.Code)*codeC - v; d > 0 || d < -0.001 { // the kernel's text is cut to a thousandth
					t.Errorf("%g degC, want %g", float64(r.Code)*codeC, v)
				}
			}
		})
	}
}

func with(edit func(m []byte)) []byte {
	m := []byte{0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0}
	edit(m)
	m[8] = crc(m[:8])
	return m
}

func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		name, text string
		want       drivers.Faults
	}{
		{"25.0625", text(with(func([]byte) {}), "YES"), 0},
		{"true zero", text(with(func(m []byte) { m[0], m[1] = 0, 0 }), "YES"), 0},
		{"85 after a conversion", text(with(func(m []byte) { m[0], m[1], m[6] = 0x50, 0x05, 0x10 }), "YES"), 0},
		{"85 after power-up", text(with(func(m []byte) { m[0], m[1] = 0x50, 0x05 }), "YES"), drivers.Stale},
		{"127.94", text(with(func(m []byte) { m[0], m[1] = 0xFF, 0x07 }), "YES"), drivers.OutOfRange},
		{"too cold", text(with(func(m []byte) { m[0], m[1] = 0x8F, 0xFC }), "YES"), drivers.OutOfRange},
		{"zeros", text(make([]byte, 9), "YES"), drivers.NoChip},
		{"ones", text([]byte{255, 255, 255, 255, 255, 255, 255, 255, 255}, "NO"), drivers.NoChip},
		{"wrong checksum", strings.Replace(minus17, "ed fe", "ee fe", 1), drivers.Corrupt},
		{"the kernel says no", strings.Replace(minus17, "YES", "NO", 1), drivers.Corrupt},
		{"empty", "", drivers.Corrupt},
		{"cut", minus17[:20], drivers.Corrupt},
		{"cut after the bytes", minus17[:27], drivers.Corrupt},
		{"no bytes", "hello : crc=00 YES\n", drivers.Corrupt},
		{"not hexadecimal", strings.Replace(minus17, "ed", "xy", 1), drivers.Corrupt},
	} {
		if r := readText(t, tt.text); r.Faults != tt.want {
			t.Errorf("%s: %v (%v), want %v", tt.name, r.Faults, r.Cause, tt.want)
		}
	}
}

func TestResolution(t *testing.T) {
	for cfg, want := range map[byte]int64{0x7F: 0x197, 0x5F: 0x196, 0x3F: 0x194, 0x1F: 0x190} {
		if got := (memory{0x97, 0x01, 0, 0, cfg}).code(); got != want {
			t.Errorf("configuration %02X: code %X, want %X", cfg, got, want)
		}
	}
}

func TestSensorGoesAndComes(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		dev := drivertest.Open(t, &Driver, drivertest.NewPorts(), source(dir, ""))
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.NoChip || !errors.Is(r.Cause, os.ErrNotExist) {
			t.Errorf("%v (%v)", r.Faults, r.Cause)
		}
		write(t, dir, minus17)
		time.Sleep(time.Second)
		if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || r.Code != -275 {
			t.Errorf("%+v", r)
		}
		time.Sleep(time.Second)
		write(t, dir, text(with(func(m []byte) { m[0], m[1] = 0x00, 0x06 }), "YES"))
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.Implausible {
			t.Errorf("%v", r.Faults)
		}
		lines, err := dev.(drivers.Prober).Probe(t.Context())
		if err != nil || !strings.Contains(lines[0], "00 06 4b") || !strings.Contains(lines[0], "set to 12 bit") {
			t.Errorf("%q, %v", lines, err)
		}
		if err := os.Remove(filepath.Join(dir, "w1_slave")); err != nil {
			t.Fatal(err)
		}
		if _, err := dev.(drivers.Prober).Probe(t.Context()); !errors.Is(err, os.ErrNotExist) {
			t.Error(err)
		}
	})
}

func TestPorts(t *testing.T) {
	for port, want := range map[string]string{"28-0000051e2f3a": "/sys/bus/w1/devices/28-0000051e2f3a", "/x/28-1": "/x/28-1", "/x/28-1/w1_slave": "/x/28-1", "/x/28-1/": "/x/28-1"} {
		if got, err := folder(0, drivers.Input{Port: port}); err != nil || got != want {
			t.Errorf("%s: %s, %v", port, got, err)
		}
	}
	for _, tt := range []struct {
		key  string
		edit func(*drivers.Source)
	}{
		{"port", func(s *drivers.Source) { s.Inputs[0].Port = "" }},
		{"port", func(s *drivers.Source) { s.Inputs[0].Port = "10-000" }},
		{"couple", func(s *drivers.Source) { s.Inputs[0].Couple = "K" }},
		{"channel", func(s *drivers.Source) { s.Inputs[0].Kind = drivers.Power }},
		{"every", func(s *drivers.Source) { s.Every = 500 * time.Millisecond }},
		{"max_step", func(s *drivers.Source) { s.Options = drivertest.Options("max_step: -1") }},
	} {
		src := source("/x", "")
		tt.edit(&src)
		var oe *drivers.OptionError
		if err := drivertest.Refusal(t, &Driver, drivertest.NewPorts(), src); !errors.As(err, &oe) || oe.Key != tt.key {
			t.Errorf("%s: %v", tt.key, err)
		}
	}
}

func FuzzText(f *testing.F) {
	f.Add([]byte(minus17))
	f.Add([]byte(text(make([]byte, 9), "YES")))
	f.Add([]byte(" : crc= YES"))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, _, err := parse(b)
		if err != nil {
			return
		}
		faults, cause := m.judge()
		if (faults == 0) != (cause == nil) {
			t.Errorf("%v, %v", faults, cause)
		}
		if v := float64(m.code()) * codeC; faults == 0 && (crc(m[:8]) != m[8] || v < minC || v > maxC) {
			t.Errorf("good: % X", m)
		}
	})
}
