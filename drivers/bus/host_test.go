package bus_test

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/physic"

	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func TestKey(t *testing.T) {
	for port, want := range map[string]string{
		"SPI0.1": "SPI0", "/dev/spidev0.2": "SPI0", "spi1.0": "SPI1", "/dev/spidev32766.0": "SPI32766",
		"I2C1": "I2C1", "/dev/i2c-1": "I2C1", "i2c3": "I2C3", "/dev/ttyUSB0": "/dev/ttyUSB0",
		"10.0.0.5:502": "10.0.0.5:502", "": "", "/dev/serial/by-id/usb-x": "/dev/serial/by-id/usb-x",
	} {
		if got := bus.Key(port); got != want {
			t.Errorf("Key(%q) = %q, want %q", port, got, want)
		}
	}
	for port, want := range map[string]string{
		"SPI0.1": "SPI0.1", "spi0.1": "SPI0.1", "/dev/spidev0.1": "SPI0.1", "spidev0.1": "SPI0.1", "SPIDEV1.0": "SPI1.0",
		"I2C1": "I2C1", "i2c-1": "I2C1", "/dev/i2c-1": "I2C1", "I2C-10": "I2C10", "i2c3": "I2C3",
		"/dev/ttyS0": "/dev/ttyS0", "28-0000051e2f3a": "28-0000051e2f3a", "/sys/bus/spi": "/sys/bus/spi", "": "",
	} {
		if got := bus.Canonical(port); got != want {
			t.Errorf("Canonical(%q) = %q, want %q", port, got, want)
		}
	}
}

func mustI2C(t *testing.T, h *bus.Host, o bus.I2COptions) bus.I2C {
	t.Helper()
	c, err := h.I2C(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestI2C(t *testing.T) {
	ports := drivertest.NewPorts()
	chip := drivertest.NewRegisters(map[byte][]byte{5: {0xC1, 0x94}})
	b := ports.AddI2C("I2C1").Attach(0x18, chip)
	h := bus.NewHost(ports)
	a := mustI2C(t, h, bus.I2COptions{Port: "/dev/i2c-1", Address: 0x18, Max: 400 * physic.KiloHertz, For: "room"})
	slow := mustI2C(t, h, bus.I2COptions{Port: "I2C1", Address: 0x60, Max: 100 * physic.KiloHertz, For: "vr1"})
	if b.Speed() != 100*physic.KiloHertz {
		t.Errorf("bus clock %v, want that of the slowest chip", b.Speed())
	}
	r := make([]byte, 2)
	if err := a.Tx(t.Context(), []byte{5}, r); err != nil || r[0] != 0xC1 || r[1] != 0x94 {
		t.Errorf("%x, %v", r, err)
	}
	err := slow.Tx(t.Context(), []byte{0}, r)
	if !errors.Is(err, syscall.ENXIO) || !strings.Contains(err.Error(), "I2C1 address 0x60") {
		t.Errorf("nobody at the address: %v", err)
	}
	if err := a.Tx(t.Context(), nil, nil); err == nil {
		t.Error("a transfer of nothing was accepted")
	}
	for _, tt := range []struct {
		o    bus.I2COptions
		want []string
	}{
		{bus.I2COptions{Address: 0x18}, []string{"none given"}},
		{bus.I2COptions{Port: "I2C1", Address: 0x80}, []string{"0x08 to 0x77"}},
		{bus.I2COptions{Port: "I2C1", Address: 0x18, For: "x"}, []string{"room", "x", "0x18"}},
		{bus.I2COptions{Port: "I2C9", Address: 0x18}, []string{"I2C9", "i2c ports here: I2C1"}},
	} {
		_, err := h.I2C(tt.o)
		for _, want := range tt.want {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%+v: %v, want %q", tt.o, err, want)
			}
		}
	}
	closing(t, a, a, slow)
	if err := a.Tx(t.Context(), []byte{5}, r); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	closing(t, mustI2C(t, h, bus.I2COptions{Port: "I2C1", Address: 0x18}), h)
	if ports.Open() != 0 {
		t.Errorf("%d buses left open", ports.Open())
	}
}

func TestI2CNodeComesBack(t *testing.T) {
	v := &vanishing{Ports: drivertest.NewPorts(), stamp: "1"}
	b := v.AddI2C("I2C1").Attach(0x18, drivertest.NewRegisters(map[byte][]byte{0: {7}}))
	h := bus.NewHost(v)
	a := mustI2C(t, h, bus.I2COptions{Port: "I2C1", Address: 0x18})
	r := make([]byte, 1)
	v.FailAt(1, syscall.ENXIO)
	if err := a.Tx(t.Context(), []byte{0}, r); !errors.Is(err, syscall.ENXIO) {
		t.Error(err)
	}
	if err := a.Tx(t.Context(), []byte{0}, r); err != nil {
		t.Errorf("a chip that once gave no answer: %v", err)
	}
	v.FailAt(1, syscall.ENODEV)
	_ = a.Tx(t.Context(), []byte{0}, r)
	b.RefuseOpen(syscall.ENOENT)
	if err := a.Tx(t.Context(), []byte{0}, r); !errors.Is(err, syscall.ENOENT) {
		t.Errorf("while the node is away: %v", err)
	}
	b.RefuseOpen(nil)
	if err := a.Tx(t.Context(), []byte{0}, r); err != nil || r[0] != 7 {
		t.Errorf("after it came back: %v", err)
	}
	closing(t, a, h)
	if v.Open() != 0 {
		t.Errorf("%d buses left open", v.Open())
	}
}

// advised is ports that know a bus clock and a kernel driver.
type advised struct{ *drivertest.Ports }

func (advised) AdviseI2C(_ string, address uint16) (physic.Frequency, string) {
	if address == 0x67 {
		return 400 * physic.KiloHertz, "mcp9600"
	}
	return 400 * physic.KiloHertz, ""
}

func TestI2CAdvice(t *testing.T) {
	ports := drivertest.NewPorts()
	ports.AddI2C("I2C1")
	h := bus.NewHost(advised{ports})
	if _, err := h.I2C(bus.I2COptions{Port: "I2C1", Address: 0x60, Max: 100 * physic.KiloHertz}); err == nil || !strings.Contains(err.Error(), "400kHz") {
		t.Errorf("a bus that is too fast: %v", err)
	}
	if _, err := h.I2C(bus.I2COptions{Port: "I2C1", Address: 0x67}); err == nil || !strings.Contains(err.Error(), "kernel driver mcp9600") {
		t.Errorf("a chip that the kernel has: %v", err)
	}
	closing(t, mustI2C(t, h, bus.I2COptions{Port: "I2C1", Address: 0x60, Max: 400 * physic.KiloHertz}), h)
}

func TestPermission(t *testing.T) {
	node := t.TempDir() + "/node"
	if err := os.WriteFile(node, nil, 0o660); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(node, 0o660); err != nil { // whatever the umask is
		t.Fatal(err)
	}
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").RefuseOpen(&os.PathError{Op: "open", Path: node, Err: syscall.EACCES})
	ports.AddName(bus.PortName{Name: "SPI0.0", Path: node, Kind: "spi", Note: "no permission"})
	h := bus.NewHost(ports)
	_, err := h.SPI(options("SPI0.0", "", "a"))
	if !errors.Is(err, os.ErrPermission) {
		t.Fatalf("%v", err)
	}
	for _, want := range []string{node, "belongs to", "we are", "group(s)", "mode -rw-rw----"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
	if os.Getuid() == 0 { // a group that is not root's can be named in the cure
		if err := os.Chown(node, 0, 44); err != nil {
			t.Fatal(err)
		}
		if _, err := h.SPI(options("SPI0.0", "", "a")); !strings.Contains(err.Error(), "usermod -aG") {
			t.Errorf("%q names no cure", err)
		}
	}
	closing(t, h)
}

// ownTime is ports with a clock of their own.
type ownTime struct {
	*drivertest.Ports
	at time.Time
}

func (o *ownTime) Now() time.Time { return o.at }

func (o *ownTime) Wait(ctx context.Context, d time.Duration) error {
	o.at = o.at.Add(d)
	return ctx.Err()
}

func TestClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := bus.NewHost(drivertest.NewPorts())
		began := time.Now()
		if !h.Now().Equal(began) || h.Wait(t.Context(), time.Minute) != nil || time.Since(began) != time.Minute {
			t.Error("without a clock of the ports' own, the computer's counts")
		}
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, cancel)
		if err := h.Wait(ctx, time.Hour); !errors.Is(err, context.Canceled) || time.Since(began) != 61*time.Second {
			t.Errorf("a cancelled wait: %v", err)
		}
		own := &ownTime{Ports: drivertest.NewPorts(), at: time.Unix(1000, 0)}
		h2 := bus.NewHost(own)
		if err := h2.Wait(t.Context(), 5*time.Second); err != nil || h2.Now() != time.Unix(1005, 0) {
			t.Errorf("%v, %v", h2.Now(), err)
		}
		closing(t, h, h2)
	})
}

func TestDialAndNames(t *testing.T) {
	ports := drivertest.NewPorts()
	ports.AddDial("meter:502", func(c net.Conn) { _, _ = io.Copy(c, c) })
	ports.AddSPI("SPI0.0")
	h := bus.NewHost(ports)
	c, err := h.Dial(t.Context(), "meter:502")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Write([]byte{1}); err != nil {
		t.Error(err)
	}
	closing(t, c)
	if _, err := h.Dial(t.Context(), "nobody:1"); err == nil {
		t.Error("dialled nobody")
	}
	if n := h.Names(); len(n) != 1 || n[0].Name != "SPI0.0" {
		t.Errorf("names %v", n)
	}
	closing(t, h)
}

// quietLine is a serial line on which nothing happens.
type quietLine struct{ closed int }

func (q *quietLine) Read([]byte) (int, error)         { return 0, io.EOF }
func (q *quietLine) Write(p []byte) (int, error)      { return len(p), nil }
func (q *quietLine) SetReadDeadline(time.Time) error  { return nil }
func (q *quietLine) SetWriteDeadline(time.Time) error { return nil }
func (q *quietLine) SetMode(bus.SerialMode) error     { return nil }
func (q *quietLine) Drain() error                     { return nil }
func (q *quietLine) Close() error                     { q.closed++; return nil }

func TestSerialHasOneUser(t *testing.T) {
	ports := drivertest.NewPorts()
	line := &quietLine{}
	ports.AddSerial("/dev/ttyUSB0", func(bus.SerialMode) (bus.SerialPort, error) { return line, nil })
	h := bus.NewHost(ports)
	mode := bus.SerialMode{Baud: 9600}
	a, err := h.Serial("/dev/ttyUSB0", mode)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.Serial("/dev/ttyUSB0", mode); err == nil || !strings.Contains(err.Error(), "in use already") {
		t.Errorf("a second user: %v", err)
	}
	closing(t, a, a)
	if line.closed != 1 {
		t.Errorf("closed %d times", line.closed)
	}
	if _, err := h.Serial("/dev/ttyUSB0", mode); err != nil {
		t.Errorf("after the first user closed it: %v", err)
	}
	for _, bad := range []bus.SerialMode{{}, {Baud: -1}, {Baud: 9600, DataBits: 5}, {Baud: 9600, Parity: "X"}, {Baud: 9600, StopBits: 3}} {
		if _, err := h.Serial("/dev/ttyUSB1", bad); err == nil || !strings.Contains(err.Error(), "must be") {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	if _, err := h.Serial("/dev/ttyUSB9", mode); err == nil || !strings.Contains(err.Error(), "/dev/ttyUSB0") {
		t.Errorf("no such line: %v, want those there are", err)
	}
	closing(t, h)
	if line.closed != 2 {
		t.Error("the host left a line open")
	}
}
