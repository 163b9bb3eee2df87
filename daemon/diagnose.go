package daemon

import (
	"cmp"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"soakrig/daemon/internal/rigtime"
	"soakrig/drivers/bus"
)

// site is the computer that soakd runs on, as far as a diagnosis looks at it.
type site struct {
	root   fs.FS // "/": etc, dev, sys
	ports  []bus.PortName
	synced bool
	free   func(dir string) (uint64, error) // bytes that this user may still write
}

// diagnose says what stands between a rig and its readings, and what would help. It
// reads files only. An empty list means that nothing was noticed.
func diagnose(c *Config, ports []bus.PortName) []string {
	s := site{root: os.DirFS("/"), ports: ports, free: freeBytes}
	if clock, err := rigtime.NewBoard(); err == nil {
		s.synced = clock.Now().Synced
	}
	return s.diagnose(c)
}

// look logs, at a start on hardware, what a check would note about this computer, and
// the ports that there are: on a board whose buses are off nothing else tells why every
// source fails.
func (d *Daemon) look(ports []bus.PortName, notes []string) {
	for _, n := range notes {
		d.log.Warn("this computer", "note", n)
	}
	var names []string
	pins := 0
	for _, p := range ports {
		switch {
		case p.Kind == "gpio":
			pins++
		case p.Note != "":
			names = append(names, p.Name+" ("+p.Note+")")
		default:
			names = append(names, p.Name)
		}
	}
	if len(names) == 0 {
		names = []string{"none in /dev/spidev*, /dev/i2c-*, /dev/serial/by-id, /dev/tty*"}
	}
	d.log.Info("ports of this computer", "ports", strings.Join(names, ", "), "gpio_pins", pins)
}

func (s site) diagnose(c *Config) []string {
	var notes []string
	if c.Simulated == nil {
		wants := wanted(c)
		notes = slices.Concat(s.groups(wants), s.permissions(), s.spi(wants), s.i2c(wants), s.onewire(c))
	}
	return slices.Concat(notes, s.clock(), s.storage(c))
}

// wants are the buses that a configuration names.
type wants struct {
	spi    []string // "0.0", in order of the file
	i2c    []string // "1"
	chips  []string // "1-0060" where the file gives an address
	gpio   bool
	serial bool
}

func wanted(c *Config) wants {
	var w wants
	add := func(list *[]string, s string) {
		if !slices.Contains(*list, s) {
			*list = append(*list, s)
		}
	}
	for _, s := range c.Sources {
		for _, in := range s.Inputs {
			switch key := busName(in.Port); {
			case strings.HasPrefix(key, "SPI"):
				add(&w.spi, key[len("SPI"):])
			case strings.HasPrefix(key, "I2C"):
				n := key[len("I2C"):]
				add(&w.i2c, n)
				var opts struct {
					Address uint16 `yaml:"address"`
				}
				// Other keys are the driver's and make an error; the address is set even so.
				if _ = in.Rest.Decode(&opts); opts.Address != 0 {
					add(&w.chips, fmt.Sprintf("%s-%04x", n, opts.Address))
				}
			case strings.HasPrefix(key, "GPIO"):
				w.gpio = true
			case strings.HasPrefix(in.Port, "/dev/tty"), strings.HasPrefix(in.Port, "/dev/serial"):
				w.serial = true
			}
			w.gpio = w.gpio || in.Select != ""
		}
	}
	w.gpio = w.gpio || c.Interlock != nil
	return w
}

// busName spells a port as a name: /dev/spidev0.1 is SPI0.1, /dev/i2c-1 is I2C1.
func busName(port string) string {
	port = strings.ToUpper(port)
	if rest, ok := strings.CutPrefix(port, "/DEV/SPIDEV"); ok {
		return "SPI" + rest
	}
	if rest, ok := strings.CutPrefix(port, "/DEV/I2C-"); ok {
		return "I2C" + rest
	}
	return port
}

// groups names the groups of the service that this system lacks.
func (s site) groups(w wants) []string {
	text, err := fs.ReadFile(s.root, "etc/group")
	if err != nil {
		return nil
	}
	var notes []string
	for _, g := range []struct {
		name string
		used bool
	}{{"spi", len(w.spi) > 0}, {"i2c", len(w.i2c) > 0}, {"gpio", w.gpio}, {"dialout", w.serial}} {
		if g.used && !strings.Contains("\n"+string(text), "\n"+g.name+":") {
			notes = append(notes, fmt.Sprintf("group %s does not exist, and soakd.service would fail with 216/GROUP: systemd-sysusers soakd.conf makes it; "+
				"the rules in 60-soakd.rules give it its devices (udevadm control --reload, udevadm trigger)", g.name))
		}
	}
	return notes
}

func (s site) permissions() []string {
	var notes []string
	for _, p := range s.ports {
		if p.Note == "no permission" {
			notes = append(notes, fmt.Sprintf("%s is there, and this user may not open it: run soakd by its service, or add the user to the group that ls -l %s names", p.Path, p.Path))
		}
	}
	return notes
}

// spi explains why a port has no node: the bus is off, or a kernel driver has the chip.
func (s site) spi(w wants) []string {
	var notes []string
	const devices = "sys/bus/spi/devices"
	known := s.names(devices)
	for _, port := range w.spi {
		if s.exists("dev/spidev" + port) {
			continue
		}
		folder := "spi" + port
		if !slices.Contains(known, folder) {
			if len(known) == 0 && !slices.ContainsFunc(s.names("dev"), func(n string) bool { return strings.HasPrefix(n, "spidev") }) {
				notes = append(notes, "SPI is off: this system has no SPI device at all. Enable it in the device tree (on many boards dtparam=spi=on in config.txt) and restart")
				return notes
			}
			notes = append(notes, fmt.Sprintf("SPI%s does not exist; this system has %s. More chip selects need an overlay, or GPIO pins or a decoder as select on one port", port, strings.Join(known, ", ")))
			continue
		}
		driver := s.link(path.Join(devices, folder, "driver"))
		model := strings.TrimPrefix(s.line(path.Join(devices, folder, "modalias")), "spi:")
		switch {
		case driver == "":
			notes = append(notes, fmt.Sprintf("SPI%s (%s) has no driver and no node: bind it to spidev, or load the kernel's driver for it", port, model))
		case driver != "spidev":
			notes = append(notes, fmt.Sprintf("the kernel driver %s has SPI%s (%s). Read through it: driver: iio, port: \"/%s/%s/iio:device*\", chip: %s; or take its overlay out to have /dev/spidev%s back",
				driver, port, model, devices, folder, cmp.Or(model, "the chip"), port))
		}
	}
	return notes
}

func (s site) i2c(w wants) []string {
	var notes []string
	for _, n := range w.i2c {
		switch {
		case s.exists("dev/i2c-" + n):
		case s.exists("sys/bus/i2c/devices/i2c-" + n):
			notes = append(notes, fmt.Sprintf("bus I2C%s is there without a node: modprobe i2c-dev", n))
		default:
			notes = append(notes, fmt.Sprintf("I2C%s is off or does not exist. Enable it in the device tree (on many boards dtparam=i2c_arm=on in config.txt) and restart", n))
		}
	}
	for _, chip := range w.chips {
		if driver := s.link("sys/bus/i2c/devices/" + chip + "/driver"); driver != "" {
			notes = append(notes, fmt.Sprintf("the kernel driver %s has the I2C chip %s. Read through it: driver: iio, port: \"/sys/bus/i2c/devices/%s/iio:device*\"; or unbind it", driver, chip, chip))
		}
	}
	return notes
}

func (s site) onewire(c *Config) []string {
	for _, src := range c.Sources {
		if src.Driver == "ds18b20" && !s.exists("sys/bus/w1/devices") {
			return []string{"1-Wire is off: enable the kernel's driver in the device tree (on many boards dtoverlay=w1-gpio in config.txt) and restart"}
		}
	}
	return nil
}

func (s site) clock() []string {
	if s.synced {
		return nil
	}
	return []string{"the clock is not synchronised, or nothing here says that it is: samples are stamped so, and runs of several rigs can't be lined up by time. " +
		"See timedatectl; a service whose time comes from another program than systemd-timesyncd needs clock.conf from the examples. Durations don't depend on it"}
}

// lowSpace is what must be free beside the journal for the system itself.
const lowSpace = 256 << 20

// storage looks at the space for the journal and at the wear that cards admit.
func (s site) storage(c *Config) []string {
	var notes []string
	dir := c.Journal.Dir
	for !s.exists(strings.TrimPrefix(dir, "/")) && dir != "/" && dir != "." {
		dir = path.Dir(dir) // not made yet
	}
	if free, err := s.free(dir); err == nil && free < uint64(c.Journal.MaxSize)+lowSpace {
		notes = append(notes, fmt.Sprintf("%s has %.1f GiB free, and the journal may grow to %.1f GiB (journal.max_size): lower that, keep less (journal.keep), or use a larger disk",
			dir, float64(free)/(1<<30), float64(c.Journal.MaxSize)/(1<<30)))
	}
	for _, card := range s.names("sys/block") {
		if !strings.HasPrefix(card, "mmcblk") || strings.Contains(card, "boot") {
			continue
		}
		folder := path.Join("sys/block", card, "device")
		for _, part := range strings.Fields(s.line(path.Join(folder, "life_time"))) {
			if used, ok := lifeUsed[part]; ok {
				notes = append(notes, fmt.Sprintf("%s says that %s of its life is used: replace it before it loses samples", card, used))
				break
			}
		}
		if eol := s.line(path.Join(folder, "pre_eol_info")); eol == "0x02" || eol == "0x03" {
			notes = append(notes, fmt.Sprintf("%s says that its reserve blocks are nearly used (pre_eol_info %s): replace it", card, eol))
		}
	}
	return notes
}

// lifeUsed are the values of an eMMC's life_time that are worth a word (JEDEC
// JESD84-B51, DEVICE_LIFE_TIME_EST: steps of 10 %). SD cards have no such file.
var lifeUsed = map[string]string{"0x09": "80 to 90 %", "0x0a": "90 to 100 %", "0x0b": "all"}

func freeBytes(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, err
	}
	return st.Bavail * uint64(st.Bsize), nil
}

func (s site) exists(name string) bool {
	_, err := fs.Stat(s.root, name)
	return err == nil
}

// names lists a folder; what can't be listed is empty.
func (s site) names(dir string) []string {
	entries, _ := fs.ReadDir(s.root, dir)
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// line is the text of a small file, empty if it can't be read.
func (s site) line(name string) string {
	text, _ := fs.ReadFile(s.root, name)
	return strings.TrimSpace(string(text))
}

// link is the last element of what a link points to, empty without one.
func (s site) link(name string) string {
	to, err := fs.ReadLink(s.root, name)
	if err != nil {
		return ""
	}
	return path.Base(to)
}
