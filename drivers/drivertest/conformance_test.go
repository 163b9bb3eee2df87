package drivertest

import (
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// sample is a driver that does everything right, or one thing wrong.
type sample struct {
	conn bus.SPI
	bad  string
	buf  [1]byte
	leak []byte
	shut atomic.Bool
}

func (s *sample) Converters() []drivers.Converter {
	c := drivers.Converter{Model: "x", Law: drivers.LawLinear, Kind: drivers.Temperature, Unit: "degC", PerCode: 1}
	if s.bad == "converter" {
		c.Unit = ""
	}
	return []drivers.Converter{c}
}

func (s *sample) Read(ctx context.Context, out []drivers.Reading) error {
	if s.shut.Load() && s.bad == "closed" {
		out[0].Set(1, 0)
		return nil
	}
	if s.bad == "deaf" {
		ctx = context.WithoutCancel(ctx)
	}
	if s.bad == "allocates" {
		s.leak = make([]byte, 100)
	}
	err := s.conn.Tx(ctx, nil, s.buf[:])
	switch {
	case err == nil && s.bad == "garbage":
		out[0].Has, out[0].Code, out[0].Faults, out[0].Cause = drivers.HasCode, 1, 0, nil // Age and Cold stay
		return nil
	case err == nil:
		out[0].Set(int64(s.buf[0]), 0)
		return nil
	case s.bad == "old value":
		out[0].Set(int64(s.buf[0]), 0)
		return nil
	case s.bad == "no cause":
		out[0] = drivers.Reading{Faults: drivers.TransferFaults(err)}
	default:
		out[0] = drivers.Reading{Faults: drivers.TransferFaults(err), Cause: err}
	}
	if s.bad == "cause lost" {
		out[0].Cause = errors.New("something failed")
	}
	if drivers.EndsRead(err) {
		return err
	}
	return nil
}

func (s *sample) Close() error {
	if s.shut.Load() && s.bad == "close twice" {
		return errors.New("closed already")
	}
	s.shut.Store(true)
	if s.bad == "leaves the port" {
		return nil
	}
	return s.conn.Close()
}

func sampleDriver(bad string) *drivers.Driver {
	d := &drivers.Driver{Name: "sample", Info: drivers.Info{Summary: "s", Bus: "b", Detects: []string{"d"}, Misses: []string{"m"}, Accuracy: []string{"a"}}}
	if bad == "info" {
		d.Info.Misses = nil
	}
	d.Open = func(_ context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		for _, p := range []drivers.Params{src.Options, src.Inputs[0].Options} {
			if err := p.Decode(&struct{}{}); err != nil && bad != "options" {
				return nil, err
			}
		}
		conn, err := host.SPI(bus.SPIOptions{Port: src.Inputs[0].Port, Max: physic.MegaHertz})
		if err != nil {
			return nil, err
		}
		return &sample{conn: conn, bad: bad}, nil
	}
	return d
}

const which = "SOAKRIG_SAMPLE"

// TestConformanceCatches runs the conformance of drivers that do one thing wrong
// in a child process, and looks for the part that must fail.
func TestConformanceCatches(t *testing.T) {
	if bad, ok := os.LookupEnv(which); ok {
		Conformance(t, sampleDriver(bad), func(t *testing.T) *Rig {
			ports := NewPorts()
			ports.AddSPI("SPI0.0").Attach(Steady("05", "06"))
			return &Rig{Ports: ports, Source: drivers.Source{Every: time.Second, Inputs: []drivers.Input{{Channel: "a", Port: "SPI0.0"}}}}
		})
		return
	}
	for bad, want := range map[string]string{
		"":                "",
		"info":            "/info",
		"converter":       "/converters",
		"garbage":         "/good",
		"options":         "/unknown_option",
		"closed":          "/close",
		"close twice":     "/close",
		"leaves the port": "/close",
		"deaf":            "/cancelled",
		"old value":       "/every_transfer_fails",
		"no cause":        "/every_transfer_fails",
		"cause lost":      "/every_transfer_fails",
		"allocates":       "/allocations",
	} {
		cmd := exec.Command(os.Args[0], "-test.run=^TestConformanceCatches$")
		cmd.Env = append(os.Environ(), which+"="+bad)
		out, err := cmd.CombinedOutput()
		switch {
		case want == "" && err != nil:
			t.Errorf("a good driver fails:\n%s", out)
		case want != "" && (err == nil || !strings.Contains(string(out), "--- FAIL: TestConformanceCatches"+want)):
			t.Errorf("%q: want %s to fail, got\n%s", bad, want, out)
		}
	}
}

func TestCheckReadings(t *testing.T) {
	cause := errors.New("x")
	for _, tt := range []struct {
		name string
		r    drivers.Reading
		ok   bool
	}{
		{"good", drivers.Reading{Has: drivers.HasCode, Code: -1}, true},
		{"fault with evidence", drivers.Reading{Has: drivers.HasCode, Code: 5, Faults: drivers.Open, Cause: cause}, true},
		{"fault without cause", drivers.Reading{Faults: drivers.Open}, false},
		{"cause without fault", drivers.Reading{Has: drivers.HasCode, Cause: cause}, false},
		{"nothing", drivers.Reading{}, false},
		{"absent and not zero", drivers.Reading{Has: drivers.HasCode, Cold: 3}, false},
		{"unknown fault", drivers.Reading{Faults: 1 << 30, Cause: cause}, false},
		{"negative age", drivers.Reading{Has: drivers.HasCode, Age: -1}, false},
	} {
		if err := CheckReadings([]drivers.Reading{tt.r}); (err == nil) != tt.ok {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
}

func TestOptions(t *testing.T) {
	type opts struct {
		Rate               int           `yaml:"rate"`
		Wait               time.Duration `yaml:"wait"`
		drivers.StepOption `yaml:",inline"`
	}
	o := opts{Rate: 64, Wait: time.Second, StepOption: drivers.DefaultStep()}
	if err := Options("wait: 5ms").Decode(&o); err != nil || o.Rate != 64 || o.Wait != 5*time.Millisecond || o.MaxStep != 5 {
		t.Errorf("%+v, %v: absent keys keep what they had", o, err)
	}
	if err := Options("max_step: 0").Decode(&o); err != nil || o.MaxStep != 0 {
		t.Errorf("%+v, %v", o, err)
	}
	for _, bad := range []string{"raet: 8", "rate: many", "- 1"} {
		if err := Options(bad).Decode(&o); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
}

func TestFakePort(t *testing.T) {
	p := NewPorts()
	pin := p.AddPin("A")
	p.AddPin("B")
	port := p.AddSPI("SPI0.0").Attach(Steady("01")).AttachAt("A", Steady("02")).AttachAt("B", Steady("03")).Float(0xAA)
	h, err := p.SPI("SPI0.0")
	if err != nil {
		t.Fatal(err)
	}
	c, err := h.Connect(5*physic.MegaHertz, spi.Mode3|spi.NoCS, 8)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.Connect(physic.MegaHertz, spi.Mode0, 8); err == nil {
		t.Error("connected a second time")
	}
	r := []byte{0}
	if err := c.Tx(nil, r); err != nil || r[0] != 0xAA {
		t.Errorf("nothing selected: %X, %v", r, err)
	}
	if err := errors.Join(pin.Out(gpio.Low), c.Tx(nil, r)); err != nil || r[0] != 2 {
		t.Errorf("A selected: %X, %v", r, err)
	}
	b, err := p.Pin("B")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(b.Out(gpio.Low), c.Tx(nil, r)); err == nil || !strings.Contains(err.Error(), "several chips") {
		t.Errorf("two selected: %v", err)
	}
	p.FailAt(2, syscall.EIO)
	_ = b.Out(gpio.High)
	if err := c.Tx(nil, r); err != nil {
		t.Error(err)
	}
	if err := c.Tx(nil, r); !errors.Is(err, syscall.EIO) {
		t.Errorf("the second from then: %v", err)
	}
	log := p.Log()
	if last := log[len(log)-1]; last.Mode != spi.Mode3|spi.NoCS || last.Clock != 5*physic.MegaHertz || last.Select != "A" || last.Err == nil {
		t.Errorf("%+v", last)
	}
	if port.Connected() != 1 || p.Open() != 1 || p.Count() != 5 {
		t.Errorf("connected %d, open %d, transfers %d", port.Connected(), p.Open(), p.Count())
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
	defer func() {
		if recover() == nil {
			t.Error("a transfer after Close must panic, as the real port does")
		}
	}()
	_ = c.Tx(nil, r)
}

func TestRecordings(t *testing.T) {
	f := Frames("01 02", "03")
	r := make([]byte, 2)
	if err := f.Transfer(nil, r); err != nil || r[1] != 2 {
		t.Errorf("%X, %v", r, err)
	}
	if err := f.Transfer(nil, r); !errors.Is(err, io.ErrUnexpectedEOF) || r[0] != 3 {
		t.Errorf("a frame that is too short: %X, %v", r, err)
	}
	if err := f.Transfer(nil, r); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("past the end: %v", err)
	}
}

func TestRegisters(t *testing.T) {
	c := NewRegisters(map[byte][]byte{1: {0x12, 0x34}})
	r := make([]byte, 3)
	if err := c.Tx([]byte{1}, r); err != nil || string(r) != "\x12\x34\xFF" {
		t.Errorf("% X, %v", r, err)
	}
	if err := errors.Join(c.Tx([]byte{2, 9}, nil), c.Tx([]byte{2}, r[:1])); err != nil || r[0] != 9 {
		t.Errorf("% X, %v", r, err)
	}
	c.Or(1, 0x80)
	if v := c.Get(1); v[1] != 0xB4 {
		t.Errorf("% X", v)
	}
}
