package bus_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func options(port, pin, who string) bus.SPIOptions {
	return bus.SPIOptions{Port: port, Select: pin, Mode: spi.Mode1, Max: 5 * physic.MegaHertz, For: who}
}

func closing(t *testing.T, what ...interface{ Close() error }) {
	t.Helper()
	for _, c := range what {
		if err := c.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	}
}

func mustSPI(t *testing.T, h *bus.Host, o bus.SPIOptions) bus.SPI {
	t.Helper()
	c, err := h.SPI(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// echo answers every byte with the one that was written, plus one.
var echo = drivertest.ChipFunc(func(w, r []byte) error {
	for i := range r {
		if i < len(w) {
			r[i] = w[i] + 1
		}
	}
	return nil
})

func TestGPIOSelect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports := drivertest.NewPorts()
		pins := []*drivertest.Pin{ports.AddPin("GPIO22"), ports.AddPin("GPIO23")}
		port := ports.AddSPI("SPI0.0").AttachAt("GPIO22", echo).AttachAt("GPIO23", drivertest.Steady("AA"))
		h := bus.NewHost(ports)
		slow := options("SPI0.0", "GPIO23", "b")
		slow.Max = 4 * physic.MegaHertz
		a, b := mustSPI(t, h, options("SPI0.0", "GPIO22", "a")), mustSPI(t, h, slow)
		if port.Connected() != 1 {
			t.Errorf("the port was connected %d times", port.Connected())
		}
		for _, p := range pins {
			if got := p.Levels(); len(got) != 1 || got[0] != gpio.High {
				t.Errorf("%s before its first transfer: %v, want high once", p, got)
			}
		}
		r := make([]byte, 1)
		for range 3 {
			if err := a.Tx(t.Context(), []byte{7}, r); err != nil || r[0] != 8 {
				t.Errorf("chip a answered %d, %v", r[0], err)
			}
			if err := b.Tx(t.Context(), nil, r); err != nil || r[0] != 0xAA {
				t.Errorf("chip b answered %#x, %v", r[0], err)
			}
		}
		for _, tr := range ports.Log() {
			if tr.Select != "GPIO22" && tr.Select != "GPIO23" || tr.Mode != spi.Mode1|spi.NoCS || tr.Clock != 4*physic.MegaHertz {
				t.Errorf("transfer with select %q, mode %v, %v; want one pin, mode 1 without the port's select, the slower chip's clock", tr.Select, tr.Mode, tr.Clock)
			}
		}
		closing(t, a, a, b, h, h)
		if pins[0].Read() != gpio.High || ports.Open() != 0 {
			t.Errorf("after Close: pin %v, %d ports open", pins[0].Read(), ports.Open())
		}
	})
}

// TestControllerWithoutNoCS: a controller that refuses to leave its own chip select
// alone is used with it.
func TestControllerWithoutNoCS(t *testing.T) {
	ports := drivertest.NewPorts()
	ports.AddPin("GPIO22")
	ports.AddSPI("SPI0.0").AttachAt("GPIO22", echo).RefuseMode(spi.NoCS, syscall.EINVAL)
	h := bus.NewHost(ports)
	c := mustSPI(t, h, options("SPI0.0", "GPIO22", "a"))
	r := make([]byte, 2)
	if err := c.Tx(t.Context(), []byte{1, 2}, r); err != nil || r[1] != 3 {
		t.Errorf("%v, %v", r, err)
	}
	if m := ports.Log()[0].Mode; m != spi.Mode1 {
		t.Errorf("mode %v", m)
	}
	closing(t, c, h)
}

func TestModeThatTheControllerCannotDo(t *testing.T) {
	for _, pin := range []string{"", "GPIO22"} {
		ports := drivertest.NewPorts()
		ports.AddPin("GPIO22")
		ports.AddSPI("SPI1.0").RefuseMode(spi.Mode1, syscall.EINVAL)
		h := bus.NewHost(ports)
		_, err := h.SPI(options("SPI1.0", pin, "a"))
		if !errors.Is(err, syscall.EINVAL) || !strings.Contains(err.Error(), "main controller") {
			t.Errorf("select %q: %v, want EINVAL and what to do", pin, err)
		}
		if ports.Open() != 0 {
			t.Errorf("%d ports left open", ports.Open())
		}
		o := options("SPI1.0", pin, "a")
		o.Mode = spi.Mode0
		closing(t, mustSPI(t, h, o), h)
	}
}

func TestSPIRefusals(t *testing.T) {
	ports := drivertest.NewPorts()
	for _, p := range []string{"GPIO22", "GPIO23"} {
		ports.AddPin(p)
	}
	for _, p := range []string{"SPI0.0", "SPI0.1", "SPI1.0"} {
		ports.AddSPI(p).RefuseMode(spi.NoCS, syscall.EINVAL)
	}
	ports.AddName(bus.PortName{Name: "SPI0.2", Kind: "spi", Note: "the kernel driver x has its chip"})
	h := bus.NewHost(ports)
	own, pin := mustSPI(t, h, options("SPI0.0", "", "vr1")), mustSPI(t, h, options("SPI0.1", "GPIO22", "vr2"))
	mode0 := options("SPI0.1", "GPIO23", "vr3")
	mode0.Mode = spi.Mode0
	noClock := options("SPI0.1", "GPIO23", "vr3")
	noClock.Max = 0
	for _, tt := range []struct {
		name string
		o    bus.SPIOptions
		want []string
	}{
		{"no port", options("", "", "vr3"), []string{"SPI0.0"}},
		{"no clock", noClock, []string{"100 Hz"}},
		{"same chip select", options("/dev/spidev0.0", "", "vr3"), []string{"vr1", "vr3", "SPI0.0"}},
		{"same pin", options("SPI1.0", "GPIO22", "vr3"), []string{"vr2", "vr3", "GPIO22"}},
		{"pin on a port whose own select is used", options("SPI0.0", "GPIO23", "vr3"), []string{"vr1", "vr3", "both chips"}},
		{"own select of a port that carries pins", options("SPI0.1", "", "vr3"), []string{"vr2", "vr3", "both chips"}},
		{"other mode on the same port", mode0, []string{"mode 0", "mode 1", "different ports"}},
		{"no such port", options("SPI7.0", "", "vr3"), []string{"SPI7.0", "SPI0.0, SPI0.1, SPI0.2 (the kernel driver x has its chip), SPI1.0"}},
		{"taken by the kernel", options("SPI0.2", "", "vr3"), []string{"kernel driver x"}},
		{"no such pin", options("SPI1.0", "GPIO99", "vr3"), []string{"GPIO99", "GPIO22, GPIO23"}},
	} {
		_, err := h.SPI(tt.o)
		if err == nil {
			t.Errorf("%s: accepted", tt.name)
			continue
		}
		for _, want := range tt.want {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %q does not say %q", tt.name, err, want)
			}
		}
	}
	if _, err := h.Pin("GPIO22"); err == nil || !strings.Contains(err.Error(), "vr2") {
		t.Errorf("a select pin was handed out: %v", err)
	}
	closing(t, own, pin)
	closing(t, mustSPI(t, h, options("SPI0.0", "GPIO22", "vr3")), h) // all was given back
	if ports.Open() != 0 {
		t.Errorf("%d ports left open", ports.Open())
	}
}

// csPort is a port that names the pin of its own chip select.
type csPort struct{ spi.PortCloser }

func (csPort) CLK() gpio.PinOut  { return gpio.INVALID }
func (csPort) MOSI() gpio.PinOut { return gpio.INVALID }
func (csPort) MISO() gpio.PinIn  { return gpio.INVALID }
func (csPort) CS() gpio.PinOut   { return named{gpio.INVALID} }

type named struct{ gpio.PinIO }

func (named) Name() string { return "GPIO8" }

type csPorts struct{ *drivertest.Ports }

func (p csPorts) SPI(name string) (spi.PortCloser, error) {
	c, err := p.Ports.SPI(name)
	return csPort{c}, err
}

func TestKernelSelectRefused(t *testing.T) {
	ports := drivertest.NewPorts()
	ports.AddPin("GPIO8")
	ports.AddSPI("SPI0.0")
	h := bus.NewHost(csPorts{ports})
	if _, err := h.SPI(options("SPI0.0", "GPIO8", "a")); err == nil || !strings.Contains(err.Error(), "driven by the SPI controller") {
		t.Errorf("%v", err)
	}
	closing(t, h)
	if ports.Open() != 0 {
		t.Error("port left open")
	}
}

func TestSelectReleasedOnError(t *testing.T) {
	ports := drivertest.NewPorts()
	pin := ports.AddPin("GPIO22")
	other := ports.AddPin("GPIO23")
	ports.AddSPI("SPI0.0").AttachAt("GPIO22", drivertest.Frames()).AttachAt("GPIO23", echo)
	h := bus.NewHost(ports)
	a, b := mustSPI(t, h, options("SPI0.0", "GPIO22", "a")), mustSPI(t, h, options("SPI0.0", "GPIO23", "b"))
	r := make([]byte, 1)
	if err := a.Tx(t.Context(), nil, r); err == nil {
		t.Fatal("the transfer should fail")
	}
	if pin.Read() != gpio.High {
		t.Error("select is still low after a failed transfer")
	}
	broken := errors.New("pin is stuck")
	pin.FailOut(func(l gpio.Level) error {
		if l == gpio.High {
			return broken
		}
		return nil
	})
	if err := a.Tx(t.Context(), nil, r); !errors.Is(err, broken) {
		t.Errorf("a select that can't be released: %v", err)
	}
	if err := b.Tx(t.Context(), nil, r); !errors.Is(err, broken) || !strings.Contains(err.Error(), "still selected") {
		t.Errorf("the next chip was talked to with another one selected: %v", err)
	}
	pin.FailOut(nil)
	if err := b.Tx(t.Context(), []byte{1}, r); err != nil || r[0] != 2 {
		t.Errorf("after the pin works again: %v", err)
	}
	other.FailOut(func(gpio.Level) error { return broken })
	if err := b.Tx(t.Context(), nil, r); !errors.Is(err, broken) {
		t.Errorf("a pin that can't be driven: %v", err)
	}
	other.FailOut(nil)
	closing(t, a, b, h)
}

func TestHungTransfer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports := drivertest.NewPorts()
		free := make(chan struct{})
		var calls atomic.Int32
		ports.AddSPI("SPI0.0").Attach(drivertest.ChipFunc(func(w, r []byte) error {
			if calls.Add(1) == 1 {
				<-free
			}
			r[0] = 9
			return nil
		}))
		ports.AddSPI("SPI0.1").Attach(echo)
		ports.AddSPI("SPI1.0").Attach(echo)
		h := bus.NewHost(ports)
		a, b, c := mustSPI(t, h, options("SPI0.0", "", "a")), mustSPI(t, h, options("SPI0.1", "", "b")), mustSPI(t, h, options("SPI1.0", "", "c"))
		r := []byte{0x55}
		began := time.Now()
		err := a.Tx(context.Background(), nil, r)
		if !errors.Is(err, bus.ErrHung) || time.Since(began) != 2*time.Second {
			t.Errorf("after %v: %v", time.Since(began), err)
		}
		if err := b.Tx(context.Background(), nil, make([]byte, 1)); !errors.Is(err, bus.ErrHung) || !strings.Contains(err.Error(), "SPI0") {
			t.Errorf("another chip on the same bus: %v", err)
		}
		if err := c.Tx(context.Background(), []byte{1}, make([]byte, 1)); err != nil {
			t.Errorf("a chip on another bus: %v", err)
		}
		close(free)
		synctest.Wait()
		if r[0] != 0x55 {
			t.Error("the transfer that was given up wrote into its caller's memory")
		}
		if err := b.Tx(context.Background(), []byte{1}, r); err != nil || r[0] != 2 {
			t.Errorf("after the bus came back: %v", err)
		}
		closing(t, a, b, c, h)
	})
}

func TestCloseWhileHung(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports := drivertest.NewPorts()
		free := make(chan struct{})
		ports.AddSPI("SPI0.0").Attach(drivertest.ChipFunc(func(w, r []byte) error { <-free; return nil }))
		h := bus.NewHost(ports)
		a := mustSPI(t, h, options("SPI0.0", "", "a"))
		if err := a.Tx(context.Background(), nil, make([]byte, 1)); !errors.Is(err, bus.ErrHung) {
			t.Fatal(err)
		}
		if err := a.Close(); !errors.Is(err, bus.ErrHung) {
			t.Errorf("close of a chip on a bus that hangs: %v", err)
		}
		if err := h.Close(); err != nil {
			t.Errorf("close of the host: %v", err)
		}
		if ports.Open() != 1 {
			t.Error("a port was closed under its transfer")
		}
		close(free)
		synctest.Wait()
		if ports.Open() != 0 {
			t.Error("the port was not closed once its transfer returned")
		}
	})
}

func TestCancel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports := drivertest.NewPorts()
		ports.AddSPI("SPI0.0").Attach(echo)
		h := bus.NewHost(ports)
		a := mustSPI(t, h, options("SPI0.0", "", "a"))
		ports.Delay(time.Second)
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		if err := a.Tx(ctx, nil, make([]byte, 1)); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("in the middle of a transfer: %v", err)
		}
		short, stop := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer stop()
		if err := a.Tx(short, nil, make([]byte, 1)); !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "wait for the bus") {
			t.Errorf("while waiting for the bus: %v", err)
		}
		began := time.Now()
		if err := a.Tx(t.Context(), nil, make([]byte, 1)); err != nil || time.Since(began) != 1800*time.Millisecond {
			t.Errorf("after the slow transfer ended: %v after %v", err, time.Since(began))
		}
		if n := ports.Count(); n != 2 {
			t.Errorf("%d transfers started, want 2: a caller that gave up waiting sends nothing", n)
		}
		closing(t, a, h)
	})
}

func TestAfterClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports := drivertest.NewPorts()
		ports.AddSPI("SPI0.0").Attach(echo)
		ports.AddSPI("SPI0.1").Attach(echo)
		h := bus.NewHost(ports)
		a, b := mustSPI(t, h, options("SPI0.0", "", "a")), mustSPI(t, h, options("SPI0.1", "", "b"))
		closing(t, a)
		if err := a.Tx(t.Context(), nil, make([]byte, 1)); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("after its Close: %v", err)
		}
		closing(t, h)
		if err := b.Tx(t.Context(), nil, make([]byte, 1)); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("after the host's Close: %v", err)
		}
		closing(t, b, b)
		for name, f := range map[string]func() error{
			"spi":    func() error { _, err := h.SPI(options("SPI0.0", "", "a")); return err },
			"i2c":    func() error { _, err := h.I2C(bus.I2COptions{Port: "I2C1", Address: 0x18}); return err },
			"pin":    func() error { _, err := h.Pin("GPIO1"); return err },
			"serial": func() error { _, err := h.Serial("/dev/x", bus.SerialMode{Baud: 9600}); return err },
			"dial":   func() error { _, err := h.Dial(t.Context(), "x:1"); return err },
		} {
			if err := f(); !errors.Is(err, bus.ErrClosed) {
				t.Errorf("%s on a closed host: %v", name, err)
			}
		}
	})
}

func TestBadTransfers(t *testing.T) {
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").Attach(echo)
	h := bus.NewHost(ports)
	a := mustSPI(t, h, options("SPI0.0", "", "a"))
	if err := a.Tx(t.Context(), []byte{1, 2}, make([]byte, 1)); err == nil || !strings.Contains(err.Error(), "must be equal") {
		t.Errorf("unequal lengths: %v", err)
	}
	if err := a.Tx(t.Context(), nil, nil); err == nil {
		t.Error("a transfer of nothing was accepted")
	}
	if ports.Count() != 0 {
		t.Error("a bad transfer reached the port")
	}
	closing(t, a, h)
}

// vanishing is ports whose device node can be taken away and made anew.
type vanishing struct {
	*drivertest.Ports
	mu    sync.Mutex
	stamp string
}

func (v *vanishing) Stamp(string) string { v.mu.Lock(); defer v.mu.Unlock(); return v.stamp }
func (v *vanishing) set(s string)        { v.mu.Lock(); defer v.mu.Unlock(); v.stamp = s }

func TestDeviceNodeComesBack(t *testing.T) {
	for _, tt := range []struct {
		errno  syscall.Errno
		stamp  string // after the failure
		opened int    // how often the port is opened in all
	}{
		{syscall.ENODEV, "1", 2},
		{syscall.ESHUTDOWN, "1", 2},
		{syscall.EIO, "2", 2}, // the node was made anew
		{syscall.EIO, "1", 1}, // a failed transfer, nothing more
		{syscall.EINVAL, "2", 1},
	} {
		t.Run(fmt.Sprint(tt.errno, tt.stamp), func(t *testing.T) {
			v := &vanishing{Ports: drivertest.NewPorts(), stamp: "1"}
			port := v.AddSPI("SPI0.0").Attach(echo)
			h := bus.NewHost(v)
			a := mustSPI(t, h, options("SPI0.0", "", "a"))
			v.FailAt(1, tt.errno)
			v.set(tt.stamp)
			r := make([]byte, 1)
			if err := a.Tx(t.Context(), nil, r); !errors.Is(err, tt.errno) {
				t.Errorf("cause lost: %v", err)
			}
			if tt.opened == 2 {
				port.RefuseOpen(syscall.ENOENT)
				if err := a.Tx(t.Context(), nil, r); !errors.Is(err, syscall.ENOENT) || !strings.Contains(err.Error(), "was lost") {
					t.Errorf("while the node is away: %v", err)
				}
				port.RefuseOpen(nil)
			}
			if err := a.Tx(t.Context(), []byte{4}, r); err != nil || r[0] != 5 {
				t.Errorf("after it came back: %v", err)
			}
			if port.Connected() != tt.opened || v.Open() != 1 {
				t.Errorf("connected %d times, %d open; want %d and 1", port.Connected(), v.Open(), tt.opened)
			}
			closing(t, a, h)
		})
	}
}

func TestConcurrentUse(t *testing.T) {
	ports := drivertest.NewPorts()
	var inside, most atomic.Int32
	watch := drivertest.ChipFunc(func(w, r []byte) error {
		if n := inside.Add(1); n > most.Load() {
			most.Store(n)
		}
		defer inside.Add(-1)
		return echo(w, r)
	})
	ports.AddSPI("SPI0.0").Attach(watch)
	ports.AddSPI("SPI0.1").Attach(watch)
	h := bus.NewHost(ports)
	chips := []bus.SPI{mustSPI(t, h, options("SPI0.0", "", "a")), mustSPI(t, h, options("SPI0.1", "", "b"))}
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			w, r := []byte{byte(i)}, make([]byte, 1)
			for range 100 {
				if err := chips[i%2].Tx(t.Context(), w, r); err != nil || r[0] != byte(i)+1 {
					t.Errorf("worker %d got %d, %v", i, r[0], err)
					return
				}
			}
		})
	}
	wg.Wait()
	if most.Load() != 1 {
		t.Errorf("%d transfers on one bus at the same time", most.Load())
	}
	closing(t, chips[0], chips[1], h)
}

func TestTransferAllocatesNothing(t *testing.T) {
	ports := drivertest.NewPorts()
	ports.AddPin("GPIO22")
	ports.AddSPI("SPI0.0").AttachAt("GPIO22", echo)
	ports.Quiet()
	h := bus.NewHost(ports)
	a := mustSPI(t, h, options("SPI0.0", "GPIO22", "a"))
	w, r := make([]byte, 8), make([]byte, 8)
	ctx := t.Context()
	if n := testing.AllocsPerRun(100, func() {
		if err := a.Tx(ctx, w, r); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("a transfer allocates %v times", n)
	}
	closing(t, a, h)
}
