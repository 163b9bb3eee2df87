package simrig

import (
	"strings"
	"time"

	"soakrig/drivers/bus"
)

// The meter's pulse output: so many pulses per kWh of its own counter, each so wide,
// active low.
const (
	pulsesPerKWh = 1000
	pulseWidth   = 90 * time.Millisecond
)

var _ bus.EdgePorts = (*Rig)(nil)

// Edges gives the meter's pulse output, on whatever GPIO line it is asked for: 1000
// pulses per kWh, active low, 90 ms wide. A pulse's time is interpolated between two
// reads.
func (r *Rig) Edges(name string, _ bus.EdgeOptions) (bus.Edges, error) {
	now := r.now()
	defer r.enter()()
	if r.closed {
		return nil, errClosed("open " + name)
	}
	if r.pins[strings.ToUpper(name)] == nil {
		return nil, r.noPort("pin", name, "gpio")
	}
	return &pulses{rig: r, at: now, counted: r.meter.kWh * pulsesPerKWh}, nil
}

// pulses is a claim on the pulse output. Its fields are guarded by the rig's lock.
type pulses struct {
	rig     *Rig
	at      time.Duration // of the last look at the meter
	counted float64       // the meter's counter then, in pulses
	kept    []bus.Edge
	seq     uint32
	closed  bool
}

// Read implements bus.Edges.
func (p *pulses) Read(dst []bus.Edge) (int, error) {
	now := p.rig.now()
	defer p.rig.enter()()
	if p.closed || p.rig.closed {
		return 0, bus.ErrClosed
	}
	p.look(now)
	n := 0
	for n < len(dst) && n < len(p.kept) && p.kept[n].At <= now {
		dst[n] = p.kept[n]
		n++
	}
	p.kept = p.kept[n:]
	return n, nil
}

// look turns what the counter has moved since the last look into edges.
func (p *pulses) look(now time.Duration) {
	counter := p.rig.meter.kWh * pulsesPerKWh
	moved := counter - p.counted
	if moved <= 0 || now <= p.at {
		return
	}
	apart := time.Duration(float64(now-p.at) / moved)
	for next := float64(int64(p.counted)) + 1; next <= counter; next++ {
		at := p.at + time.Duration((next-p.counted)*float64(apart))
		p.put(at, false)
		p.put(at+min(pulseWidth, apart/2), true)
	}
	p.at, p.counted = now, counter
}

func (p *pulses) put(at time.Duration, rising bool) {
	p.seq++
	p.kept = append(p.kept, bus.Edge{At: at, Rising: rising, Seq: p.seq})
}

// Now implements bus.Edges.
func (p *pulses) Now() time.Duration { return p.rig.now() }

// Close implements bus.Edges.
func (p *pulses) Close() error {
	defer p.rig.enter()()
	p.closed = true
	return nil
}
