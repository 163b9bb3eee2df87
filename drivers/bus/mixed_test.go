package bus_test

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/spi"
	"pgregory.net/rapid"

	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// Selects of one port: its own, two pins, a decoder with an enable of its own, and one
// that the port's own select enables (which takes the place of the own chip).
var (
	byDecoder = bus.Decoder{Lines: decoderLines, Enable: "GPIO19", Output: 3}.Select()
	byKernel  = bus.Decoder{Lines: []string{"GPIO20", "GPIO21"}, Output: 1}.Select()
)

// mixedPort is a port with a chip at each of these selects; each answers its number.
type mixedPort struct {
	*drivertest.Ports
	port   *drivertest.SPIPort
	pin    *drivertest.Pin // GPIO22
	most   int             // ports that were open at the same time during a transfer
	number map[string]byte
}

func newMixedPort(own string) *mixedPort {
	m := &mixedPort{Ports: drivertest.NewPorts(), number: map[string]byte{own: 1, "GPIO22": 2, "GPIO23": 3, byDecoder: 4}}
	for _, name := range append([]string{"GPIO19", "GPIO20", "GPIO21", "GPIO23"}, decoderLines...) {
		m.AddPin(name)
	}
	m.pin = m.AddPin("GPIO22")
	m.port = m.AddSPI("SPI0.0").AttachAt("GPIO22", m.chip(2)).AttachAt("GPIO23", m.chip(3)).
		AttachDecoded(decoderLines, "GPIO19", 3, m.chip(4))
	if own == byKernel {
		m.port.AttachDecoded([]string{"GPIO20", "GPIO21"}, "", 1, m.chip(1))
	} else {
		m.port.Attach(m.chip(1))
	}
	return m
}

func (m *mixedPort) chip(n byte) drivertest.Chip {
	return drivertest.ChipFunc(func(_, r []byte) error {
		m.most = max(m.most, m.Open())
		for i := range r {
			r[i] = n
		}
		return nil
	})
}

// last says what the newest transfer selected, and whether the port's own select was
// left alone.
func (m *mixedPort) last() (sel string, alone bool) {
	log := m.Log()
	tr := log[len(log)-1]
	return tr.Select, tr.Mode&spi.NoCS != 0
}

func (m *mixedPort) reads(t *testing.T, c bus.SPI, want byte) {
	t.Helper()
	r := make([]byte, 2)
	if err := c.Tx(t.Context(), nil, r); err != nil || r[0] != want || r[1] != want {
		t.Errorf("%s answered % d, %v; want %d", c, r, err, want)
	}
}

// TestMixedSelects: one port serves the chip on its own select and chips that GPIO
// lines select, and no transfer selects two.
func TestMixedSelects(t *testing.T) {
	for _, own := range []string{"", byKernel} {
		m := newMixedPort(own)
		h := bus.NewHost(m)
		var chips []bus.SPI
		order := []string{own, "GPIO22", "GPIO23", byDecoder}
		for i, sel := range order {
			chips = append(chips, mustSPI(t, h, options("SPI0.0", sel, fmt.Sprintf("vr%d", i+1))))
		}
		m.pin.Levels()
		connected := m.port.Connected()
		if connected != 2 {
			t.Errorf("own %q: connected %d times after opening; want once in each way", own, connected)
		}
		before := len(m.pin.Levels())
		for _, i := range []int{0, 1, 2, 3, 0, 0, 3, 1, 0, 2, 2} {
			m.reads(t, chips[i], byte(i+1))
			sel, alone := m.last()
			if alone != (i != 0) || strings.Contains(sel, "+") || strings.Contains(sel, "own") != (i == 0 && own == "") {
				t.Errorf("chip %d: selected %q, own select left alone: %v", i+1, sel, alone)
			}
			if m.pin.Read() != gpio.High {
				t.Errorf("GPIO22 is low after a transfer with chip %d", i+1)
			}
		}
		if got := m.port.Connected() - connected; got != 6 {
			t.Errorf("own %q: connected %d times for 6 changes of use", own, got)
		}
		if got := m.pin.Levels()[before:]; fmt.Sprint(got) != "[Low High Low High]" {
			t.Errorf("GPIO22 went %v in two transfers", got)
		}
		for _, c := range chips {
			closing(t, c)
		}
		closing(t, h)
		if m.Ports.Open() != 0 || m.most != 1 {
			t.Errorf("%d ports open at the end, %d at once", m.Ports.Open(), m.most)
		}
	}
}

// TestMixedOrders opens and closes three chips in every order: those that are open
// read right at every step, and the port is closed with the last one.
func TestMixedOrders(t *testing.T) {
	orders := [][]int{{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}}
	selects := []string{"", "GPIO22", byDecoder}
	for _, in := range orders {
		for _, out := range orders {
			m := newMixedPort("")
			h := bus.NewHost(m)
			open := map[int]bus.SPI{}
			all := func() {
				for i, c := range open {
					m.reads(t, c, m.number[selects[i]])
				}
			}
			for _, i := range in {
				open[i] = mustSPI(t, h, options("SPI0.0", selects[i], selects[i]))
				all()
			}
			for _, i := range out {
				closing(t, open[i], open[i])
				delete(open, i)
				all()
			}
			if m.Ports.Open() != 0 {
				t.Errorf("opened %v, closed %v: %d ports open", in, out, m.Ports.Open())
			}
			closing(t, h)
		}
	}
}

// TestMixedRefused: a controller that can't leave its own select alone gets one kind of
// chip only, whichever comes first, and the first goes on.
func TestMixedRefused(t *testing.T) {
	for _, tt := range []struct{ first, then string }{
		{"", "GPIO22"}, {"GPIO22", ""}, {"", byDecoder}, {byDecoder, ""},
		{byKernel, "GPIO22"}, {"GPIO22", byKernel}, {byKernel, byDecoder}, {byDecoder, byKernel},
	} {
		m := newMixedPort(map[bool]string{true: byKernel}[tt.first == byKernel || tt.then == byKernel])
		m.port.RefuseMode(spi.NoCS, syscall.EINVAL)
		if tt.first == "GPIO22" || tt.first == byDecoder {
			m.port.Attach(nil) // whatever is on the own select would be selected too
		}
		h := bus.NewHost(m)
		first := mustSPI(t, h, options("SPI0.0", tt.first, "vr1"))
		for range 2 {
			_, err := h.SPI(options("SPI0.0", tt.then, "vr2"))
			if !errors.Is(err, syscall.EINVAL) {
				t.Errorf("%q then %q: %v", tt.first, tt.then, err)
				continue
			}
			for _, want := range []string{"vr1", "vr2", "both chips at once", "can't leave its own chip select alone"} {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q then %q: %v: want %q in it", tt.first, tt.then, err, want)
				}
			}
			r := make([]byte, 1)
			if err := first.Tx(t.Context(), nil, r); err != nil {
				t.Errorf("the first chip after the refusal: %v", err)
			}
			if _, alone := m.last(); alone {
				t.Error("a transfer in a mode that the controller refuses")
			}
		}
		closing(t, first)
		closing(t, mustSPI(t, h, options("SPI0.0", tt.then, "vr2")), h)
		if m.Ports.Open() != 0 {
			t.Errorf("%d ports left open", m.Ports.Open())
		}
	}
}

// TestMixedReplaced: the device behind the port comes back as one that refuses. The
// GPIO-selected chip is never talked to with the other one selected.
func TestMixedReplaced(t *testing.T) {
	m := newMixedPort("")
	h := bus.NewHost(m)
	own, pin := mustSPI(t, h, options("SPI0.0", "", "vr1")), mustSPI(t, h, options("SPI0.0", "GPIO22", "vr3"))
	m.reads(t, own, 1)
	m.reads(t, pin, 2)
	m.FailAt(1, syscall.ENODEV)
	r := make([]byte, 1)
	if err := pin.Tx(t.Context(), nil, r); !errors.Is(err, syscall.ENODEV) {
		t.Error(err)
	}
	m.port.RefuseMode(spi.NoCS, syscall.EINVAL)
	for range 3 {
		n := m.Count()
		if err := pin.Tx(t.Context(), nil, r); !errors.Is(err, syscall.EINVAL) || !strings.Contains(err.Error(), "both chips at once") || m.Count() != n {
			t.Errorf("%v, %d transfers", err, m.Count()-n)
		}
		m.reads(t, own, 1)
	}
	closing(t, own)
	m.port.Attach(nil)
	m.reads(t, pin, 2) // alone on the port: used with the select that nobody listens to
	if _, err := h.SPI(options("SPI0.0", "", "vr1")); !errors.Is(err, syscall.EINVAL) {
		t.Errorf("the own select beside it: %v", err)
	}
	closing(t, pin, h)
	if m.Ports.Open() != 0 {
		t.Errorf("%d ports left open", m.Ports.Open())
	}
}

// TestMixedSwitchFails: what goes wrong while the use changes is told, nothing is sent,
// and the next transfer tries anew.
func TestMixedSwitchFails(t *testing.T) {
	for _, tt := range []struct {
		name       string
		errno      syscall.Errno
		break_, ok func(p *drivertest.SPIPort, errno error)
	}{
		{"node gone", syscall.ENOENT, func(p *drivertest.SPIPort, e error) { p.RefuseOpen(e) }, func(p *drivertest.SPIPort, _ error) { p.RefuseOpen(nil) }},
		{"device gone", syscall.ENODEV, func(p *drivertest.SPIPort, e error) { p.RefuseMode(0, e) }, func(p *drivertest.SPIPort, _ error) { p.AllowModes() }},
		{"no descriptors", syscall.EMFILE, func(p *drivertest.SPIPort, e error) { p.RefuseOpen(e) }, func(p *drivertest.SPIPort, _ error) { p.RefuseOpen(nil) }},
	} {
		m := newMixedPort("")
		h := bus.NewHost(m)
		own, pin := mustSPI(t, h, options("SPI0.0", "", "vr1")), mustSPI(t, h, options("SPI0.0", "GPIO22", "vr3"))
		for i, c := range []bus.SPI{own, pin, own} {
			tt.break_(m.port, tt.errno)
			n, levels := m.Count(), len(m.pin.Levels())
			for range 2 {
				if err := c.Tx(t.Context(), nil, make([]byte, 1)); !errors.Is(err, tt.errno) || !strings.Contains(err.Error(), "SPI0.0") {
					t.Errorf("%s: %v", tt.name, err)
				}
			}
			if m.Count() != n || len(m.pin.Levels()) != levels || m.Ports.Open() != 0 {
				t.Errorf("%s: %d transfers, pin %v, %d ports open", tt.name, m.Count()-n, m.pin.Levels(), m.Ports.Open())
			}
			tt.ok(m.port, tt.errno)
			m.reads(t, c, byte(1+i%2))
		}
		tt.break_(m.port, tt.errno)
		_ = pin.Tx(t.Context(), nil, make([]byte, 1)) // leaves no port open
		closing(t, pin, own, h)
		if m.Ports.Open() != 0 {
			t.Errorf("%s: %d ports left open", tt.name, m.Ports.Open())
		}
	}
}

// TestMixedHeldPin: a select pin that stays low keeps the own chip from being talked to.
func TestMixedHeldPin(t *testing.T) {
	m := newMixedPort("")
	h := bus.NewHost(m)
	own, pin := mustSPI(t, h, options("SPI0.0", "", "vr1")), mustSPI(t, h, options("SPI0.0", "GPIO22", "vr3"))
	stuck := errors.New("pin is stuck")
	m.pin.FailOut(func(l gpio.Level) error {
		if l == gpio.High {
			return stuck
		}
		return nil
	})
	r := make([]byte, 1)
	if err := pin.Tx(t.Context(), nil, r); !errors.Is(err, stuck) {
		t.Error(err)
	}
	n := m.Count()
	if err := own.Tx(t.Context(), nil, r); !errors.Is(err, stuck) || m.Count() != n {
		t.Errorf("%v, %d transfers", err, m.Count()-n)
	}
	m.pin.FailOut(nil)
	m.reads(t, own, 1)
	closing(t, own, pin, h)
}

// TestMixedHung: chips of both kinds are closed while a transfer hangs; the port goes
// once it returned.
func TestMixedHung(t *testing.T) {
	for _, hostFirst := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			m := newMixedPort("")
			free := make(chan struct{})
			m.port.Attach(drivertest.ChipFunc(func(_, _ []byte) error { <-free; return nil }))
			h := bus.NewHost(m)
			own, pin := mustSPI(t, h, options("SPI0.0", "", "vr1")), mustSPI(t, h, options("SPI0.0", "GPIO22", "vr3"))
			for _, c := range []bus.SPI{own, pin} {
				if err := c.Tx(t.Context(), nil, make([]byte, 1)); !errors.Is(err, bus.ErrHung) {
					t.Error(err)
				}
			}
			all := []interface{ Close() error }{own, pin, h}
			if hostFirst {
				slices.Reverse(all)
			}
			for _, c := range all {
				if err := c.Close(); err != nil && !errors.Is(err, bus.ErrHung) && !errors.Is(err, bus.ErrClosed) {
					t.Error(err)
				}
			}
			close(free)
			synctest.Wait()
			closing(t, h)
			if m.Ports.Open() != 0 {
				t.Errorf("%d ports left open", m.Ports.Open())
			}
		})
	}
}

// TestMixedConcurrently: both kinds are read from several goroutines.
func TestMixedConcurrently(t *testing.T) {
	m := newMixedPort("")
	h := bus.NewHost(m)
	chips := []bus.SPI{mustSPI(t, h, options("SPI0.0", "", "vr1")), mustSPI(t, h, options("SPI0.0", "GPIO22", "vr2")), mustSPI(t, h, options("SPI0.0", "GPIO23", "vr3"))}
	var wg sync.WaitGroup
	for i := range 9 {
		wg.Go(func() {
			for range 50 {
				m.reads(t, chips[i%3], byte(i%3+1))
			}
		})
	}
	wg.Wait()
	closing(t, chips[2], chips[0], chips[1], h)
	if m.Ports.Open() != 0 || m.most != 1 {
		t.Errorf("%d ports left open, %d at once", m.Ports.Open(), m.most)
	}
}

// TestMixedAlways: whatever is opened, closed, read and broken in whatever order, no
// transfer selects two chips or none, a refused controller carries one kind, and
// nothing stays open.
func TestMixedAlways(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		m := newMixedPort("")
		h := bus.NewHost(m)
		open := map[string]bus.SPI{}
		refused := false
		names := []string{"", "GPIO22", "GPIO23", byDecoder}
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			sel := rapid.SampledFrom(names).Draw(rt, "select")
			switch rapid.SampledFrom([]string{"open", "read", "read", "close", "lose", "refuse", "allow"}).Draw(rt, "do") {
			case "open":
				if c, err := h.SPI(options("SPI0.0", sel, "x")); err == nil {
					open[sel] = c
				} else if open[sel] == nil && !errors.Is(err, syscall.EINVAL) {
					rt.Fatalf("open %q: %v", sel, err)
				}
			case "read":
				c := open[sel]
				if c == nil {
					continue
				}
				r, n := make([]byte, 1), m.Count()
				err := c.Tx(t.Context(), nil, r)
				switch {
				case err == nil && r[0] == m.number[sel]:
				case errors.Is(err, syscall.EINVAL) && m.Count() == n: // refused before anything was sent
				case errors.Is(err, syscall.ENODEV):
				case refused && sel != "" && open[""] == nil && err != nil && strings.Contains(err.Error(), "several chips"):
					// The chip at the own select was never named: nobody could know.
				default:
					rt.Fatalf("%q answered %d, %v", sel, r[0], err)
				}
			case "close":
				if c := open[sel]; c != nil {
					if err := c.Close(); err != nil {
						rt.Fatal(err)
					}
					delete(open, sel)
				}
			case "lose":
				m.FailAt(1, syscall.ENODEV)
			case "refuse":
				refused = true
				m.port.RefuseMode(spi.NoCS, syscall.EINVAL)
			case "allow":
				m.port.AllowModes()
			}
		}
		for _, name := range slices.Sorted(maps.Keys(open)) {
			if err := open[name].Close(); err != nil {
				rt.Fatal(err)
			}
		}
		if err := h.Close(); err != nil || m.Ports.Open() != 0 {
			rt.Fatalf("%v, %d ports left open", err, m.Ports.Open())
		}
	})
}
