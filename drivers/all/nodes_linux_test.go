package all

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/all/internal/nodes"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

const inside = "SOAKRIG_DEVICE_NODES"

// TestDeviceNodes runs the drivers through the system calls of spidev, i2c-dev and
// gpiochip: periph, its ioctls, our GPIO claims. The nodes are files served from
// user space, in a mount namespace of a child process whose /dev they are.
func TestDeviceNodes(t *testing.T) {
	if os.Getenv(inside) != "" {
		testInside(t)
		return
	}
	if os.Getuid() != 0 {
		t.Skip("needs root: user-space device nodes are mounted over /dev in a namespace of their own")
	}
	if _, err := os.Stat("/dev/fuse"); err != nil {
		t.Skipf("needs FUSE in the kernel: %v", err)
	}
	if ^uint(0)>>32 == 0 {
		t.Skip("needs a 64-bit process: the layouts of the ioctls are those")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 40*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, os.Args[0], "-test.run=^TestDeviceNodes$", "-test.v", "-test.timeout=30s")
	cmd.WaitDelay = 5 * time.Second
	cmd.Env = append(os.Environ(), inside+"=1")
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS, Pdeathsig: syscall.SIGKILL}
	out, err := cmd.CombinedOutput()
	if errors.Is(err, syscall.EPERM) {
		t.Skipf("no permission for a mount namespace: %v", err)
	}
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if !strings.Contains(string(out), "--- PASS: TestDeviceNodes/") {
		t.Fatalf("nothing ran:\n%s", out)
	}
}

// bench is a /dev with two SPI ports, an auxiliary one, an I2C bus and GPIO lines.
type bench struct {
	dev  *nodes.Dev
	tc   *nodes.SPI // MAX31855 at -0.25 degC, mode 0
	aux  *nodes.SPI // a controller without CPHA and without NoCS
	sel  *nodes.SPI // a MAX31856's bus, chips on GPIO lines
	gpio *nodes.GPIO
}

func newBench(t *testing.T) *bench {
	t.Helper()
	if err := unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""); err != nil {
		t.Fatal(err)
	}
	dev, err := nodes.Mount("/dev")
	if err != nil {
		t.Fatal(err)
	}
	// Whatever happens, nothing may wait for answers that this process no longer gives.
	watchdog := time.AfterFunc(20*time.Second, func() { _ = dev.Unmount() })
	t.Cleanup(func() {
		watchdog.Stop()
		if err := dev.Unmount(); err != nil {
			t.Error(err)
		}
	})
	b := &bench{dev: dev}
	frame := func(m nodes.SPIMessage, n int) ([]byte, unix.Errno) {
		if m.Mode&3 != 0 || n != 4 { // as the chip does: another mode reads one bit further
			return []byte{0xFF, 0xF8, 0x32, 0x00}[:min(n, 4)], 0
		}
		return []byte{0xFF, 0xFC, 0x19, 0x00}, 0
	}
	b.tc = &nodes.SPI{Answer: frame}
	b.aux = &nodes.SPI{Answer: frame, Refuse: 0x41} // CPHA and NO_CS
	b.sel = &nodes.SPI{Answer: func(m nodes.SPIMessage, n int) ([]byte, unix.Errno) { return make([]byte, n), 0 }}
	b.gpio = &nodes.GPIO{Dev: dev, Dir: "/dev", Names: []string{"ID_SDA", "GPIO8" + " in use", "GPIO22"}}
	dev.Add("spidev0.0", b.tc)
	dev.Add("spidev0.1", b.sel)
	dev.Add("spidev1.0", b.aux)
	dev.AddAs("spidev2.0", b.tc, 44, unix.EACCES)
	dev.Add("i2c-1", &nodes.I2C{Answer: sensor})
	dev.Add("gpiochip0", b.gpio)
	return b
}

// sensor is an MCP9808 at address 0x18, -0.0625 degC, with its settings and the
// driver's sentinel in register 02h as an earlier run left them.
func sensor(address uint16, w []byte, n int) ([]byte, unix.Errno) {
	if address != 0x18 {
		return nil, unix.EREMOTEIO
	}
	if n == 0 {
		return nil, 0
	}
	regs := map[byte][]byte{1: {0, 0}, 2: {0x07, 0xC0}, 5: {0x1F, 0xFF}, 6: {0, 0x54}, 7: {4, 0}, 8: {3}}
	r := regs[w[0]]
	if len(r) != n {
		return nil, unix.EIO
	}
	return r, 0
}

func testInside(t *testing.T) {
	b := newBench(t)
	host := bus.NewHost(bus.Hardware())
	defer func() {
		if err := host.Close(); err != nil {
			t.Error(err)
		}
	}()
	t.Run("names", func(t *testing.T) {
		all := fmt.Sprint(host.Names())
		for _, want := range []string{"SPI0.0", "SPI0.1", "SPI1.0", "I2C1"} {
			if !strings.Contains(all, want) {
				t.Errorf("%s is missing in %s", want, all)
			}
		}
	})
	t.Run("spi", func(t *testing.T) { b.spi(t, host) })
	t.Run("select by gpio", func(t *testing.T) { b.selects(t, host) })
	t.Run("both selects on one port", func(t *testing.T) { b.mixed(t, host) })
	t.Run("auxiliary controller", func(t *testing.T) { b.auxiliary(t, host) })
	t.Run("i2c", func(t *testing.T) { b.i2c(t, host) })
	t.Run("permission", func(t *testing.T) {
		_, err := host.SPI(bus.SPIOptions{Port: "SPI2.0", Max: physic.MegaHertz})
		if !errors.Is(err, os.ErrPermission) || !strings.Contains(err.Error(), "usermod -aG") || !strings.Contains(err.Error(), "/dev/spidev2.0") {
			t.Errorf("%v: want the node, and what would help", err)
		}
	})
	t.Run("node comes back", func(t *testing.T) { b.comesBack(t, host) })
}

func open(t *testing.T, host *bus.Host, name string, in drivers.Input, every time.Duration) drivers.Device {
	t.Helper()
	in.Options = drivertest.Options("")
	dev, err := find(t, name).Open(t.Context(), host, drivers.Source{Name: "x", Every: every, Options: drivertest.Options(""), Inputs: []drivers.Input{in}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := dev.Close(); err != nil {
			t.Error(err)
		}
	})
	return dev
}

func (b *bench) spi(t *testing.T, host *bus.Host) {
	dev := open(t, host, "max31855", drivers.Input{Channel: "vr1", Port: "SPI0.0", Couple: "K"}, 200*time.Millisecond)
	if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || r.Code != -1 || r.Cold != 400 {
		t.Errorf("%+v", r)
	}
	log := b.tc.Log()
	if len(log) != 1 || log[0].Mode != 0 || log[0].Hz != 5_000_000 || log[0].Bits != 8 || len(log[0].W) != 4 {
		t.Errorf("the node saw %+v; want one message in mode 0 at 5 MHz, 8 bits, 4 bytes", log)
	}
}

func (b *bench) selects(t *testing.T, host *bus.Host) {
	options := bus.SPIOptions{Port: "SPI0.1", Select: "GPIO22", Mode: spi.Mode1, Max: 4 * physic.MegaHertz}
	c, err := host.SPI(options)
	if err != nil {
		t.Fatal(err)
	}
	if got := b.gpio.Levels(2); string(got) != "\x01" {
		t.Errorf("levels before the first transfer: %v, want high once", got)
	}
	if err := c.Tx(t.Context(), make([]byte, 17), make([]byte, 17)); err != nil {
		t.Error(err)
	}
	if got := b.gpio.Levels(2); string(got) != "\x01\x00\x01" {
		t.Errorf("levels around a transfer: %v, want high, low, high", got)
	}
	if log := b.sel.Log(); len(log) != 1 || log[0].Mode != 0x41 || log[0].Hz != 4_000_000 || len(log[0].W) != 17 {
		t.Errorf("the node saw %+v; want mode 1 without the port's own select, 4 MHz, 17 bytes", log)
	}
	if err := c.Close(); err != nil {
		t.Error(err)
	}
	options.Select = "GPIO8"
	if _, err := host.SPI(options); !errors.Is(err, syscall.EBUSY) || !strings.Contains(err.Error(), "spi0 CS0") {
		t.Errorf("a pin that the kernel's SPI controller drives: %v", err)
	}
	options.Select = "GPIO99"
	if _, err := host.SPI(options); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a pin that is not there: %v", err)
	}
}

// mixed: one chip on the port's own select, one on a GPIO line; the node's mode is the
// kernel's, common to all who open it.
func (b *bench) mixed(t *testing.T, host *bus.Host) {
	own := open(t, host, "max31855", drivers.Input{Channel: "vr1", Port: "SPI0.0", Couple: "K"}, 200*time.Millisecond)
	pin := open(t, host, "max31855", drivers.Input{Channel: "vr3", Port: "SPI0.0", Select: "GPIO22", Couple: "K"}, 200*time.Millisecond)
	before := len(b.tc.Log())
	for _, dev := range []drivers.Device{own, pin, pin, own} {
		if r := drivertest.Read(t, dev)[0]; r.Faults&^drivers.Stale != 0 || r.Code != -1 {
			t.Errorf("%+v", r)
		}
	}
	var modes []byte
	for _, m := range b.tc.Log()[before:] {
		modes = append(modes, m.Mode)
	}
	if string(modes) != "\x00\x40\x40\x00" {
		t.Errorf("modes % x; want the own select used, left alone twice, used", modes)
	}
}

func (b *bench) auxiliary(t *testing.T, host *bus.Host) {
	_, err := host.SPI(bus.SPIOptions{Port: "SPI1.0", Mode: spi.Mode1, Max: physic.MegaHertz})
	if !errors.Is(err, syscall.EINVAL) || !strings.Contains(err.Error(), "main controller") {
		t.Errorf("mode 1 on a controller without CPHA: %v", err)
	}
	// A chip of mode 0 on a GPIO line works, with the port's own select used too.
	c, err := host.SPI(bus.SPIOptions{Port: "SPI1.0", Select: "GPIO22", Mode: spi.Mode0, Max: physic.MegaHertz})
	if err != nil {
		t.Fatal(err)
	}
	r := make([]byte, 4)
	if err := c.Tx(t.Context(), make([]byte, 4), r); err != nil || r[0] != 0xFF || r[1] != 0xFC {
		t.Errorf("% X, %v", r, err)
	}
	if log := b.aux.Log(); log[len(log)-1].Mode != 0 {
		t.Errorf("mode %#x", log[len(log)-1].Mode)
	}
	// That is why no chip can sit on the own select beside it.
	own := bus.SPIOptions{Port: "SPI1.0", Mode: spi.Mode0, Max: physic.MegaHertz}
	if _, err := host.SPI(own); !errors.Is(err, syscall.EINVAL) || !strings.Contains(err.Error(), "can't leave its own chip select alone") {
		t.Errorf("a chip on the own select beside one that a GPIO line selects: %v", err)
	}
	if err := c.Close(); err != nil {
		t.Error(err)
	}
}

func (b *bench) i2c(t *testing.T, host *bus.Host) {
	dev := open(t, host, "mcp9808", drivers.Input{Channel: "room", Port: "I2C1"}, time.Second)
	if r := drivertest.Read(t, dev)[0]; r.Faults != 0 || r.Code != -1 {
		t.Errorf("%+v: want -0.0625 degC", r)
	}
	in := drivers.Input{Channel: "vr1", Port: "I2C1", Couple: "K"}
	nobody := open(t, host, "mcp9600", in, time.Second)
	if r := drivertest.Read(t, nobody)[0]; r.Faults != drivers.NoChip || !errors.Is(r.Cause, syscall.EREMOTEIO) {
		t.Errorf("an address that nobody acknowledges: %v (%v)", r.Faults, r.Cause)
	}
}

func (b *bench) comesBack(t *testing.T, host *bus.Host) {
	dev := open(t, host, "max31855", drivers.Input{Channel: "vr1", Port: "SPI0.0", Couple: "K"}, 200*time.Millisecond)
	if r := drivertest.Read(t, dev)[0]; r.Faults != 0 {
		t.Fatal(r.Cause)
	}
	b.dev.Remove("spidev0.0")
	for range 2 {
		if r := drivertest.Read(t, dev)[0]; r.Faults != drivers.BusError {
			t.Errorf("without its node: %v (%v)", r.Faults, r.Cause)
		}
	}
	b.dev.Add("spidev0.0", b.tc)
	deadline := time.Now().Add(10 * time.Second)
	for {
		r := drivertest.Read(t, dev)[0]
		if r.Faults == 0 {
			return
		}
		if r.Faults != drivers.Stale || time.Now().After(deadline) {
			t.Fatalf("after it came back: %v (%v)", r.Faults, r.Cause)
		}
	}
}
