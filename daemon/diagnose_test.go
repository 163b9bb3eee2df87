package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soakrig/drivers/all"
	"soakrig/drivers/bus"
)

// boardOf writes a root folder: files by path and text; "->" before a text makes a link.
func boardOf(t *testing.T, files map[string]string) site {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		at := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
			t.Fatal(err)
		}
		var err error
		if to, ok := strings.CutPrefix(text, "->"); ok {
			err = os.Symlink(to, at)
		} else {
			err = os.WriteFile(at, []byte(text), 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return site{root: os.DirFS(root), synced: true, free: func(string) (uint64, error) { return 100 << 30, nil }}
}

const someGroups = "root:x:0:\ndialout:x:20:\nspi:x:990:\ni2c:x:991:\ngpio:x:992:\n"

func TestDiagnose(t *testing.T) {
	const spi = "sources: [{name: a, driver: max31855, every: 1s, inputs: [{channel: x, port: SPI0.0}]}]\n"
	const i2c = "sources: [{name: a, driver: mcp9600, every: 1s, inputs: [{channel: x, port: I2C1, address: 0x60, max_step: 3}]}]\n"
	for name, c := range map[string]struct {
		rig   string
		files map[string]string
		want  []string // one for each note, in order
	}{
		"all well":         {spi, map[string]string{"etc/group": someGroups, "dev/spidev0.0": ""}, nil},
		"no group":         {spi, map[string]string{"etc/group": "root:x:0:\nmyspi:x:1:\n", "dev/spidev0.0": ""}, []string{"group spi does not exist"}},
		"spi off":          {spi, map[string]string{"etc/group": someGroups, "dev/null": ""}, []string{"SPI is off"}},
		"no such port":     {spi, map[string]string{"etc/group": someGroups, "dev/spidev1.0": "", "sys/bus/spi/devices/spi1.0/modalias": "spi:spidev"}, []string{"SPI0.0 does not exist; this system has spi1.0"}},
		"kernel driver":    {spi, map[string]string{"etc/group": someGroups, "sys/bus/spi/devices/spi0.0/modalias": "spi:max31855\n", "sys/bus/spi/devices/spi0.0/driver": "->../../../bus/spi/drivers/maxim_thermocouple"}, []string{`the kernel driver maxim_thermocouple has SPI0.0 (max31855). Read through it: driver: iio, port: "/sys/bus/spi/devices/spi0.0/iio:device*", chip: max31855`}},
		"no driver":        {spi, map[string]string{"etc/group": someGroups, "sys/bus/spi/devices/spi0.0/modalias": "spi:max31855\n"}, []string{"has no driver and no node"}},
		"i2c without node": {i2c, map[string]string{"etc/group": someGroups, "sys/bus/i2c/devices/i2c-1/name": "x"}, []string{"modprobe i2c-dev"}},
		"i2c off":          {i2c, map[string]string{"etc/group": someGroups}, []string{"I2C1 is off"}},
		"i2c chip taken":   {i2c, map[string]string{"etc/group": someGroups, "dev/i2c-1": "", "sys/bus/i2c/devices/1-0060/driver": "->../mcp9600"}, []string{"the kernel driver mcp9600 has the I2C chip 1-0060"}},
		"worn card":        {spi, map[string]string{"etc/group": someGroups, "dev/spidev0.0": "", "sys/block/mmcblk0/device/life_time": "0x01 0x0a\n", "sys/block/mmcblk0/device/pre_eol_info": "0x02\n"}, []string{"90 to 100 % of its life", "reserve blocks"}},
		"fresh card":       {spi, map[string]string{"etc/group": someGroups, "dev/spidev0.0": "", "sys/block/mmcblk0/device/life_time": "0x01 0x02\n", "sys/block/mmcblk0/device/pre_eol_info": "0x01\n"}, nil},
		"simulated":        {"simulated: {speed: 1}\n" + spi, map[string]string{"etc/group": "root:x:0:\n"}, nil},
		"1-wire off":       {"sources: [{name: a, driver: ds18b20, every: 1s, inputs: [{channel: x, port: 28-0000051e2f3a}]}]\n", map[string]string{"etc/group": someGroups}, []string{"1-Wire is off"}},
		"select and tty":   {"sources: [{name: a, driver: max31855, every: 1s, inputs: [{channel: x, port: SPI0.0, select: GPIO5}]}, {name: w, driver: sunspec, port: /dev/ttyUSB0, inputs: [{channel: y, point: W}]}]\n", map[string]string{"etc/group": "spi:x:1:\n", "dev/spidev0.0": ""}, []string{"group gpio", "group dialout"}},
	} {
		t.Run(name, func(t *testing.T) {
			cfg, err := ParseConfig("rig.yaml", []byte("rig: r\n"+c.rig), all.Drivers())
			if err != nil {
				t.Fatal(err)
			}
			notes := boardOf(t, c.files).diagnose(cfg)
			if len(notes) != len(c.want) {
				t.Fatalf("%d notes, want %d:\n%s", len(notes), len(c.want), strings.Join(notes, "\n"))
			}
			for i, w := range c.want {
				if !strings.Contains(notes[i], w) {
					t.Errorf("note %d has no %q:\n%s", i, w, notes[i])
				}
			}
		})
	}
}

// TestDiagnoseSite: clock, space and permission.
func TestDiagnoseSite(t *testing.T) {
	cfg, err := ParseConfig("rig.yaml", []byte("rig: r\njournal: {dir: /var/lib/none/yet}\nsources: [{name: a, driver: max31855, inputs: [{channel: x, port: SPI0.0}]}]\n"), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	s := boardOf(t, map[string]string{"etc/group": someGroups, "dev/spidev0.0": "", "var/lib/x": ""})
	s.synced = false
	var asked string
	s.free = func(dir string) (uint64, error) { asked = dir; return 8 << 30, nil }
	s.ports = []bus.PortName{{Name: "SPI0.0", Path: "/dev/spidev0.0", Kind: "spi", Note: "no permission"}}
	notes := s.diagnose(cfg)
	for i, w := range []string{"this user may not open it", "not synchronised", "8.0 GiB free, and the journal may grow to 8.0 GiB"} {
		if len(notes) != 3 || !strings.Contains(notes[i], w) {
			t.Fatalf("want %q in note %d:\n%s", w, i, strings.Join(notes, "\n"))
		}
	}
	if asked != "/var/lib" {
		t.Errorf("asked for the space of %s, want the nearest folder that exists", asked)
	}
	if free, err := freeBytes(t.TempDir()); err != nil || free == 0 {
		t.Errorf("free space: %d %v", free, err)
	}
}
