package bus_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

var decoderLines = []string{"GPIO5", "GPIO6", "GPIO13"}

// recorder keeps every edge of the decoder's pins in the order in which they came,
// with a mark for each transfer, and checks after each that the address never moved
// while the decoder was enabled.
type recorder struct {
	events  []string
	levels  map[string]gpio.Level
	glitch  string
	failing func(pin string, l gpio.Level) error
}

func newRecorder(ports *drivertest.Ports, enable string) *recorder {
	rec := &recorder{levels: map[string]gpio.Level{}}
	names := append([]string{enable}, decoderLines...)
	for _, name := range names {
		if name == "" {
			continue
		}
		ports.AddPin(name).FailOut(func(l gpio.Level) error {
			if rec.failing != nil {
				if err := rec.failing(name, l); err != nil {
					rec.events = append(rec.events, name+" fails")
					return err
				}
			}
			if low, claimed := rec.levels[enable]; name != enable && claimed && low == gpio.Low {
				rec.glitch += fmt.Sprintf("%s moved while enabled; ", name)
			}
			rec.levels[name] = l
			rec.events = append(rec.events, fmt.Sprintf("%s %d", name, map[gpio.Level]int{gpio.Low: 0, gpio.High: 1}[l]))
			return nil
		})
	}
	return rec
}

func (r *recorder) take() []string { e := r.events; r.events = nil; return e }

// at is a chip that answers with its output's number.
func (r *recorder) at(n byte) drivertest.Chip {
	return drivertest.ChipFunc(func(_, b []byte) error {
		r.events = append(r.events, fmt.Sprintf("transfer %d", n))
		for i := range b {
			b[i] = n
		}
		return nil
	})
}

func decoderOptions(enable string, output int, who string) bus.SPIOptions {
	return options("SPI0.0", bus.Decoder{Lines: decoderLines, Enable: enable, Output: output}.Select(), who)
}

// TestDecoderEdges holds every edge of eight chips behind one decoder.
func TestDecoderEdges(t *testing.T) {
	ports := drivertest.NewPorts()
	rec := newRecorder(ports, "GPIO19")
	port := ports.AddSPI("SPI0.0")
	for n := range 8 {
		port.AttachDecoded(decoderLines, "GPIO19", n, rec.at(byte(n)))
	}
	h := bus.NewHost(ports)
	var chips []bus.SPI
	for n := range 8 {
		chips = append(chips, mustSPI(t, h, decoderOptions("GPIO19", n, fmt.Sprintf("vr%d", n))))
	}
	if got, want := rec.take(), []string{"GPIO19 1", "GPIO5 1", "GPIO6 1", "GPIO13 1"}; !slices.Equal(got, want) {
		t.Errorf("claimed by %v, want the enable inactive first: %v", got, want)
	}
	r := make([]byte, 2)
	for _, tt := range []struct {
		output int
		want   string
	}{
		{0, "GPIO5 0, GPIO6 0, GPIO13 0, GPIO19 0, transfer 0, GPIO19 1"},
		{0, "GPIO19 0, transfer 0, GPIO19 1"},
		{3, "GPIO5 1, GPIO6 1, GPIO19 0, transfer 3, GPIO19 1"},
		{4, "GPIO5 0, GPIO6 0, GPIO13 1, GPIO19 0, transfer 4, GPIO19 1"},
		{7, "GPIO5 1, GPIO6 1, GPIO19 0, transfer 7, GPIO19 1"},
		{5, "GPIO6 0, GPIO19 0, transfer 5, GPIO19 1"},
	} {
		if err := chips[tt.output].Tx(t.Context(), nil, r); err != nil || r[0] != byte(tt.output) {
			t.Errorf("output %d answered %d, %v", tt.output, r[0], err)
		}
		if got := strings.Join(rec.take(), ", "); got != tt.want {
			t.Errorf("output %d:\n got %s\nwant %s", tt.output, got, tt.want)
		}
	}
	for _, tr := range ports.Log() {
		if tr.Mode&spi.NoCS == 0 {
			t.Error("the port's own chip select was driven too")
		}
	}
	for _, c := range chips {
		closing(t, c, c)
	}
	closing(t, h)
	if got := rec.take(); rec.glitch != "" || got[len(got)-1] != "GPIO19 1" || ports.Open() != 0 {
		t.Errorf("glitch %q, last edges %v, %d ports open", rec.glitch, got, ports.Open())
	}
}

// TestDecoderByKernel: the port's own chip select enables the decoder.
func TestDecoderByKernel(t *testing.T) {
	ports := drivertest.NewPorts()
	rec := newRecorder(ports, "")
	ports.AddSPI("SPI0.0").AttachDecoded(decoderLines, "", 2, rec.at(2)).AttachDecoded(decoderLines, "", 6, rec.at(6))
	h := bus.NewHost(ports)
	a, b := mustSPI(t, h, decoderOptions("", 2, "a")), mustSPI(t, h, decoderOptions("", 6, "b"))
	rec.take()
	r := make([]byte, 1)
	for _, tt := range []struct {
		c    bus.SPI
		want string
	}{{a, "GPIO5 0, GPIO13 0, transfer 2"}, {b, "GPIO13 1, transfer 6"}, {b, "transfer 6"}} {
		if err := tt.c.Tx(t.Context(), nil, r); err != nil {
			t.Error(err)
		}
		if got := strings.Join(rec.take(), ", "); got != tt.want {
			t.Errorf("got %s, want %s", got, tt.want)
		}
	}
	if m := ports.Log()[0].Mode; m != spi.Mode1 {
		t.Errorf("mode %v: the kernel must drive the enable", m)
	}
	closing(t, a)
	if err := b.Tx(t.Context(), nil, r); err != nil {
		t.Errorf("after the other chip was closed: %v", err)
	}
	closing(t, b)
	one := mustSPI(t, h, options("SPI0.0", "", "single")) // everything was given back
	closing(t, one, h)
}

// TestDecoderFailures: a line that fails leaves nothing selected, and nobody is talked
// to while a chip may be.
func TestDecoderFailures(t *testing.T) {
	ports := drivertest.NewPorts()
	rec := newRecorder(ports, "GPIO19")
	ports.AddPin("GPIO22")
	ports.AddSPI("SPI0.0").AttachDecoded(decoderLines, "GPIO19", 0, rec.at(0)).AttachDecoded(decoderLines, "GPIO19", 1, drivertest.Frames()).AttachAt("GPIO22", echo)
	h := bus.NewHost(ports)
	a, bad := mustSPI(t, h, decoderOptions("GPIO19", 0, "a")), mustSPI(t, h, decoderOptions("GPIO19", 1, "bad"))
	plain := mustSPI(t, h, options("SPI0.0", "GPIO22", "plain"))
	rec.take()
	broken := errors.New("line is stuck")
	r := make([]byte, 1)

	rec.failing = func(pin string, _ gpio.Level) error {
		if pin == "GPIO6" {
			return broken
		}
		return nil
	}
	if err := a.Tx(t.Context(), nil, r); !errors.Is(err, broken) || !strings.Contains(err.Error(), "address line GPIO6") {
		t.Errorf("an address line that fails: %v", err)
	}
	if got := strings.Join(rec.take(), ", "); got != "GPIO5 0, GPIO6 fails, GPIO19 1" {
		t.Errorf("edges %s: the decoder must stay disabled", got)
	}
	rec.failing = nil
	if err := a.Tx(t.Context(), nil, r); err != nil {
		t.Errorf("after the line works again: %v", err)
	}
	if got := strings.Join(rec.take(), ", "); got != "GPIO6 0, GPIO13 0, GPIO19 0, transfer 0, GPIO19 1" {
		t.Errorf("edges %s: what is not known must be driven again", got)
	}

	if err := bad.Tx(t.Context(), nil, r); err == nil || rec.levels["GPIO19"] != gpio.High {
		t.Errorf("a failed transfer: %v, enable %v", err, rec.levels["GPIO19"])
	}
	rec.failing = func(pin string, l gpio.Level) error {
		if pin == "GPIO19" && l == gpio.High {
			return broken
		}
		return nil
	}
	if err := a.Tx(t.Context(), nil, r); !errors.Is(err, broken) {
		t.Errorf("an enable that can't be released: %v", err)
	}
	rec.take()
	for name, c := range map[string]bus.SPI{"same decoder": bad, "plain pin": plain} {
		if err := c.Tx(t.Context(), []byte{1}, r); !errors.Is(err, broken) || !strings.Contains(err.Error(), "still selected") {
			t.Errorf("%s: talked to with another chip selected: %v", name, err)
		}
	}
	if got := rec.take(); slices.ContainsFunc(got, func(e string) bool { return e != "GPIO19 fails" }) {
		t.Errorf("edges %v with the decoder stuck enabled", got)
	}
	rec.failing = nil
	if err := plain.Tx(t.Context(), []byte{1}, r); err != nil || r[0] != 2 {
		t.Errorf("after the enable works again: %d, %v", r[0], err)
	}
	closing(t, a, bad, plain, h)
	if rec.glitch != "" || ports.Open() != 0 {
		t.Errorf("glitch %q, %d ports open", rec.glitch, ports.Open())
	}
}

// TestDecoderHung: a transfer that hangs keeps the decoder enabled; nobody else is
// selected before it ends.
func TestDecoderHung(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ports := drivertest.NewPorts()
		rec := newRecorder(ports, "GPIO19")
		free := make(chan struct{})
		ports.AddSPI("SPI0.0").AttachDecoded(decoderLines, "GPIO19", 0, drivertest.ChipFunc(func(_, _ []byte) error { <-free; return nil })).
			AttachDecoded(decoderLines, "GPIO19", 1, rec.at(1))
		h := bus.NewHost(ports)
		a, b := mustSPI(t, h, decoderOptions("GPIO19", 0, "a")), mustSPI(t, h, decoderOptions("GPIO19", 1, "b"))
		r := make([]byte, 1)
		for _, c := range []bus.SPI{a, b} {
			if err := c.Tx(t.Context(), nil, r); !errors.Is(err, bus.ErrHung) {
				t.Errorf("%v", err)
			}
		}
		close(free)
		synctest.Wait()
		if err := b.Tx(t.Context(), nil, r); err != nil || r[0] != 1 || rec.glitch != "" {
			t.Errorf("after it ended: %d, %v, glitch %q", r[0], err, rec.glitch)
		}
		closing(t, a, b, h)
	})
}

func TestDecoderRefusals(t *testing.T) {
	for text, want := range map[string]string{
		"decoder":                                    "no such pin", // a plain name
		"decoder output 1":                           "0 address lines",
		"decoder A B C D E output 1":                 "5 address lines",
		"decoder GPIO5 GPIO6 output 4":               "outputs 0 to 3",
		"decoder GPIO5 GPIO6":                        "output -1",
		"decoder GPIO5 GPIO6 output -1":              "output -1",
		"decoder GPIO5 GPIO6 output two":             "no number",
		"decoder GPIO5 GPIO6 output":                 "nothing after output",
		"decoder GPIO5 gpio5 output 1":               "named twice",
		"decoder GPIO5 GPIO6 enable GPIO6 output 1":  "named twice",
		"decoder GPIO5 GPIO99 enable GPIO6 output 1": "GPIO99",
		"decoder GPIO5 GPIO6 enable GPIO99 output 1": "GPIO99",
		"decoder GPIO8 GPIO6 output 1":               "driven by the SPI controller",
	} {
		ports := drivertest.NewPorts()
		for _, pin := range []string{"GPIO5", "GPIO6", "GPIO8"} {
			ports.AddPin(pin)
		}
		ports.AddSPI("SPI0.0")
		h := bus.NewHost(csPorts{ports})
		if _, err := h.SPI(options("SPI0.0", text, "a")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q in it", text, err, want)
		}
		closing(t, mustSPI(t, h, options("SPI0.0", "decoder GPIO5 GPIO6 output 1", "a")), h) // nothing stays claimed
		if ports.Open() != 0 {
			t.Errorf("%q: %d ports left open", text, ports.Open())
		}
	}
}

// TestDecoderConflicts: who is on the port or on the pins already.
func TestDecoderConflicts(t *testing.T) {
	const gpioEnabled, kernelEnabled = "decoder GPIO5 GPIO6 enable GPIO19 output 1", "decoder GPIO5 GPIO6 output 1"
	for _, tt := range []struct{ first, then, port, want string }{
		{gpioEnabled, gpioEnabled, "SPI0.0", "both on output 1"},
		{gpioEnabled, "decoder gpio5 gpio6 enable gpio19 output 1", "SPI0.0", "both on output 1"},
		{kernelEnabled, kernelEnabled, "SPI0.0", "both on output 1"},
		{gpioEnabled, "", "SPI0.0", "select both chips at once"},
		{"", gpioEnabled, "SPI0.0", "select both chips at once"},
		{"", kernelEnabled, "SPI0.0", "select both chips at once"},
		{kernelEnabled, "", "SPI0.0", "are both on chip select"},
		{"GPIO22", kernelEnabled, "SPI0.0", "select both chips at once"},
		{kernelEnabled, "GPIO22", "SPI0.0", "select both chips at once"},
		{kernelEnabled, gpioEnabled, "SPI0.0", "pin GPIO5 is used by"},
		{gpioEnabled, "decoder GPIO5 GPIO6 enable GPIO19 output 2", "SPI0.1", "serves SPI0.0 already"},
		{gpioEnabled, "decoder GPIO6 GPIO7 enable GPIO20 output 2", "SPI0.0", "pin GPIO6 is used by"},
		{gpioEnabled, "gpio19", "SPI0.0", "both on select pin"},
		{"gpio19", gpioEnabled, "SPI0.0", "pin GPIO19 is used by"},
	} {
		ports := drivertest.NewPorts()
		for _, pin := range []string{"GPIO5", "GPIO6", "GPIO7", "GPIO19", "GPIO20", "GPIO22", "gpio5", "gpio6", "gpio19"} {
			ports.AddPin(pin)
		}
		ports.AddSPI("SPI0.0").Float(0).RefuseMode(spi.NoCS, syscall.EINVAL)
		ports.AddSPI("SPI0.1")
		h := bus.NewHost(ports)
		first := mustSPI(t, h, options("SPI0.0", tt.first, "first"))
		if _, err := h.SPI(options(tt.port, tt.then, "second")); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%q then %q: %v, want %q in it", tt.first, tt.then, err, tt.want)
		}
		if _, err := h.Pin("GPIO5"); (err == nil) == strings.Contains(tt.first, "GPIO5") {
			t.Errorf("%q: GPIO5 by itself: %v", tt.first, err)
		}
		closing(t, first)
		again := mustSPI(t, h, options(tt.port, tt.then, "second"))
		closing(t, again, h)
		if ports.Open() != 0 {
			t.Errorf("%d ports left open", ports.Open())
		}
	}
}

// TestDecoderOpenFails: a port that can't be opened leaves the decoder disabled and
// its pins free.
func TestDecoderOpenFails(t *testing.T) {
	ports := drivertest.NewPorts()
	rec := newRecorder(ports, "GPIO19")
	port := ports.AddSPI("SPI0.0").RefuseOpen(syscall.EACCES)
	h := bus.NewHost(ports)
	if _, err := h.SPI(decoderOptions("GPIO19", 3, "a")); !errors.Is(err, syscall.EACCES) {
		t.Errorf("%v", err)
	}
	if rec.levels["GPIO19"] != gpio.High {
		t.Error("the decoder is enabled")
	}
	port.RefuseOpen(nil).AttachDecoded(decoderLines, "GPIO19", 3, rec.at(3))
	c := mustSPI(t, h, decoderOptions("GPIO19", 3, "a"))
	r := make([]byte, 1)
	if err := c.Tx(t.Context(), nil, r); err != nil || r[0] != 3 {
		t.Errorf("%d, %v", r[0], err)
	}
	closing(t, c, h)
}
