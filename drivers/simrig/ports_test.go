package simrig

import (
	"errors"
	"math"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/spi"

	"soakrig/drivers/bus"
)

func TestNames(t *testing.T) {
	o := quiet()
	o.Chips = append(o.Chips, Chip{Port: "SPI1.2", Model: "max31855", Place: "room"})
	r, _ := newRig(t, o)
	kinds := map[string]int{}
	names := r.Names()
	for i, n := range names {
		kinds[n.Kind]++
		if i > 0 && names[i-1] == n {
			t.Errorf("%s twice", n.Name)
		}
	}
	if kinds["spi"] != 11 || kinds["i2c"] != 1 || kinds["gpio"] != 28 || names[0].Name != "SPI0.0" {
		t.Errorf("%v, first %s", kinds, names[0].Name)
	}
	word(t, open(t, r, "SPI1.2", spi.Mode0))
}

func TestRefusedPorts(t *testing.T) {
	r, _ := newRig(t, quiet())
	_, err := r.I2C("I2C7")
	wantError(t, err, `no I2C bus "I2C7": there are I2C1`)
	_, err = r.Pin("GPIO28")
	wantError(t, err, `no pin "GPIO28"`)
	_, err = r.Serial("/dev/ttyUSB0", bus.SerialMode{Baud: 9600})
	wantError(t, err, "open /dev/ttyUSB0")
	wantError(t, err, "no serial lines")
}

func TestPin(t *testing.T) {
	r, _ := newRig(t, quiet())
	p, err := r.Pin("GPIO17")
	if err != nil {
		t.Fatal(err)
	}
	again, _ := r.Pin("gpio17")
	if p != again || p.Number() != 17 || p.Name() != "GPIO17" || p.String() != "GPIO17" || p.(*pin).Function() != "In/High" {
		t.Errorf("%v %d %s", p, p.Number(), p.(*pin).Function())
	}
	if err := p.Out(gpio.Low); err != nil || p.Read() != gpio.Low || p.(*pin).Function() != "Out/Low" {
		t.Errorf("driven low: %v %v %s", err, p.Read(), p.(*pin).Function())
	}
	wantError(t, p.In(gpio.PullUp, gpio.BothEdges), "edges are not simulated")
	wantError(t, p.PWM(gpio.DutyHalf, 1), "PWM is not simulated")
	if p.WaitForEdge(-1) || p.Halt() != nil || p.Pull() != gpio.PullUp || p.DefaultPull() != gpio.PullUp {
		t.Error("edge, halt or pull")
	}
}

func TestInterlock(t *testing.T) {
	o := quiet()
	o.Interlock = "GPIO17"
	r, c := newRig(t, o)
	p, err := r.Pin("GPIO17")
	if err != nil {
		t.Fatal(err)
	}
	out := func(l gpio.Level) {
		t.Helper()
		if err := p.Out(l); err != nil {
			t.Fatal(err)
		}
		c.t += 2 * time.Second
	}
	r.SetLoad(true)
	out(gpio.High)
	near(t, "loaded", r.Truth().WallW, 300, 3)
	out(gpio.Low)
	near(t, "dropped", r.Truth().WallW, o.Unit.StandbyW, 0)
	r.SetPower(true)
	r.SetLoad(true)
	c.t += 2 * time.Second
	near(t, "still dropped", r.Truth().WallW, o.Unit.StandbyW, 0)
	if err := r.Mount(quiet().Unit); err != nil {
		t.Fatal(err)
	}
	c.t += 2 * time.Second
	near(t, "another unit", r.Truth().WallW, o.Unit.StandbyW, 0)
	out(gpio.High)
	near(t, "released", r.Truth().WallW, 60, 1)
	r.SetPower(false)
	out(gpio.Low)
	out(gpio.High)
	near(t, "was off before", r.Truth().WallW, o.Unit.StandbyW, 0)
}

// Readers, the load script and the meter at once; run with the race detector.
func TestConcurrentUse(t *testing.T) {
	var mu sync.Mutex
	var at time.Duration
	r, err := New(DefaultOpts(), func() time.Duration {
		mu.Lock()
		defer mu.Unlock()
		at += 7 * time.Millisecond
		return at
	})
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for _, port := range []string{"SPI0.0", "SPI0.1", "SPI0.8"} {
		conn := open(t, r, port, spi.Mode0)
		wg.Go(func() {
			for range 500 {
				if err := conn.Tx(nil, make([]byte, 4)); err != nil && !errors.Is(err, bus.ErrClosed) {
					t.Error(err)
				}
			}
		})
	}
	wg.Go(func() {
		for i := range 50 {
			r.SetLoad(i%2 == 0)
			r.Names()
			r.Truth()
			if err := r.Mount(DefaultUnit()); err != nil {
				t.Error(err)
			}
		}
	})
	wg.Go(func() {
		for range 20 {
			c, err := r.Dial(t.Context(), "meter")
			if err != nil {
				if !errors.Is(err, bus.ErrClosed) {
					t.Error(err)
				}
				return
			}
			c.Close()
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
	wg.Wait()
}

func BenchmarkSecondOfModel(b *testing.B) {
	r, c := newRig(b, DefaultOpts())
	r.SetLoad(true)
	b.ReportAllocs()
	for b.Loop() {
		c.t += time.Second
		r.mu.Lock()
		r.advance(c.t)
		r.mu.Unlock()
	}
	if math.IsNaN(r.Truth().StageC[0]) {
		b.Fatal("the model ran away")
	}
}

// A frame that needs a fresh conversion: 125 ms of rig time pass each.
func BenchmarkMAX31855Frame(b *testing.B) {
	r, c := newRig(b, DefaultOpts())
	r.SetLoad(true)
	var conns []spi.Conn
	for _, chip := range DefaultOpts().Chips {
		conns = append(conns, open(b, r, chip.Port, spi.Mode0))
	}
	frame := make([]byte, 4)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		if i++; i == len(conns) {
			i = 0
			c.t += 125 * time.Millisecond
		}
		if err := conns[i].Tx(nil, frame); err != nil {
			b.Fatal(err)
		}
	}
}
