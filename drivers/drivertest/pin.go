package drivertest

import (
	"errors"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/pin"
)

// Pin is a fake GPIO pin that records the levels it was driven to.
type Pin struct {
	ports *Ports
	name  string
	edges chan gpio.Level

	// Guarded by ports.mu.
	level  gpio.Level
	driven bool
	levels []gpio.Level
	fail   func(gpio.Level) error
	halted int
}

var _ gpio.PinIO = (*Pin)(nil)

// Levels returns every level that the pin was driven to, in order.
func (p *Pin) Levels() []gpio.Level {
	p.ports.mu.Lock()
	defer p.ports.mu.Unlock()
	return append([]gpio.Level(nil), p.levels...)
}

// FailOut makes Out fail where f returns an error; nil ends it.
func (p *Pin) FailOut(f func(gpio.Level) error) {
	p.ports.mu.Lock()
	defer p.ports.mu.Unlock()
	p.fail = f
}

// Edge changes the level from outside and wakes WaitForEdge.
func (p *Pin) Edge(l gpio.Level) {
	p.ports.mu.Lock()
	p.level = l
	p.ports.mu.Unlock()
	p.edges <- l
}

// Out implements gpio.PinOut.
func (p *Pin) Out(l gpio.Level) error {
	p.ports.mu.Lock()
	defer p.ports.mu.Unlock()
	if p.fail != nil {
		if err := p.fail(l); err != nil {
			return err
		}
	}
	p.level, p.driven = l, true
	if !p.ports.quiet {
		p.levels = append(p.levels, l)
	}
	return nil
}

// In implements gpio.PinIn.
func (p *Pin) In(gpio.Pull, gpio.Edge) error {
	p.ports.mu.Lock()
	defer p.ports.mu.Unlock()
	p.driven = false
	return nil
}

// Read implements gpio.PinIn.
func (p *Pin) Read() gpio.Level {
	p.ports.mu.Lock()
	defer p.ports.mu.Unlock()
	return p.level
}

// WaitForEdge implements gpio.PinIn.
func (p *Pin) WaitForEdge(timeout time.Duration) bool {
	if timeout < 0 {
		<-p.edges
		return true
	}
	t := time.NewTimer(timeout)
	defer t.Stop()
	select {
	case <-p.edges:
		return true
	case <-t.C:
		return false
	}
}

// Halt implements conn.Resource.
func (p *Pin) Halt() error {
	p.ports.mu.Lock()
	defer p.ports.mu.Unlock()
	p.halted++
	return nil
}

// Pull implements gpio.PinIn.
func (p *Pin) Pull() gpio.Pull { return gpio.PullNoChange }

// DefaultPull implements gpio.PinIn.
func (p *Pin) DefaultPull() gpio.Pull { return gpio.PullNoChange }

// PWM implements gpio.PinOut.
func (p *Pin) PWM(gpio.Duty, physic.Frequency) error { return errors.New("fake pin: no PWM") }

// Name implements pin.Pin.
func (p *Pin) Name() string { return p.name }

// Number implements pin.Pin.
func (p *Pin) Number() int { return -1 }

// Function implements pin.Pin.
func (p *Pin) Function() string { return string(pin.FuncNone) }

func (p *Pin) String() string { return p.name }
